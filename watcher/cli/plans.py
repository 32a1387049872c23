"""The commands that read a plan and receive nothing: `check`."""

from __future__ import annotations

from typing import Annotated

import typer

from watcher.cli.terminal import PlanFile, Quiet, app, out
from watcher.errors import PlanError
from watcher.plan.cautions import plan_cautions
from watcher.plan.describe import describe
from watcher.plan.describe_watch import describe_watch
from watcher.plan.reading import read_plan
from watcher.plan.review_rules import who_else_can_read
from watcher.watch.clock import SystemClock


@app.command()
def check(
    plan_file: PlanFile,
    strict: Annotated[
        bool, typer.Option("--strict", help="Take what is worth a look for an error: exit code 2.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Check a watch plan and say how it was understood."""
    plan = read_plan(plan_file)
    said = describe(plan)
    watch = describe_watch(plan, SystemClock().utc())
    open_secret = who_else_can_read(plan_file) if plan.review.password else None
    warnings = tuple(
        dict.fromkeys(filter(None, [*said.warnings, *watch.warnings, *plan_cautions(plan), open_secret]))
    )
    if strict and warnings:
        raise PlanError([f"worth a look, and an error with --strict: {warning}" for warning in warnings])
    if quiet:
        return
    facts = [*said.facts, *watch.facts]
    width = max(len(label) for label, _ in facts)
    for label, text in facts:
        out.print(f"{label:<{width}}  {text}", markup=False)
    columns = [said.columns, *said.rows]
    widths = [max(len(row[n]) for row in columns) for n in range(len(said.columns))]
    out.print()
    for row in columns:
        out.print(
            "  ".join(f"{cell:<{w}}" for cell, w in zip(row, widths, strict=True)).rstrip(), markup=False
        )
    for warning in warnings:
        out.print(f"\nworth a look: {warning}", markup=False)
    count = len(plan.channels)
    out.print(f"\n{plan_file}: the plan is sound, {count} channel{'s' if count != 1 else ''}.", markup=False)
