"""The report's two doors: the log is read here, and the page is written beside it."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from watcher.durable import write_whole
from watcher.errors import StorageError
from watcher.log.marks import Mark, all_marks
from watcher.log.reading import (
    LoggedTransmission,
    conditions,
    gaps,
    heard_times,
    transmissions,
    watched_spans,
    watches,
    whole_span,
)
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.report.comparison import WEEKS, compare
from watcher.report.figures import Figures, figures_of
from watcher.report.html import render_html
from watcher.report.local_time import LocalClock
from watcher.report.pages import PageLimits
from watcher.report.periods import By, latest_week, weeks_before
from watcher.report.summary import ActivitySummary, summarize
from watcher.report.usual import UsualActivity

REPORT_NAME = "report.html"
HISTORY = timedelta(days=60)  # of the log that says what is usual at an hour: seasons change after that


def read_summary(folder: Path | str, span: Span | None = None) -> ActivitySummary:
    """Summarize what the log of a folder says of a span.

    Parameters
    ----------
    folder : path-like
        The storage folder.
    span : Span or None
        None for all that the log speaks of. Hours follow the time zone of the latest watch in the span.

    Raises
    ------
    StorageError
        The folder holds no log, the log cannot be read, or `span` is None and the log holds nothing yet.
    """
    with _no_rubbish(), WatchLog.open_to_read(folder) as log:
        span = span or whole_span(log)
        if span is None:
            raise StorageError(f"the watch log in {folder} holds nothing yet; report after a watch has begun")
        return _summary(log, span)


def _summary(
    log: WatchLog, span: Span, *, known: ActivitySummary | None = None, rank: bool = True
) -> ActivitySummary:
    """The summary of a span; its transmissions are those of a summary at hand, where there is one."""
    stood = watches(log, span)
    latest = (stood or watches(log))[-1:]
    zone = latest[0].time_zone if latest else "UTC"
    # Transmissions last: the log may grow meanwhile, and what is heard after its time was told as watched
    # must not be called quiet.
    told_watched = watched_spans(log, span)
    usual = None
    if rank:
        past = Span(span.start_utc - HISTORY, span.stop_utc)
        usual = UsualActivity(heard_times(log, past), watched_spans(log, past), LocalClock(zone))
    told_gaps, told_conditions = list(gaps(log, span)), list(conditions(log, span))
    return summarize(
        span,
        zone,
        transmissions=transmissions(log, span) if known is None else _within(known, span),
        watched=told_watched,
        gaps=told_gaps,
        conditions=told_conditions,
        watches=stood,
        usual=usual,
        rank=rank,
    )


def _within(known: ActivitySummary, span: Span) -> Iterator[LoggedTransmission]:
    """The entries of a summary that share time with a span."""
    for one in known.transmissions:
        for piece in one.pieces:
            start, end = piece.transmission.start_utc, piece.transmission.end_utc
            if start < span.stop_utc and (end > span.start_utc or start == end >= span.start_utc):
                yield piece


@contextmanager
def _no_rubbish() -> Iterator[None]:
    """No search for rubbish meanwhile: a hundred thousand records hold none, and looking costs a third."""
    at_work = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if at_work:
            gc.enable()


def read_marks(folder: Path | str) -> dict[int, Mark]:
    """What somebody has marked and noted, by the number of the entry.

    Raises
    ------
    StorageError
        The folder holds no log, or the log cannot be read.
    """
    with WatchLog.open_to_read(folder) as log:
        return all_marks(log)


def read_figures(folder: Path | str, summary: ActivitySummary, by: By = By.DAY) -> Figures:
    """The tables of a summary, its latest week compared with the four weeks before that.

    Raises
    ------
    StorageError
        As :func:`read_summary`.
    """
    week = latest_week(summary.span)
    weeks = Span(weeks_before(week, WEEKS)[0].start_utc, week.start_utc)
    with _no_rubbish(), WatchLog.open_to_read(folder) as log:
        whole = whole_span(log)
        begins = weeks.start_utc if whole is None else max(weeks.start_utc, whole.start_utc)
        # What the summary holds already is not read again.
        known = summary if summary.span.start_utc <= begins else None
        now = summary if week == summary.span else _summary(log, week, known=summary, rank=False)
        return figures_of(summary, by, compare(now, _summary(log, weeks, known=known, rank=False)))


def write_report(folder: Path | str, span: Span | None = None, limits: PageLimits | None = None) -> Path:
    """Write the activity report of a span into the storage folder as `report.html`; returns its path.

    The file appears under its name only when it is complete; an earlier report stands until then.

    Raises
    ------
    StorageError
        As :func:`read_summary`, or the report cannot be written.
    """
    return save_report(read_summary(folder, span), folder, limits)


def save_report(
    summary: ActivitySummary,
    folder: Path | str,
    limits: PageLimits | None = None,
    figures: Figures | None = None,
) -> Path:
    """Write a summary at hand, with its figures where they are at hand too, as :func:`write_report` does."""
    path = Path(folder) / REPORT_NAME
    page = render_html(summary, Path(folder), limits, figures=figures)
    try:
        write_whole(path, page.encode("utf-8", errors="replace"))
    except OSError as failure:
        raise StorageError(
            f"report {path} cannot be written ({failure.strerror}); make room, or give the folder write "
            "permission"
        ) from failure
    return path
