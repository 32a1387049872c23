"""The commands that work on a log: `report`, `export` and `words`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import (
    LogFolder,
    Quiet,
    Since,
    StopOnSignal,
    Until,
    app,
    instant,
    let_go_of_output,
    out,
)
from watcher.errors import UsageProblem
from watcher.log.export import FORMS, export_to_file
from watcher.log.reading import whole_span
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.report import ActivitySummary, read_figures, read_summary, render_text, save_report
from watcher.report.figures import Figures, figures_csv
from watcher.report.periods import By
from watcher.report.ranking import in_order_of_hearing
from watcher.watch.clock import SystemClock
from watcher.watch.possible_words import guess_words
from watcher.watch.word_spotter import LOOSE, refuse_without_model

ICS309 = "ics309"  # the communications log on the public incident form


@app.command()
def report(  # noqa: PLR0917 - the options are named ones to the user
    folder: LogFolder,
    by: Annotated[
        str, typer.Option("--by", metavar="PERIOD", help=f"One of {', '.join(By)}: how the time is cut.")
    ] = By.DAY.value,
    to_file: Annotated[
        Path | None,
        typer.Option("--into", metavar="FILE", help="The figures besides, into a .csv or .pdf file."),
    ] = None,
    since: Since = None,
    until: Until = None,
    quiet: Quiet = False,
) -> None:
    """Write the activity report of a log and print it."""
    if by not in set(By):
        raise UsageProblem(f"--by is {by}; it must be one of {', '.join(By)}")
    if to_file is not None and to_file.suffix.lower() not in {".csv", ".pdf"}:
        raise UsageProblem(f"--into is {to_file}; its name must end in .csv or .pdf")
    span = asked_span(folder, since, until)
    summary = read_summary(folder, span)
    figures = read_figures(folder, summary, By(by))
    page = save_report(summary, folder, figures=figures)
    if to_file is not None:
        _save_figures(to_file, summary, figures)
    if not quiet:
        out.print(render_text(summary), markup=False)
        out.print(f"\nreport {page}", markup=False)


@app.command()
def export(  # noqa: PLR0917 - the options are named ones to the user
    folder: LogFolder,
    form: Annotated[
        str, typer.Option("--as", metavar="FORM", help=f"One of {', '.join((*FORMS, ICS309))}.")
    ] = "jsonl",
    to_file: Annotated[
        Path | None,
        typer.Option("--into", metavar="FILE", help="The file to write; standard output if absent."),
    ] = None,
    order: Annotated[
        str, typer.Option("--order", metavar="ORDER", help="start, or hear-first: what to hear first.")
    ] = "start",
    incident: Annotated[
        str, typer.Option("--incident", metavar="TEXT", help="Name and number of the incident, for ics309.")
    ] = "",
    prepared_by: Annotated[
        str, typer.Option("--prepared-by", metavar="TEXT", help="Who prepares the form, for ics309.")
    ] = "",
    since: Since = None,
    until: Until = None,
) -> None:
    """Write every transmission of a log, one a line."""
    if form not in {*FORMS, ICS309}:
        raise UsageProblem(f"--as is {form}; it must be one of {', '.join((*FORMS, ICS309))}")
    if order not in {"start", "hear-first"}:
        raise UsageProblem(f"--order is {order}; it must be start or hear-first")
    if form == ICS309 and order != "start":
        raise UsageProblem(f"--order is {order}; {ICS309} is always in order of start")
    if form != ICS309 and (incident or prepared_by):
        given = "--incident" if incident else "--prepared-by"
        raise UsageProblem(f"{given} is for --as {ICS309}; leave it out for {form}")
    span = asked_span(folder, since, until)
    if form == ICS309:
        _export_form(folder, to_file, span, incident, prepared_by)
        return
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
                let_go_of_output()
                raise typer.Exit(0) from gone


@app.command()
def words(
    folder: LogFolder,
    loose: Annotated[bool, typer.Option("--loose", help="Guess more, and more often wrongly.")] = False,
    quiet: Quiet = False,
) -> None:
    """Guess at words in clips with a small offline model: experimental, it only raises clips."""
    refuse_without_model()
    with StopOnSignal() as stop_wanted:
        looked, hinted = guess_words(folder, cut_offs=dict(LOOSE) if loose else None, stop_wanted=stop_wanted)
    if not quiet:
        out.print(
            f"{looked} clips were looked at, {hinted} got a hint. No hint does not mean no distress: the "
            "model misses about half of such calls and often flags ordinary talk. Listen to everything.",
            markup=False,
        )


def _save_figures(to_file: Path, summary: ActivitySummary, figures: Figures) -> None:
    from watcher.report.figures_sheet import figures_sheet  # noqa: PLC0415 - only here
    from watcher.report.forms.sheet import save_bytes  # noqa: PLC0415

    if to_file.suffix.lower() == ".csv":
        save_bytes(to_file, figures_csv(summary, figures).encode())
    else:
        figures_sheet(summary, figures, SystemClock().utc()).save(to_file)


def _export_form(
    folder: Path, to_file: Path | None, span: Span | None, incident: str, prepared_by: str
) -> None:
    """The communications log, as PDF or CSV by the file's name; CSV on standard output."""
    from watcher.report.forms.communications_log import communications_log  # noqa: PLC0415 - only here
    from watcher.report.forms.sheet import save_bytes  # noqa: PLC0415
    from watcher.report.writing import read_marks  # noqa: PLC0415

    if to_file is not None and to_file.suffix.lower() not in {".pdf", ".csv"}:
        raise UsageProblem(f"--into is {to_file}; for {ICS309} its name must end in .pdf or .csv")
    form = communications_log(
        read_summary(folder, span),
        incident=incident,
        prepared_by=prepared_by,
        prepared_utc=SystemClock().utc(),
        marks=read_marks(folder),
    )
    if to_file is None:
        sys.stdout.reconfigure(encoding="utf-8", newline="")  # type: ignore[union-attr]
        try:
            sys.stdout.write(form.as_csv())
            sys.stdout.flush()
        except BrokenPipeError as gone:
            let_go_of_output()
            raise typer.Exit(0) from gone
    elif to_file.suffix.lower() == ".csv":
        save_bytes(to_file, form.as_csv().encode())
    else:
        form.as_sheet().save(to_file)


def asked_span(folder: Path, since: str | None, until: str | None) -> Span | None:
    """The asked-for span; an open end reaches as far as the log does."""
    if since is None and until is None:
        return None
    with WatchLog.open_to_read(folder) as log:
        whole = whole_span(log)
    start = instant("--from", since) if since else None
    stop = instant("--to", until) if until else None
    if start and stop and stop <= start:
        raise UsageProblem(f"--to is {until}; it must be later than --from, {since}")
    if whole is not None:
        start, stop = start or whole.start_utc, stop or whole.stop_utc
    start, stop = start or stop, stop or start
    assert start is not None and stop is not None  # one of them was asked for
    return Span(start, max(start, stop))
