"""When the watch is stood: windows as spans of UTC, computed from the plan, never from a timer's edge.

A window opens at local times, so its spans move with the clock changes. The rules for them:

- A local time that **does not exist**, because the clock jumped over it, opens its window when the clock
  before the change would have shown it: 02:30 opens at 03:30 of the new time. A caller whose watch was not
  put forward calls then. Where that is the start of another window of the same table, it is one window.
- A local time that **comes twice** opens its window the first time only. A table that opens in every hour of
  the day opens in the repeated hour as well: it is an hour like any other, and would be lost.
- Days and seasons go by the local date of the start, whatever the lead and the length reach into.
- Lead and length are real minutes, also across a change.

A continuous watch is one window a local day, each beginning where the one before ends.
The identity of a window is its UTC start. Nothing here reads a clock: the instant is an argument.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import islice
from zoneinfo import ZoneInfo

from watcher.plan.model import Window
from watcher.plan.window_rules import DAYS, cron_clock_times, cron_names_day, season_holds

Span = tuple[datetime, datetime]
"""Start and stop in UTC, half-open."""
Spans = tuple[Span, ...]
"""Disjoint spans in ascending order, none touching the next."""

ALWAYS = Window(name="continuous watch", continuous=True)
"""What a plan without windows means."""

_INSTANT = timedelta(microseconds=1)
_DAY = timedelta(days=1)
_LOOK_AHEAD_DAYS = (2, 32, 400, 3000)  # the last holds two 29 February, also across a year that has none


@dataclass(frozen=True, slots=True, order=True)
class WindowSpan:
    """One window: open from `start_utc` (the lead included) until before `stop_utc`.

    `name` is the window's own name in the plan, or else what it does.
    """

    start_utc: datetime
    stop_utc: datetime
    name: str


def window_spans(windows: Sequence[Window], zone: ZoneInfo, span: Span) -> list[WindowSpan]:
    """Every window that is open at some instant of a span, whole, in order of start.

    Parameters
    ----------
    windows : sequence of Window
        As in the plan; none means a continuous watch.
    zone : ZoneInfo
        The station's time zone.
    span : tuple of datetime
        Start and stop, aware, half-open; a span of no length has no windows.

    Returns
    -------
    list of WindowSpan
        Windows of one table have different starts; windows of two tables may overlap and be equal.

    Raises
    ------
    ValueError
        An instant has no time zone, or a window does not say when it opens or for how long.
    """
    start, stop = (_in_utc(instant) for instant in span)
    found: list[WindowSpan] = []
    for window in windows or (ALWAYS,):
        reach = timedelta(minutes=window.length_minutes or 0)
        lead = timedelta(minutes=window.lead_minutes)
        # A change of offset moves a start by less than a day, a skipped calendar day by a whole one.
        day = (start - reach).astimezone(zone).date() - _DAY
        last = (stop + lead).astimezone(zone).date() + _DAY
        of_table: dict[datetime, WindowSpan] = {}
        while day <= last:
            for each in _spans_of_day(window, zone, day):
                if each.start_utc < stop and each.stop_utc > start:
                    of_table.setdefault(each.start_utc, each)
            day += _DAY
        found += of_table.values()
    return sorted(found)


def open_at(windows: Sequence[Window], zone: ZoneInfo, instant: datetime) -> tuple[WindowSpan, ...]:
    """The windows that must be open at an instant, whole: their starts say how late one is."""
    return tuple(window_spans(windows, zone, (instant, _in_utc(instant) + _INSTANT)))


def next_opening(windows: Sequence[Window], zone: ZoneInfo, instant: datetime) -> WindowSpan | None:
    """The first window that starts after an instant; None where none does within eight years."""
    return next(iter(next_openings(windows, zone, instant, 1)), None)


def next_openings(
    windows: Sequence[Window], zone: ZoneInfo, instant: datetime, count: int
) -> tuple[WindowSpan, ...]:
    """The first windows that start after an instant, in order; fewer where eight years have no more."""
    instant = _in_utc(instant)
    following: list[WindowSpan] = []
    for days in _LOOK_AHEAD_DAYS:
        spans = window_spans(windows, zone, (instant, instant + timedelta(days=days)))
        following = [each for each in spans if each.start_utc > instant][:count]
        if len(following) == count:
            break
    return tuple(following)


def open_time(windows: Sequence[Window], zone: ZoneInfo, span: Span) -> Spans:
    """When any window is open within a span: the union of all windows, cut to the span."""
    start, stop = (_in_utc(instant) for instant in span)
    spans = window_spans(windows, zone, span)
    return merged((max(each.start_utc, start), min(each.stop_utc, stop)) for each in spans)


def merged(spans: Iterable[Span]) -> Spans:
    """The union of spans: those that overlap or touch become one, those of no length go."""
    union: list[Span] = []
    for start, stop in sorted(spans):
        if union and start <= union[-1][1]:
            union[-1] = (union[-1][0], max(stop, union[-1][1]))
        elif start < stop:
            union.append((start, stop))
    return tuple(union)


def without(spans: Iterable[Span], taken: Iterable[Span]) -> Spans:
    """What of the first spans lies in none of the second."""
    left: list[Span] = []
    holes = merged(taken)
    passed = 0
    for start, stop in merged(spans):
        while passed < len(holes) and holes[passed][1] <= start:
            passed += 1
        since = start
        for hole_start, hole_stop in islice(holes, passed, None):
            if hole_start >= stop:
                break
            if hole_start > since:
                left.append((since, hole_start))
            since = hole_stop
        if since < stop:
            left.append((since, stop))
    return tuple(left)


def local_midnight(day: date, zone: ZoneInfo) -> datetime:
    """The UTC instant at which a local day begins; where midnight is skipped, the instant of the change."""
    return _instants(day, time.min, zone, both=False)[0]


def clock_times(window: Window) -> tuple[time, ...]:
    """The local times of a day at which a window opens, ascending; a continuous one begins at midnight.

    Raises
    ------
    ValueError
        The window does not say when it opens.
    """
    if window.continuous:
        return (time.min,)
    if window.at is not None:
        return window.at
    if window.every_hours is not None:
        return tuple(time(hour) for hour in range(0, 24, window.every_hours))
    if window.cron is not None:
        return cron_clock_times(window.cron)
    raise ValueError("the window does not say when it opens; give it every_hours, at, cron or continuous")


def opens_on(window: Window, day: date) -> bool:
    """Whether a window has starts on a local date."""
    return (
        season_holds(window.from_date, window.to_date, day)
        and (window.days is None or DAYS[day.weekday()] in window.days)
        and (window.cron is None or cron_names_day(window.cron, day))
    )


@lru_cache(maxsize=4096)
def _spans_of_day(window: Window, zone: ZoneInfo, day: date) -> tuple[WindowSpan, ...]:
    """The windows whose start is named by a local date, in order of start."""
    if not opens_on(window, day):
        return ()
    name = window.said_name
    if window.continuous:
        start, stop = local_midnight(day, zone), local_midnight(day + _DAY, zone)
        return (WindowSpan(start, stop, name),) if start < stop else ()  # a skipped day has no length
    if window.length_minutes is None:
        raise ValueError("the window does not say for how long it opens; give it length_minutes")
    times = clock_times(window)
    in_every_hour = len({each.hour for each in times}) == 24
    starts = {start for each in times for start in _instants(day, each, zone, both=in_every_hour)}
    lead, length = timedelta(minutes=window.lead_minutes), timedelta(minutes=window.length_minutes)
    return tuple(WindowSpan(start - lead, start + length, name) for start in sorted(starts))


def _instants(day: date, clock: time, zone: ZoneInfo, *, both: bool) -> list[datetime]:
    """When a local time is: once, or with `both` also the second time it comes.

    `fold=0` is the first of two, and in a skipped hour the offset before the change (PEP 495).
    """
    local = datetime.combine(day, clock, zone)
    first = local.astimezone(UTC)
    if both:
        second = local.replace(fold=1).astimezone(UTC)
        if second > first:
            return [first, second]
    return [first]


def _in_utc(instant: datetime) -> datetime:
    if instant.tzinfo is None:
        raise ValueError("the instant has no time zone; give an aware datetime in UTC")
    return instant.astimezone(UTC)
