"""The span of a report cut into local days, trips or months, and into the hours of the week."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from watcher.log.spans import Span
from watcher.report.intervals import microseconds, seconds_within
from watcher.report.local_time import write_day
from watcher.report.summary import SHORTEST_BUSY_HOUR_S, ActivitySummary

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class By(StrEnum):
    """What a period is."""

    DAY = "day"
    TRIP = "trip"
    MONTH = "month"


TRIP_BREAK = timedelta(days=1)
"""A whole local day without any watch ends a trip (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Period:
    """One period, all channels together: seconds of each channel are added up.

    `span` is None for the rest of the time, in which nothing was watched.
    """

    name: str
    span: Span | None
    heard_s: float
    watched_s: float
    unwatched_s: float
    transmissions: int
    exchanges: int

    @property
    def occupancy(self) -> float | None:
        """Heard over watched, 0 to 1; None where nothing was watched."""
        return self.heard_s / self.watched_s if self.watched_s > 0 else None

    @property
    def coverage(self) -> float | None:
        """Watched over all time of all channels, 0 to 1; None for a period without time."""
        whole_s = self.watched_s + self.unwatched_s
        return self.watched_s / whole_s if whole_s > 0 else None


def periods(summary: ActivitySummary, by: By) -> tuple[Period, ...]:
    """The periods in which anything was watched, in order, and the rest of the time last where there is any.

    The seconds of all of them add up to those of the summary.
    """
    cuts = [(name, span) for name, span in _cuts(summary, by) if span.seconds > 0]
    starts = microseconds(span.start_utc for _, span in cuts)
    stops = microseconds(span.stop_utc for _, span in cuts)
    heard_s, watched_s = np.zeros(len(cuts)), np.zeros(len(cuts))
    for one in summary.channels:
        heard_s += seconds_within(one.account.heard, starts, stops)
        watched_s += seconds_within(one.account.watched, starts, stops)
    count = len(summary.channels)
    heard_in = _begun_in(starts, stops, (one.start_utc for one in summary.transmissions), summary)
    exchanges_in = _begun_in(starts, stops, (one.start_utc for one in summary.exchanges), summary)
    found = [
        Period(
            name=name,
            span=span,
            heard_s=float(heard_s[number]),
            watched_s=float(watched_s[number]),
            unwatched_s=span.seconds * count - float(watched_s[number]),
            transmissions=int(heard_in[number]),
            exchanges=int(exchanges_in[number]),
        )
        for number, (name, span) in enumerate(cuts)
    ]
    rest_s = summary.span.seconds * count - sum(one.watched_s + one.unwatched_s for one in found)
    if rest_s > 1e-3:  # what rounding leaves is no time
        found.append(Period("all other time", None, 0.0, 0.0, rest_s, 0, 0))
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class WeekMap:
    """How the hours of the week were spent, all channels together, seconds, shape (7, 24) each.

    Rows are weekdays from Monday, columns hours of the local clock; a repeated hour adds to its name.
    """

    heard_s: NDArray[np.float64]
    watched_s: NDArray[np.float64]

    def share(self, weekday: int, hour: int) -> float | None:
        """Heard over watched, 0 to 1; None where nothing was watched."""
        watched_s = float(self.watched_s[weekday, hour])
        return float(self.heard_s[weekday, hour]) / watched_s if watched_s > 0 else None

    def ordered(self) -> list[tuple[int, int, float]]:
        """Weekday, hour and share of those watched long enough to compare, the busiest first."""
        shares = [
            (weekday, hour, share)
            for weekday in range(7)
            for hour in range(24)
            if self.watched_s[weekday, hour] >= SHORTEST_BUSY_HOUR_S
            and (share := self.share(weekday, hour)) is not None
        ]
        return sorted(shares, key=lambda one: (-one[2], one[0], one[1]))


def week_map(summary: ActivitySummary) -> WeekMap:
    """The hours of the week of a summary."""
    heard_s, watched_s = np.zeros((7, 24)), np.zeros((7, 24))
    for one in summary.channels:
        for number, hour in enumerate(summary.hours):
            place = hour.day.weekday(), int(hour.label[:2])
            heard_s[place] += one.hours.heard_s[number]
            watched_s[place] += one.hours.watched_s[number]
    return WeekMap(heard_s, watched_s)


def _cuts(summary: ActivitySummary, by: By) -> list[tuple[str, Span]]:
    days = sorted({hour.day for hour in summary.hours})
    if by is By.DAY:
        return [(write_day(day), _of_days(summary, day, day)) for day in days]
    groups: list[list[date]] = []
    for day in days:
        if groups and _together(groups[-1][-1], day, by):
            groups[-1].append(day)
        else:
            groups.append([day])
    if by is By.TRIP:
        return [
            (
                write_day(group[0])
                if group[0] == group[-1]
                else f"{write_day(group[0])} to {write_day(group[-1])}",
                _of_days(summary, group[0], group[-1]),
            )
            for group in groups
        ]
    months = dict.fromkeys((group[0].year, group[0].month) for group in groups)
    return [
        (
            f"{_MONTHS[month - 1]} {year}",
            _of_days(summary, date(year, month, 1), _month_after(year, month) - timedelta(days=1)),
        )
        for year, month in months
    ]


def _together(before: date, day: date, by: By) -> bool:
    if by is By.TRIP:
        return day - before <= TRIP_BREAK
    return (before.year, before.month) == (day.year, day.month)


def _month_after(year: int, month: int) -> date:
    return date(year + month // 12, month % 12 + 1, 1)


def _of_days(summary: ActivitySummary, first: date, last: date) -> Span:
    """The local days from the first to the last, within the span of the summary."""
    start = summary.clock.midnight(first).astimezone(UTC)
    stop = summary.clock.midnight(last + timedelta(days=1)).astimezone(UTC)
    start = min(max(start, summary.span.start_utc), summary.span.stop_utc)
    return Span(start, max(start, min(stop, summary.span.stop_utc)))


def _begun_in(
    starts: NDArray[np.int64],
    stops: NDArray[np.int64],
    instants: Iterable[datetime],
    summary: ActivitySummary,
) -> NDArray[np.int64]:
    """How many begin in each period; one that began before the span counts where the span begins."""
    begun = microseconds(max(one, summary.span.start_utc) for one in instants)
    if len(starts) == 0 or len(begun) == 0:
        return np.zeros(len(starts), np.int64)
    index = np.searchsorted(starts, begun, side="right") - 1
    inside = (index >= 0) & (begun < stops[np.maximum(index, 0)])
    return np.bincount(index[inside], minlength=len(starts)).astype(np.int64)


def latest_week(span: Span) -> Span:
    """The last seven days of a span, or all of a shorter one."""
    return Span(max(span.start_utc, span.stop_utc - timedelta(days=7)), span.stop_utc)


def weeks_before(span: Span, count: int) -> Sequence[Span]:
    """The weeks that lie right before a span, the earliest first."""
    edges = [span.start_utc - timedelta(days=7 * number) for number in range(count, -1, -1)]
    return [Span(start, stop) for start, stop in pairwise(edges)]
