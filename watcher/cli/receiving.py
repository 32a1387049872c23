"""The commands that receive recordings: `replay` and `demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.recording_options import (
    CentreMhz,
    Datatype,
    Ppm,
    RateHz,
    Recordings,
    StartUtc,
    as_ppm,
    raw_facts,
)
from watcher.cli.terminal import (
    PlanFile,
    Quiet,
    StopOnSignal,
    app,
    err,
    out,
    say_warnings,
)
from watcher.plan.reading import read_plan
from watcher.radio.recording import open_recording
from watcher.radio.source import SampleSource
from watcher.report import read_summary, render_brief, save_report
from watcher.shipped import demo_plan, demo_recording
from watcher.watch.progress import shown_progress
from watcher.watch.replay import Outcome, replay


@app.command(name="replay")
def replay_command(  # noqa: PLR0917 - the options are named ones to the user
    plan_file: PlanFile,
    recordings: Recordings,
    into: Annotated[Path, typer.Option("--into", metavar="FOLDER", help="Where the clips and the log go.")],
    rate_hz: RateHz = None,
    centre_mhz: CentreMhz = None,
    start: StartUtc = None,
    datatype: Datatype = None,
    ppm: Ppm = None,
    allow_outside: Annotated[
        bool, typer.Option("--allow-outside", help="Log channels that no recording shows as not watched.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Receive a plan's channels from recordings into clips and a log."""
    plan = read_plan(plan_file)
    facts = raw_facts(rate_hz, centre_mhz, start, datatype)
    error_ppm = as_ppm(ppm)
    say_warnings(plan.warnings, quiet)
    sources: list[SampleSource] = []
    try:
        for path in recordings:
            sources.append(open_recording(path, facts=facts))
        with StopOnSignal() as stop_wanted, shown_progress(err, quiet) as progress:
            outcome = replay(
                plan,
                sources,
                into,
                ppm=error_ppm,
                allow_outside=allow_outside,
                progress=progress,
                stop_wanted=stop_wanted,
            )
    finally:
        for source in sources:
            source.close()
    _tell(outcome, quiet)


@app.command()
def demo(
    into: Annotated[
        Path, typer.Option("--into", metavar="FOLDER", help="Where the clips and the log go.")
    ] = Path("demo-watch"),
    quiet: Quiet = False,
) -> None:
    """Keep a watch over the recording that comes with the program."""
    plan = read_plan(demo_plan())
    source = open_recording(demo_recording())
    try:
        with StopOnSignal() as stop_wanted, shown_progress(err, quiet) as progress:
            outcome = replay(plan, [source], into, progress=progress, stop_wanted=stop_wanted)
    finally:
        source.close()
    _tell(outcome, quiet)


def _tell(outcome: Outcome, quiet: bool) -> None:
    """What was heard, and where everything lies."""
    summary = read_summary(outcome.folder)
    page = save_report(summary, outcome.folder)
    if quiet:
        return
    for note in outcome.notes:
        err.print(f"note: {note}", markup=False)
    if outcome.recovered:
        err.print(
            f"note: {outcome.recovered} clips of an interrupted watch were finished first", markup=False
        )
    out.print(render_brief(summary), markup=False)
    if outcome.stopped:
        out.print(
            "\nStopped before the end of the recordings; what was received is in the log.", markup=False
        )
    out.print(f"clips  {outcome.folder}/YYYY-MM-DD/*.flac", markup=False)
    out.print(f"report {page}", markup=False)
