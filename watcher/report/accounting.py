"""Where every minute of a channel went: heard, quiet, or not watched and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from watcher.log.reading import LoggedWatch
from watcher.log.spans import Span, Spans
from watcher.receive.records import Gap

Instants = NDArray[np.int64]
Seconds = NDArray[np.float64]

NO_WATCH = "no watch was stood"
NOT_LISTED = "the plan of that watch did not list the channel"
NO_RECORD = "a watch had begun, but the log says neither heard nor quiet"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True, order=True)
class Unwatched:
    """A span in which a channel was not watched; `cause` in words."""

    span: Span
    cause: str


@dataclass(frozen=True, slots=True)
class Account:
    """The time of one channel within one span: three disjoint parts that make up the whole."""

    heard: Spans
    quiet: Spans
    unwatched: tuple[Unwatched, ...]

    @property
    def watched(self) -> Spans:
        """Heard or quiet."""
        return self.heard | self.quiet

    @property
    def unwatched_s(self) -> float:
        """Seconds not watched."""
        return sum((one.span.seconds for one in self.unwatched), 0.0)

    def unwatched_by_cause(self) -> dict[str, float]:
        """Seconds not watched, by cause, the longest first."""
        totals: dict[str, float] = {}
        for one in self.unwatched:
            totals[one.cause] = totals.get(one.cause, 0.0) + one.span.seconds
        return dict(sorted(totals.items(), key=lambda total: -total[1]))


def account(
    channel: str,
    whole: Span,
    *,
    heard: Iterable[Span],
    watched: Spans,
    gaps: Iterable[Gap],
    watches: Sequence[LoggedWatch],
) -> Account:
    """Account for the time of one channel.

    Where the records disagree, what was heard was heard; else a gap outweighs a watched span, so that nothing
    is called quiet that may not have been.

    Parameters
    ----------
    channel : str
    whole : Span
        The span of the report.
    heard : iterable of Span
        The channel's transmissions.
    watched : Spans
        What the log says of watching it.
    gaps : iterable of Gap
        The channel's gaps.
    watches : sequence of LoggedWatch
        In order of start; they tell why time without any record has none.
    """
    all_of_it = Spans([whole])
    heard_part = Spans(heard) & all_of_it
    by_cause: dict[str, list[Span]] = {}
    for gap in gaps:
        by_cause.setdefault(gap.cause.value, []).append(Span(gap.start_utc, gap.stop_utc))
    gap_parts = {cause: Spans(spans) & all_of_it for cause, spans in by_cause.items()}
    not_there = Spans(part for spans in gap_parts.values() for part in spans)
    quiet = (watched & all_of_it) - not_there - heard_part

    rest = (heard_part | quiet).outside(whole)
    listed, unlisted = _while_watching(channel, watches, whole)
    causes = {**gap_parts, NO_RECORD: listed, NOT_LISTED: unlisted, NO_WATCH: all_of_it}
    unwatched: list[Unwatched] = []
    for cause, spans in causes.items():
        unwatched += [Unwatched(part, cause) for part in rest & spans]
        rest = rest - spans
    return Account(heard_part, quiet, tuple(sorted(unwatched)))


def seconds_before(spans: Spans, instants: Instants) -> Seconds:
    """How many seconds of the spans lie before each instant.

    Parameters
    ----------
    spans : Spans
    instants : ndarray of int64, shape (n,)
        Microseconds since 1970, as :func:`microseconds` gives them.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    starts = microseconds(part.start_utc for part in spans)
    stops = microseconds(part.stop_utc for part in spans)
    if len(starts) == 0:
        return np.zeros(len(instants))
    before = np.concatenate(([0], np.cumsum(stops - starts)))
    index = np.searchsorted(starts, instants, side="right") - 1
    begun = np.maximum(index, 0)
    within = np.clip(instants - starts[begun], 0, stops[begun] - starts[begun])
    return np.where(index < 0, 0, before[begun] + within) / 1e6


def seconds_within(spans: Spans, starts: Instants, stops: Instants) -> Seconds:
    """How many seconds of the spans lie within each bin from a start to its stop."""
    return seconds_before(spans, stops) - seconds_before(spans, starts)


def microseconds(instants: Iterable[datetime]) -> Instants:
    """Instants as whole microseconds since 1970, shape (n,)."""
    return np.array([(instant - _EPOCH) // _MICROSECOND for instant in instants], np.int64)


def _while_watching(channel: str, watches: Sequence[LoggedWatch], whole: Span) -> tuple[Spans, Spans]:
    """The time within watches whose plan lists the channel, and within the others.

    A watch without an end is taken to reach to the start of the next one, or to the end of the span.
    """
    listed: list[Span] = []
    unlisted: list[Span] = []
    next_starts = [watch.started_utc for watch in watches[1:]] + [max(whole.stop_utc, whole.start_utc)]
    for watch, following in zip(watches, next_starts, strict=True):
        stop = max(watch.started_utc, following if watch.ended_utc is None else watch.ended_utc)
        names = {one.name for one in watch.channels}
        (listed if channel in names else unlisted).append(Span(watch.started_utc, stop))
    return Spans(listed), Spans(unlisted)
