"""The command that forecasts a plan: `outlook`."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import PlanFile, Quiet, app, as_number, as_whole, err, instant, out
from watcher.durable import write_whole
from watcher.errors import PlanError, StorageError, UsageProblem
from watcher.plan.outlook.callers import WITHIN_H
from watcher.plan.outlook.facts import facts_of
from watcher.plan.outlook.picture import frontier_picture
from watcher.plan.outlook.schedules import Comparison, Prospect, Search, common_schedules
from watcher.plan.outlook.wording import (
    CAUTIONS,
    chance_lines,
    energy_lines,
    lead_lines,
    month_lines,
    schedule_table,
    search_lines,
    suppositions,
)
from watcher.plan.presets import shipped_presets
from watcher.plan.reading import read_plan
from watcher.watch.clock import SystemClock

MOST_CALLERS = 10_000_000


@app.command()
def outlook(  # noqa: PLR0917 - the options are named ones to the user
    plan_file: PlanFile,
    callers: Annotated[
        str, typer.Option("--callers", metavar="N", help="How many callers to simulate for each schedule.")
    ] = "100000",
    within: Annotated[
        str,
        typer.Option("--within", metavar="HOURS", help="How soon a caller must be heard: 1, 3, 6, 12, 24."),
    ] = "12",
    days: Annotated[
        str | None, typer.Option("--days", metavar="DAYS", help="Budget: the battery must last so long.")
    ] = None,
    wh_a_day: Annotated[
        str | None, typer.Option("--wh-a-day", metavar="WH", help="Budget: energy a day.")
    ] = None,
    hours_a_day: Annotated[
        str | None, typer.Option("--hours-a-day", metavar="HOURS", help="Budget: time in windows a day.")
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--from", metavar="UTC", help="The days looked at begin here; now if absent."),
    ] = None,
    seed: Annotated[str, typer.Option("--seed", metavar="N", help="Of the simulation.")] = "1",
    json_file: Annotated[
        Path | None,
        typer.Option("--json", metavar="FILE", help="Also write everything as JSON; - prints it alone."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Also draw chance against cost, a PNG.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Forecast a plan: what it costs in energy, and the chance that a caller is heard."""
    count, within_h = as_whole("--callers", callers, "1000"), as_whole("--within", within, "24")
    if not 100 <= count <= MOST_CALLERS:
        raise UsageProblem(f"--callers is {callers}; it must be between 100 and {MOST_CALLERS}")
    if within_h not in WITHIN_H:
        raise UsageProblem(f"--within is {within}; it must be one of {', '.join(map(str, WITHIN_H))}")
    budget_days, budget_wh = _budget("--days", days, 1e6), _budget("--wh-a-day", wh_a_day, 1e6)
    budget_hours = _budget("--hours-a-day", hours_a_day, 24)
    seed_number = as_whole("--seed", seed, "1")
    if seed_number < 0:
        raise UsageProblem(f"--seed is {seed}; it must be 0 or more")
    plan = read_plan(plan_file)
    if plan.power is None and (budget_days is not None or budget_wh is not None):
        option = f"--days is {days}" if days is not None else f"--wh-a-day is {wh_a_day}"
        raise UsageProblem(
            f"{option} and {plan_file.name} has no [power] table; give it one, or --hours-a-day"
        )
    start = instant("--from", since) if since else SystemClock().utc()
    try:
        comparison = Comparison(plan, start, count, seed=seed_number)
    except ValueError as problem:
        raise PlanError(f"{plan_file.name}: {problem}") from problem
    prospects = [comparison.own(), *map(comparison.prospect, common_schedules(shipped_presets()))]
    by_lead = comparison.by_lead()
    with err.status("trying schedules") as status:
        search = comparison.search(
            within_h,
            days=budget_days,
            most_wh_a_day=budget_wh,
            most_hours_a_day=budget_hours,
            told=(lambda done, of: None)
            if quiet
            else lambda done, of: status.update(f"trying schedules: {done} of {of}"),
        )
    unit = "hours open a day" if plan.power is None else "Wh a day"
    if picture is not None:
        _write(picture, frontier_picture(search, unit))
    if json_file is not None:
        facts = facts_of(comparison, prospects, by_lead, search)
        text = json.dumps(facts, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        if str(json_file) == "-":
            out.print(text, markup=False, end="")
            return
        _write(json_file, text.encode())
    if not quiet:
        lines = _lines(comparison, prospects, search, start)
        if by_lead:
            lines += ["", "Opening before the hour, this plan's windows", *lead_lines(by_lead, within_h)]
        lines += [
            "",
            f"A family of {len(search.candidates)} schedules: those that none beats in cost and chance",
        ]
        lines += [*search_lines(search, unit), "", *CAUTIONS]
        out.print("\n".join(lines), markup=False)


def _lines(comparison: Comparison, prospects: list[Prospect], search: Search, start: datetime) -> list[str]:
    own = prospects[0]
    count = own.chance.callers
    return [
        *CAUTIONS,
        "",
        f"Supposed, for the days from {start:%Y-%m-%d %H:%M} UTC",
        *(f"  {each}" for each in suppositions(comparison.plan)),
        "",
        "Energy of this plan",
        *(f"  {each}" for each in energy_lines(own.energy)),
        *(f"  {each}" for each in month_lines(comparison.by_month())),
        "",
        f"Chance of being heard with this plan, {count} simulated callers, intervals at 95 % (Wilson)",
        *(f"  {each}" for each in chance_lines(own.chance)),
        "",
        "Schedules side by side",
        *schedule_table(prospects),
    ]


def _budget(option: str, text: str | None, most: float) -> float | None:
    if text is None:
        return None
    number = as_number(option, text, "7")
    if not 0 < number <= most:
        raise UsageProblem(f"{option} is {text}; it must be above 0 and up to {most:g}")
    return number


def _write(path: Path, content: bytes) -> None:
    try:
        write_whole(path, content, on_disk=False)
    except OSError as failure:
        raise StorageError(
            f"{path} cannot be written ({failure.strerror}); give a file in a folder that exists and has room"
        ) from failure
