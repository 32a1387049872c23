"""An outlook as text: what was supposed, then what follows from it, and what it is not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from watcher.plan.figures import write_number
from watcher.plan.model import WatchPlan
from watcher.plan.outlook.callers import WITHIN_H, Chance, Share, channel_shares
from watcher.plan.outlook.energy import EnergyOutlook, Estimate
from watcher.plan.outlook.schedules import Candidate, Prospect, Search

CAUTIONS = (
    "An outlook is a model: it follows from what is supposed below and is no better than that.",
    "A caller may do otherwise: call at another time, on another channel, from a valley, or not at all.",
    "Nobody should rely on being heard, and nobody who listens should rely on having heard everybody.",
)
UNKNOWN = "–"
_MOST_ON_FRONTIER = 14
NEARLY = 0.01
"""A chance lower by so little is worth saving energy for (judgement, no source)."""


def suppositions(plan: WatchPlan) -> list[str]:
    """What the outlook takes for granted of callers and receiver, one sentence each."""
    rules = plan.callers
    shares = channel_shares(rules, plan.channels)
    used = ", ".join(f"{name} {100 * share:.0f} %" for name, share in shares.items())
    nobody = 1 - sum(shares.values())
    first = "when the trouble begins" if rules.first_call == "at-once" else "at the next full hour"
    points = ", ".join(f"{100 * rate:.0f} % at {write_number(ratio)} dB" for ratio, rate in rules.detection)
    outages = "no outages of the radio"
    if rules.outage_share:
        hours = write_number(rules.outage_hours)
        outages = (
            f"the radio is down {100 * rules.outage_share:.1f} % of the time, {hours} h at once in the mean"
        )
    return [
        f"trouble begins at any instant alike and lasts {rules.lasts_hours} h; the first call comes "
        f"{first}, the next ones at every full hour of the caller's clock",
        f"a session is {rules.rounds} times {write_number(rules.call_minutes)} min of calls (key-downs of "
        f"{write_number(rules.over_seconds)} s, {write_number(rules.pause_seconds)} s apart) and "
        f"{write_number(rules.listen_minutes)} min of listening",
        f"the caller's clock is late by {rules.clock_error_minutes} min",
        f"channels: {used or 'none of this plan'}"
        + (f"; {100 * nobody:.0f} % call where nobody watches" if nobody > 0.005 else ""),
        f"carrier over noise {rules.cn_db} dB; found are {points}, straight in between and level beyond",
        f"{outages}; no stay is prolonged by other traffic; a session begun is finished",
        *(
            []
            if plan.radios
            else ["the plan names no radio: one of 2.4 million samples a second is supposed"]
        ),
        "figures after ± are one standard deviation",
    ]


def write_share(share: Share) -> str:
    """A chance with its interval: `57.3 % (56.9 to 57.6)`."""
    return f"{100 * share.share:.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f})"


def write_days(estimate: Estimate) -> str:
    """Days until empty, or that the sun keeps up."""
    return "not empty" if math.isinf(estimate.value) else f"{estimate.value:.1f}"


def energy_lines(energy: EnergyOutlook | None) -> list[str]:
    """The energy of the plan's own schedule, with both uncertainties."""
    if energy is None:
        return ["the plan has no [power] table: what the watch costs is unknown"]
    lines = [
        f"{label:<22}{_estimate(each, unit)}"
        for label, each, unit in (
            ("drawn a day", energy.wh_a_day, "Wh"),
            ("from the sun a day", energy.solar_wh_a_day, "Wh"),
            ("usable in the battery", energy.usable_wh, "Wh"),
        )
    ]
    if math.isinf(energy.days.value):
        lines.append("days until empty      the sun gives as much as the watch draws")
    else:
        lines.append(f"{'days until empty':<22}{_estimate(energy.days, 'd')}")
    if energy.never_empty_share:
        lines.append(f"in {100 * energy.never_empty_share:.0f} of 100 draws the battery does not run down")
    return lines


def month_lines(by_month: Sequence[EnergyOutlook]) -> list[str]:
    """The sun of each month and how long the battery lasts in it; nothing where there is no panel."""
    if not any(each.solar_wh_a_day.value for each in by_month):
        return []
    return _table(
        ["month", "Wh a day from the sun", "days until empty"],
        [
            [
                f"{each.month:02d}",
                f"{each.solar_wh_a_day.value:.0f} ± {each.solar_wh_a_day.first_order_sd:.0f}",
                write_days(each.days),
            ]
            for each in by_month
        ],
    )


def schedule_table(prospects: Sequence[Prospect]) -> list[str]:
    """Schedules side by side, one line each."""
    heads = ["schedule", "h open a day", "Wh a day", "days", *(f"within {hours} h" for hours in WITHIN_H)]
    rows = []
    for each in prospects:
        energy = each.energy
        rows.append(
            [
                each.schedule.name,
                f"{each.duty.open_hours:.2f}",
                UNKNOWN if energy is None else f"{energy.wh_a_day.value:.0f}",
                UNKNOWN if energy is None else write_days(energy.days),
                *(f"{100 * each.chance.within[hours].share:.1f} %" for hours in WITHIN_H),
            ]
        )
    return _table(heads, rows)


def chance_lines(chance: Chance) -> list[str]:
    """The plan's own chances with their intervals, and the delay."""
    lines = [f"within {hours:>2} h  {write_share(chance.within[hours])}" for hours in WITHIN_H]
    delays = [chance.delay_h[each] for each in (10, 50, 90)]
    if None in delays:
        return [*lines, "delay: unknown, no simulated caller was heard"]
    low, middle, high = (f"{each:.1f}" for each in delays if each is not None)
    return [
        *lines,
        f"delay of those heard within 24 h: half within {middle} h, 10 % within {low}, 90 % within {high} h",
    ]


def lead_lines(by_lead: Mapping[int, Chance], within_h: int) -> list[str]:
    """Why opening before the hour matters: the plan's windows opened ever earlier."""
    return _table(
        ["opens before the hour", f"heard within {within_h} h"],
        [[f"{lead} min", write_share(chance.within[within_h])] for lead, chance in by_lead.items()],
    )


def search_lines(search: Search, cost_unit: str) -> list[str]:
    """The frontier of the family and the best for the budget."""
    shown = _thinned(search.frontier, _MOST_ON_FRONTIER)
    lines = _table(
        [cost_unit, f"heard within {search.within_h} h", "schedule"],
        [[f"{each.cost:.1f}", write_share(each.heard), each.schedule.name] for each in shown],
    )
    if search.affordable_cost is None:
        return [*lines, "no budget was given: choose a line, or give --days, --wh-a-day or --hours-a-day"]
    budget = f"{search.affordable_cost:.1f} {cost_unit}"
    if search.best is None:
        return [*lines, f"nothing in the family costs {budget} or less"]
    heard = write_share(search.best.chance.within[search.within_h])
    lines.append(f"best for {budget}: {search.best.schedule.name}; heard {heard}")
    in_reach = [each for each in search.frontier if each.cost <= search.affordable_cost]
    nearly = next(each for each in in_reach if each.heard.share >= in_reach[-1].heard.share - NEARLY)
    if nearly is not in_reach[-1]:
        lines.append(
            f"within {100 * NEARLY:g} % of it for less: {nearly.schedule.name}; {nearly.cost:.1f} {cost_unit}"
        )
    return lines


def _estimate(each: Estimate, unit: str) -> str:
    high = "never" if math.isinf(each.high) else f"{each.high:.1f}"
    low = "never" if math.isinf(each.low) else f"{each.low:.1f}"
    return (
        f"{each.value:.1f} ± {each.first_order_sd:.1f} {unit} to first order; "
        f"draws: 90 of 100 from {low} to {high} {unit}"
    )


def _thinned(frontier: Sequence[Candidate], most: int) -> list[Candidate]:
    if len(frontier) <= most:
        return list(frontier)
    picked = {round(number * (len(frontier) - 1) / (most - 1)) for number in range(most)}
    return [frontier[number] for number in sorted(picked)]


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    cells = [list(heads), *map(list, rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(heads))]
    return [
        "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]
