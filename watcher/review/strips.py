"""A strip a channel: time across, and in each place heard, quiet or not watched, by the report's accounts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

import numpy as np

from watcher.log.reading import gaps, heard_ms, watched_spans, watches, whole_span
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.receive.records import Gap
from watcher.report.accounting import account
from watcher.report.intervals import Intervals, instant, merged, microseconds
from watcher.report.local_time import LocalClock, write_day
from watcher.report.wording import write_duration
from watcher.review.query import Refused
from watcher.utc import write_utc

WIDTH = 720  # units across, whatever the screen makes of them: two minutes each in a day
SHORTEST_SHOWN = 1.5  # units: a call of a second in a month must still be seen
LEAST_APART = 0.2  # units: closer ones are one bar
TICKS = 6
LENGTHS = {
    "month": timedelta(days=31),
    "week": timedelta(days=7),
    "day": timedelta(days=1),
    "hour": timedelta(hours=1),
    "minute": timedelta(minutes=1),
}
SPECTRUM_LENGTHS = ("day", "hour", "minute")  # the strips have longer ones


@dataclass(frozen=True, slots=True)
class Bar:
    """One stretch of a strip; `address` leads to what was heard in it."""

    x: float
    width: float
    words: str = ""
    address: str = ""


@dataclass(frozen=True, slots=True)
class Strip:
    """One channel: what is not covered by `watched` was not watched."""

    channel: str
    words: str
    causes: tuple[str, ...]
    watched: tuple[Bar, ...]
    heard: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class StripPage:
    """All channels over one span."""

    title: str
    length: str
    ticks: tuple[str, ...]
    strips: tuple[Strip, ...]
    earlier: str
    later: str
    zooms: tuple[tuple[str, str], ...]
    spectrum: str


def span_of(log: WatchLog, length: str, at: datetime | None, clock: LocalClock) -> Span:
    """The span of a length around or from an instant; without one, the end of what the log speaks of.

    A day begins at local midnight; the others lie with the instant in their middle.
    """
    if length not in LENGTHS:
        raise Refused(400, f"length is {length[:40]}; it must be one of {', '.join(LENGTHS)}")
    if at is None:
        whole = whole_span(log)
        at = datetime(2000, 1, 1, tzinfo=UTC) if whole is None else whole.stop_utc - timedelta(milliseconds=1)
    try:
        if length == "day":
            day = clock.local(at).date()
            return Span(
                clock.midnight(day).astimezone(UTC), clock.midnight(day + timedelta(days=1)).astimezone(UTC)
            )
        start = at - LENGTHS[length] / 2
        return Span(start, start + LENGTHS[length])
    except (OverflowError, ValueError) as problem:
        raise Refused(400, "at lies beyond the calendar; it must be an instant the log can hold") from problem


def strip_page(log: WatchLog, length: str, at: datetime | None, clock: LocalClock) -> StripPage:
    """The strips of every channel that a watch in the span listed, or on which something was heard."""
    span = span_of(log, length, at, clock)
    stood = watches(log, span)
    watched, told_gaps = watched_spans(log, span), list(gaps(log, span))
    heard = heard_ms(log, span)
    in_plans = dict.fromkeys(channel.name for watch in reversed(stood) for channel in watch.channels)
    gaps_of: dict[str, list[Gap]] = {}
    for gap in told_gaps:
        gaps_of.setdefault(gap.channel, []).append(gap)
    names = [*in_plans, *sorted({*watched, *heard, *gaps_of} - set(in_plans))]
    strips = []
    for name in names:
        spent = account(
            name,
            span,
            heard=merged(*(1000 * heard[name].T)) if name in heard else (),
            watched=watched.get(name, Spans()),
            gaps=gaps_of.get(name, []),
            watches=stood,
        )
        causes = spent.unwatched_by_cause()
        count = len(heard.get(name, []))
        strips.append(
            Strip(
                channel=name,
                words=(
                    f"{count:,} heard in {write_duration(_total(spent.heard))}, "
                    f"quiet for {write_duration(_total(spent.quiet))}, "
                    f"not watched for {write_duration(spent.unwatched_s)}"
                ),
                causes=tuple(f"{write_duration(seconds)}: {cause}" for cause, seconds in causes.items()),
                watched=_bars(spent.watched, span),
                heard=_bars(spent.heard, span, name, clock),
            )
        )
    middle = span.start_utc + (span.stop_utc - span.start_utc) / 2
    return StripPage(
        title=_title(length, span, clock),
        length=length,
        ticks=tuple(_tick(length, span, number, clock) for number in range(TICKS)),
        strips=tuple(strips),
        earlier=_address(length, middle - (span.stop_utc - span.start_utc)),
        later=_address(length, middle + (span.stop_utc - span.start_utc)),
        zooms=tuple((each, _address(each, middle if at is None else at)) for each in LENGTHS),
        spectrum=_address(length if length in SPECTRUM_LENGTHS else "day", middle if at is None else at),
    )


def _bars(
    these: Intervals, span: Span, channel: str | None = None, clock: LocalClock | None = None
) -> tuple[Bar, ...]:
    """The set in units across; what would fall on one place is one bar."""
    begin, end = (int(each) for each in microseconds([span.start_utc, span.stop_utc]))
    unit = (end - begin) / WIDTH
    stops = these[:, 1]
    if channel is not None:
        stops = np.maximum(stops, these[:, 0] + round(SHORTEST_SHOWN * unit))
    bars = []
    for start, stop in merged(these[:, 0], stops, round(LEAST_APART * unit)):
        words = address = ""
        if channel is not None and clock is not None:
            since, to = instant(int(start)), instant(int(stop) + 1000)
            words = f"heard on {channel} from {clock.clock(since)}"
            query = {"order": "time", "channel": channel, "from": write_utc(since), "to": write_utc(to)}
            address = urlencode(query)
        bars.append(Bar(round((start - begin) / unit, 2), round((stop - start) / unit, 2), words, address))
    return tuple(bars)


def _total(these: Intervals) -> float:
    return float((these[:, 1] - these[:, 0]).sum()) / 1e6


def _title(length: str, span: Span, clock: LocalClock) -> str:
    if length == "day":
        return write_day(clock.local(span.start_utc).date())
    return f"{clock.full(span.start_utc)} to {clock.full(span.stop_utc)}"


def _tick(length: str, span: Span, number: int, clock: LocalClock) -> str:
    at = span.start_utc + (span.stop_utc - span.start_utc) * number / TICKS
    local = clock.local(at)
    if length in {"month", "week"}:
        return f"{local.day}.{local.month}."
    return f"{local:%H:%M:%S}" if length == "minute" else f"{local:%H:%M}"


def _address(length: str, at: datetime) -> str:
    return urlencode({"length": length, "at": write_utc(at)})
