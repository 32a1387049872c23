"""The command that learns from a log: `suggest`."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import LogFolder, app, out
from watcher.log.spans import Span
from watcher.plan.reading import read_plan
from watcher.report import read_summary
from watcher.report.suggestions import suggestions, write_suggestions
from watcher.report.unlisted import listed_places, unlisted_activity
from watcher.report.unlisted_text import write_unlisted

LOOKED_BACK_DAYS = 30


@app.command()
def suggest(
    folder: LogFolder,
    plan_file: Annotated[
        Path | None, typer.Argument(metavar="[PLAN]", help="The plan, to leave out what it watches already.")
    ] = None,
) -> None:
    """Say what a log suggests for the plan: busy hours, and activity where no channel is listed.

    Changes nothing.
    """
    plan = None if plan_file is None else read_plan(plan_file)
    summary = read_summary(folder)
    out.print(write_suggestions(suggestions(summary, plan), summary.clock.name), markup=False)
    stop_utc = summary.span.stop_utc
    lately = Span(max(summary.span.start_utc, stop_utc - timedelta(days=LOOKED_BACK_DAYS)), stop_utc)
    found = unlisted_activity(folder, listed_places(summary, plan), lately)
    out.print("\n" + write_unlisted(found, summary.clock, LOOKED_BACK_DAYS), markup=False)
