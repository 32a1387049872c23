"""The commands, and nothing else: arguments in, sentences out, an exit code.

Every error a user can meet ends as one sentence on stderr and a non-zero exit; a traceback is only
ever for a mistake of ours.
"""

from __future__ import annotations

import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from watcher.errors import MidwatchError, StorageError, UsageProblem
from watcher.log.export import FORMS, export_to_file
from watcher.log.reading import whole_span
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.plan.describe import describe
from watcher.plan.reading import read_plan
from watcher.radio.facts import RawFacts
from watcher.radio.recording import open_recording
from watcher.radio.source import SampleSource
from watcher.report import read_summary, render_brief, render_text, save_report
from watcher.report.ranking import in_order_of_hearing
from watcher.shipped import demo_plan, demo_recording
from watcher.utc import read_utc
from watcher.watch.keeping import program
from watcher.watch.possible_words import guess_words
from watcher.watch.progress import shown_progress
from watcher.watch.replay import Outcome, replay
from watcher.watch.word_spotter import LOOSE, refuse_without_model

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Stand a receive-only radio watch: hear every listed channel, keep clips, account for every minute.",
    epilog="It receives only. An aid, never the only plan; laws on listening and on passing on differ.",
)
out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="The watch plan, a TOML file.")]
LogFolder = Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of a watch log.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Say nothing but errors.")]
Since = Annotated[str | None, typer.Option("--from", metavar="UTC", help="Start of the span, ISO 8601 UTC.")]
Until = Annotated[str | None, typer.Option("--to", metavar="UTC", help="End of the span, ISO 8601 UTC.")]


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
        sample_rate_hz=None if rate_hz is None else _whole("--rate-hz", rate_hz),
        centre_hz=None if centre_mhz is None else round(_number("--centre-mhz", centre_mhz, "146.5") * 1e6),
        start_utc=None if start is None else _instant("--start", start),
    )
    error_ppm = None if ppm is None else _number("--ppm", ppm, "1.5")
    _say_warnings(plan.warnings, quiet)
    sources: list[SampleSource] = []
    try:
        for path in recordings:
            sources.append(open_recording(path, facts=facts))
        with _StopOnSignal() as stop_wanted, shown_progress(err, quiet) as progress:
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
def report(folder: LogFolder, since: Since = None, until: Until = None, quiet: Quiet = False) -> None:
    """Write the activity report of a log and print it."""
    span = _span(folder, since, until)
    summary = read_summary(folder, span)
    page = save_report(summary, folder)
    if not quiet:
        out.print(render_text(summary), markup=False)
        out.print(f"\nreport {page}", markup=False)


@app.command()
def export(  # noqa: PLR0917 - the options are named ones to the user
    folder: LogFolder,
    form: Annotated[str, typer.Option("--as", metavar="FORM", help=f"One of {', '.join(FORMS)}.")] = "jsonl",
    to_file: Annotated[
        Path | None,
        typer.Option("--into", metavar="FILE", help="The file to write; standard output if absent."),
    ] = None,
    order: Annotated[
        str, typer.Option("--order", metavar="ORDER", help="start, or hear-first: what to hear first.")
    ] = "start",
    since: Since = None,
    until: Until = None,
) -> None:
    """Write every transmission of a log, one a line."""
    if form not in FORMS:
        raise UsageProblem(f"--as is {form}; it must be one of {', '.join(FORMS)}")
    if order not in {"start", "hear-first"}:
        raise UsageProblem(f"--order is {order}; it must be start or hear-first")
    span = _span(folder, since, until)
    entries = None
    if order == "hear-first":
        summary = read_summary(folder, span)
        entries = list(in_order_of_hearing(summary.hear_first, summary.transmissions))
    with WatchLog.open_to_read(folder) as log:
        if to_file is not None:
            export_to_file(log, to_file, form, span, entries=entries)
        else:
            sys.stdout.reconfigure(encoding="utf-8", newline="")  # type: ignore[union-attr]
            try:
                FORMS[form](log, sys.stdout, span, None, entries)
                sys.stdout.flush()
            except BrokenPipeError as gone:  # the reader of our output has had enough, as `head` has
                _let_go_of_output()
                raise typer.Exit(0) from gone


@app.command()
def words(
    folder: LogFolder,
    loose: Annotated[bool, typer.Option("--loose", help="Guess more, and more often wrongly.")] = False,
    quiet: Quiet = False,
) -> None:
    """Guess at words in clips with a small offline model: experimental, it only raises clips."""
    refuse_without_model()
    with _StopOnSignal() as stop_wanted:
        looked, hinted = guess_words(folder, cut_offs=dict(LOOSE) if loose else None, stop_wanted=stop_wanted)
    if not quiet:
        out.print(
            f"{looked} clips were looked at, {hinted} got a hint. No hint does not mean no distress: the "
            "model misses about half of such calls and often flags ordinary talk. Listen to everything.",
            markup=False,
        )


@app.command()
def check(plan_file: PlanFile, quiet: Quiet = False) -> None:
    """Check a watch plan and say how it was understood."""
    plan = read_plan(plan_file)
    if quiet:
        return
    said = describe(plan)
    width = max(len(label) for label, _ in said.facts)
    for label, text in said.facts:
        out.print(f"{label:<{width}}  {text}", markup=False)
    columns = [said.columns, *said.rows]
    widths = [max(len(row[n]) for row in columns) for n in range(len(said.columns))]
    out.print()
    for row in columns:
        out.print(
            "  ".join(f"{cell:<{w}}" for cell, w in zip(row, widths, strict=True)).rstrip(), markup=False
        )
    for warning in said.warnings:
        out.print(f"\nworth a look: {warning}", markup=False)
    count = len(plan.channels)
    out.print(f"\n{plan_file}: the plan is sound, {count} channel{'s' if count != 1 else ''}.", markup=False)


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
        with _StopOnSignal() as stop_wanted, shown_progress(err, quiet) as progress:
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


def _say_warnings(warnings: Sequence[str], quiet: bool) -> None:
    for warning in () if quiet else warnings:
        err.print(f"worth a look: {warning}", markup=False)


def _span(folder: Path, since: str | None, until: str | None) -> Span | None:
    """The asked-for span; an open end reaches as far as the log does."""
    if since is None and until is None:
        return None
    with WatchLog.open_to_read(folder) as log:
        whole = whole_span(log)
    start = _instant("--from", since) if since else None
    stop = _instant("--to", until) if until else None
    if start and stop and stop <= start:
        raise UsageProblem(f"--to is {until}; it must be later than --from, {since}")
    if whole is not None:
        start, stop = start or whole.start_utc, stop or whole.stop_utc
    start, stop = start or stop, stop or start
    assert start is not None and stop is not None  # one of them was asked for
    return Span(start, max(start, stop))


def _number(option: str, text: str, example: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageProblem(f"{option} is {text}; it must be a number, like {example}")
    return number


def _whole(option: str, text: str) -> int:
    number = _number(option, text, "2400000")
    if number != round(number):
        raise UsageProblem(f"{option} is {text}; it must be a whole number, like 2400000")
    return round(number)


def _let_go_of_output() -> None:
    """What is still buffered for standard output goes nowhere, without a complaint at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _instant(option: str, text: str) -> datetime:
    try:
        return read_utc(text)
    except ValueError as problem:
        raise UsageProblem(
            f"{option} is {text}; it must be an instant with its zone, like 2031-05-04T03:00:00Z"
        ) from problem


class _StopOnSignal:
    """SIGINT and SIGTERM ask for an orderly end: open clips are finished and the log is closed."""

    def __enter__(self) -> Callable[[], bool]:
        self._wanted = threading.Event()
        self._before = {
            number: signal.signal(number, lambda *_: self._wanted.set())
            for number in (signal.SIGINT, signal.SIGTERM)
        }
        return self._wanted.is_set

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)


def _version(wanted: bool) -> None:
    if wanted:
        out.print(program(), markup=False)
        raise typer.Exit


@app.callback()
def midwatch(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Stand a receive-only radio watch: hear every listed channel, keep clips, account for every minute."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run one command; the process ends with its exit code."""
    command = typer.main.get_command(app)
    try:
        words = None if arguments is None else list(arguments)
        code = command.main(args=words, prog_name="midwatch", standalone_mode=False)
    except MidwatchError as problem:
        err.print(f"midwatch: {problem}", markup=False)
        sys.exit(problem.exit_code)
    except typer.Exit as ended:
        sys.exit(ended.exit_code)
    except (typer.Abort, KeyboardInterrupt):
        err.print("midwatch: stopped", markup=False)
        sys.exit(130)
    except typer.TyperException as problem:
        message = " ".join(problem.format_message().split()).rstrip(".")
        err.print(f"midwatch: {message or 'a command is missing'}; see midwatch --help", markup=False)
        sys.exit(problem.exit_code)
    except OSError as problem:  # the folders' own failures are told by the rooms that meet them
        _let_go_of_output()
        err.print(f"midwatch: the output cannot be written ({problem.strerror}); give it room", markup=False)
        sys.exit(StorageError.exit_code)
    sys.exit(code if isinstance(code, int) else 0)


if __name__ == "__main__":
    main()
