"""Where every minute of a channel went: heard, quiet, or not watched and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from watcher.log.reading import LoggedWatch
from watcher.log.spans import Span
from watcher.receive.records import Gap
from watcher.report.intervals import Intervals, common, either, intervals, total_s, without

NO_WATCH = "no watch was stood"
NOT_LISTED = "the plan of that watch did not list the channel"
BETWEEN_WINDOWS = "outside the windows of the plan"
NO_RECORD = "a watch had begun, but the log says neither heard nor quiet"


@dataclass(frozen=True, slots=True, eq=False)
class Account:
    """The time of one channel within one span: disjoint parts that make up the whole.

    `unwatched` tells the time not watched by its cause in words; no cause in it is without time.
    """

    heard: Intervals
    quiet: Intervals
    unwatched: Mapping[str, Intervals]

    @property
    def watched(self) -> Intervals:
        """Heard or quiet."""
        return either(self.heard, self.quiet)

    @property
    def unwatched_s(self) -> float:
        """Seconds not watched."""
        return sum(map(total_s, self.unwatched.values()), 0.0)

    def unwatched_by_cause(self) -> dict[str, float]:
        """Seconds not watched, by cause, the longest first."""
        totals = {cause: total_s(part) for cause, part in self.unwatched.items()}
        return dict(sorted(totals.items(), key=lambda total: -total[1]))


def account(
    channel: str,
    whole: Span,
    *,
    heard: Iterable[Span] | Intervals,
    watched: Iterable[Span],
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
    heard : iterable of Span, or Intervals
        The channel's transmissions.
    watched : iterable of Span
        What the log says of watching it.
    gaps : iterable of Gap
        The channel's gaps.
    watches : sequence of LoggedWatch
        In order of start; they tell why time without any record has none.
    """
    all_of_it = intervals([whole])
    by_cause: dict[str, list[Span]] = {}
    for gap in gaps:
        by_cause.setdefault(gap.cause.value, []).append(Span(gap.start_utc, gap.stop_utc))
    listed, between, unlisted = _while_watching(channel, watches, whole)
    gap_parts = {cause: intervals(spans) for cause, spans in by_cause.items()}
    causes = {**gap_parts, NO_RECORD: listed, BETWEEN_WINDOWS: between, NOT_LISTED: unlisted}
    causes[NO_WATCH] = all_of_it

    heard_part = common(heard if isinstance(heard, np.ndarray) else intervals(heard), all_of_it)
    quiet = without(common(intervals(watched), all_of_it), heard_part)
    for part in gap_parts.values():
        quiet = without(quiet, part)
    rest = without(without(all_of_it, heard_part), quiet)
    unwatched: dict[str, Intervals] = {}
    for cause, part in causes.items():
        found = common(rest, part)
        if len(found):
            unwatched[cause] = found
        rest = without(rest, part)
    return Account(heard_part, quiet, unwatched)


def _while_watching(
    channel: str, watches: Sequence[LoggedWatch], whole: Span
) -> tuple[Intervals, Intervals, Intervals]:
    """Within watches whose plan lists the channel: the windows, and between them; and within the others.

    A watch without an end is taken to reach to the start of the next one, or to the end of the span; one
    without windows is stood all the time.
    """
    listed: list[Span] = []
    between: list[Span] = []
    unlisted: list[Span] = []
    for number, watch in enumerate(watches):
        following = watches[number + 1].started_utc if number + 1 < len(watches) else whole.stop_utc
        stop = max(watch.started_utc, following if watch.ended_utc is None else watch.ended_utc)
        stood = Span(watch.started_utc, stop)
        if channel not in {one.name for one in watch.channels}:
            unlisted.append(stood)
        elif watch.windows:
            listed += [window.span for window in watch.windows]
            between.append(stood)
        else:
            listed.append(stood)
    return intervals(listed), intervals(between), intervals(unlisted)
