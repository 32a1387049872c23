"""The commands that receive recordings: `replay` and `demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import (
    PlanFile,
    Quiet,
    StopOnSignal,
    app,
    as_number,
    as_whole,
    err,
    instant,
    out,
    say_warnings,
)
from watcher.plan.reading import read_plan
from watcher.radio.facts import RawFacts
from watcher.radio.recording import open_recording
from watcher.radio.source import SampleSource
from watcher.report import read_summary, render_brief, save_report
from watcher.shipped import demo_plan, demo_recording
from watcher.watch.progress import shown_progress
from watcher.watch.replay import Outcome, replay


@app.command(name="replay")
def replay_command(  # noqa: PLR0917 - the options are named ones to the user
    plan_file: PlanFile,
    recordings: Annotated[
        list[Path], typer.Argument(metavar="RECORDING...", help="SigMF, WAV or bare IQ files.")
    ],
    into: Annotated[Path, typer.Option("--into", metavar="FOLDER", help="Where the clips and the log go.")],
    rate_hz: Annotated[
        str | None, typer.Option("--rate-hz", metavar="HZ", help="Sample rate, where the file tells none.")
    ] = None,
    centre_mhz: Annotated[
        str | None,
        typer.Option("--centre-mhz", metavar="MHZ", help="Centre frequency, where the file tells none."),
    ] = None,
    start: Annotated[
        str | None,
        typer.Option(
            "--start", metavar="UTC", help="Instant of the first sample, where the file tells none."
        ),
    ] = None,
    datatype: Annotated[
        str | None, typer.Option("--datatype", help="cu8, ci8, ci16_le or cf32_le, for bare samples.")
    ] = None,
    ppm: Annotated[
        str | None,
        typer.Option("--ppm", metavar="PPM", help="How fast the radio's reference runs; overrides the plan."),
    ] = None,
    allow_outside: Annotated[
        bool, typer.Option("--allow-outside", help="Log channels that no recording shows as not watched.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Receive a plan's channels from recordings into clips and a log."""
    plan = read_plan(plan_file)
    facts = RawFacts(
        datatype=datatype,
        sample_rate_hz=None if rate_hz is None else as_whole("--rate-hz", rate_hz),
        centre_hz=None if centre_mhz is None else round(as_number("--centre-mhz", centre_mhz, "146.5") * 1e6),
        start_utc=None if start is None else instant("--start", start),
    )
    error_ppm = None if ppm is None else as_number("--ppm", ppm, "1.5")
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
