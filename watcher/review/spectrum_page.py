"""The spectrum over time: a picture a tuning, time to the right as on the strips, the channels drawn in.

The page never waits for the picture: that has an address of its own. Everything the picture shows also stands
below it in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

from watcher.log.reading import LoggedTransmission, transmissions, watches
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.plan.figures import write_mhz
from watcher.plan.model import Channel
from watcher.report.local_time import LocalClock
from watcher.report.span_picture import TuningKept, tunings_kept
from watcher.report.wording import write_count, write_duration
from watcher.review.query import Refused
from watcher.review.strips import LENGTHS as STRIP_LENGTHS
from watcher.review.strips import span_of
from watcher.utc import write_utc

WINDOW = "window"
LENGTHS = (WINDOW, "day", "hour", "minute")
LONGEST_PIECE = timedelta(hours=1)  # of a window without end, an hour is looked at at a time
LITTLE_LONGER = timedelta(minutes=10)
LITTLE_APART = timedelta(minutes=1)  # windows that follow each other are looked at together
UNITS = (1000, 480)  # across and down; the browser stretches them
LABEL_APART = 15.0
EDGE_UNITS = 8.0
LEAST_SHOWN = 5.0  # units: a call of a second in an hour must still be seen and hit
LEAST_HIGH = 9.0
MOST_DRAWN = 200
AROUND_HZ = 50_000.0  # either side of a channel that is looked at closely
TICKS = 6


@dataclass(frozen=True, slots=True)
class Label:
    """A channel beside the picture: where its name stands, where its band lies, and where it leads."""

    name: str
    words: str
    address: str
    text_y: float
    y: float
    top: float
    height: float


@dataclass(frozen=True, slots=True)
class Outline:
    """A transmission in the picture, in its units."""

    entry_id: int
    x: float
    y: float
    width: float
    height: float
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """A channel in words, with the address of what was heard on it."""

    name: str
    frequency: str
    heard: str
    address: str
    close: str


@dataclass(frozen=True, slots=True)
class TuningView:
    """One tuning: its picture's address, what is drawn over it, and the same in words."""

    title: str
    picture: str
    described: str
    top_mhz: str
    bottom_mhz: str
    labels: tuple[Label, ...]
    outlines: tuple[Outline, ...]
    left_out: int
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class SpectrumPage:
    """All tunings of one span."""

    title: str
    utc: str
    length: str
    ticks: tuple[str, ...]
    utc_ticks: tuple[str, ...]
    tunings: tuple[TuningView, ...]
    earlier: str
    later: str
    zooms: tuple[tuple[str, str], ...]
    close_to: str
    whole: str
    strips: str


def spectrum_page(
    log: WatchLog, length: str, at: datetime | None, around_hz: int | None, clock: LocalClock
) -> SpectrumPage:
    """The page of a span.

    Parameters
    ----------
    log : WatchLog
    length : str
        One of `LENGTHS`.
    at : datetime or None
        What is looked at; None for the end of what the log speaks of.
    around_hz : int or None
        Show 50 kHz either side of this frequency only.
    clock : LocalClock

    Raises
    ------
    Refused
        The length is not one of them, or the instant lies beyond the calendar.
    """
    span, earlier, later = _places(log, length, at, clock)
    channels = _channels(log, span)
    heard = list(transmissions(log, span))
    views = []
    for tuning in tunings_kept(log.folder, span):
        low, high = _range(tuning, around_hz)
        if low < high:
            views.append(_view(tuning, span, (low, high), channels=channels, heard=heard, clock=clock))
    middle = span.start_utc + (span.stop_utc - span.start_utc) / 2
    close = {} if around_hz is None else {"mhz": write_mhz(around_hz)}

    def address(where: datetime | None, which: str = length, **more: str) -> str:
        return "" if where is None else urlencode({"length": which, "at": write_utc(where)} | more)

    return SpectrumPage(
        title=f"{clock.full(span.start_utc)} to {clock.clock(span.stop_utc)}",
        utc=f"{_utc(span.start_utc)} to {_utc(span.stop_utc)} UTC",
        length=length,
        ticks=tuple(_ticks(span, clock)),
        utc_ticks=tuple(_ticks(span, LocalClock("UTC"))),
        tunings=tuple(views),
        earlier=address(earlier, **close),
        later=address(later, **close),
        zooms=tuple((each, address(at or middle, each, **close)) for each in LENGTHS),
        close_to="" if around_hz is None else write_mhz(around_hz),
        whole=address(middle),
        strips=urlencode({"length": "hour", "at": write_utc(middle)}),
    )


def around(entry: LoggedTransmission) -> str:
    """The address of the page around a transmission."""
    heard = entry.transmission
    return urlencode(
        {"length": WINDOW, "at": write_utc(heard.start_utc), "mhz": write_mhz(heard.frequency_hz)}
    )


def _places(
    log: WatchLog, length: str, at: datetime | None, clock: LocalClock
) -> tuple[Span, datetime | None, datetime | None]:
    """The span looked at, and instants in the one before and the one after."""
    if length not in LENGTHS:
        raise Refused(400, f"length is {length[:40]}; it must be one of {', '.join(LENGTHS)}")
    if length != WINDOW:
        span = span_of(log, length, at, clock)
        half = STRIP_LENGTHS[length] / 2
        return span, span.start_utc - half, span.stop_utc + half
    windows = _windows(log)
    if not windows:
        return span_of(log, "hour", at, clock), None, None
    before = [number for number, one in enumerate(windows) if at is None or one.start_utc <= at]
    number = before[-1] if before else 0
    window = windows[number]
    nearest = min(max(at or window.stop_utc, window.start_utc), window.stop_utc - timedelta(milliseconds=1))
    piece = _piece(window, max(nearest, window.start_utc))
    earlier: datetime | None = piece.start_utc - timedelta(milliseconds=1)
    if number == 0 and piece.start_utc <= window.start_utc:
        earlier = None
    later = None
    if piece.stop_utc < window.stop_utc:
        later = piece.stop_utc
    elif number + 1 < len(windows):
        later = windows[number + 1].start_utc
    return piece, earlier, later


def _windows(log: WatchLog) -> list[Span]:
    """When a watch was stood, in order: its windows, or what a replay received; near ones are one."""
    found = []
    for watch in watches(log):
        spans = [window.span for window in watch.windows]
        for stretch in () if spans else watch.stretches:
            length_s = (stretch.samples or 0) / stretch.sample_rate_hz
            spans.append(Span(stretch.start_utc, stretch.start_utc + timedelta(seconds=length_s)))
        found += [span for span in spans if span.stop_utc > span.start_utc]
    joined: list[Span] = []
    for span in sorted(found):
        if joined and span.start_utc <= joined[-1].stop_utc + LITTLE_APART:
            joined[-1] = Span(joined[-1].start_utc, max(joined[-1].stop_utc, span.stop_utc))
        else:
            joined.append(span)
    return joined


def _piece(window: Span, at: datetime) -> Span:
    if window.stop_utc - window.start_utc <= LONGEST_PIECE + LITTLE_LONGER:
        return window
    number = (at - window.start_utc) // LONGEST_PIECE
    start = window.start_utc + number * LONGEST_PIECE
    return Span(start, min(start + LONGEST_PIECE, window.stop_utc))


def _channels(log: WatchLog, span: Span) -> list[Channel]:
    """What the watches around the span listed; of a name the latest."""
    by_name = {channel.name: channel for watch in watches(log, span) for channel in watch.channels}
    return sorted(by_name.values(), key=lambda channel: (channel.frequency_hz, channel.name))


def _range(tuning: TuningKept, around_hz: int | None) -> tuple[float, float]:
    if around_hz is None:
        return tuning.low_hz, tuning.high_hz
    return tuning.whole_columns(around_hz - AROUND_HZ, around_hz + AROUND_HZ)


def _view(
    tuning: TuningKept,
    span: Span,
    range_hz: tuple[float, float],
    *,
    channels: Sequence[Channel],
    heard: Sequence[LoggedTransmission],
    clock: LocalClock,
) -> TuningView:
    low, high = range_hz
    shown = [channel for channel in channels if low <= channel.frequency_hz <= high]
    widths = {channel.name: channel.bandwidth_hz for channel in shown}
    inside = [one for one in heard if low <= one.transmission.frequency_hz <= high]
    # What is drawn are the latest ones; the rows below count all.
    outlines = tuple(
        _outline(one, span, range_hz, widths.get(one.transmission.channel, 12_500), clock)
        for one in inside[-MOST_DRAWN:]
    )
    top, bottom = write_mhz(round(high)), write_mhz(round(low))
    rows = tuple(_row(channel, inside, span) for channel in shown)
    busy = [row.name for row in rows if row.address]
    return TuningView(
        title=f"{bottom} to {top} MHz",
        picture=urlencode(
            {
                "tuned": tuning.tuned_hz,
                "rate": tuning.sample_rate_hz,
                "from": write_utc(span.start_utc),
                "to": write_utc(span.stop_utc),
                "low": round(low),
                "high": round(high),
            }
        ),
        described=(
            f"Spectrum from {bottom} to {top} MHz, time to the right, frequency upwards, dark is loud. "
            f"Heard on {', '.join(busy) if busy else 'no channel'}; the table below says the same in words."
        ),
        top_mhz=top,
        bottom_mhz=bottom,
        labels=_labels(shown, range_hz, span),
        outlines=outlines,
        left_out=len(inside) - len(outlines),
        rows=rows,
    )


def _row(channel: Channel, heard: Sequence[LoggedTransmission], span: Span) -> Row:
    own = [one.transmission for one in heard if one.transmission.channel == channel.name]
    on_s = sum(max(0.0, (one.end_utc - one.start_utc).total_seconds()) for one in own)
    query = {"order": "time", "channel": channel.name}
    query |= {"from": write_utc(span.start_utc), "to": write_utc(span.stop_utc)}
    return Row(
        channel.name,
        f"{write_mhz(channel.frequency_hz)} MHz",
        f"{write_count(len(own), 'transmission')}, {write_duration(on_s)}" if own else "nothing",
        urlencode(query) if own else "",
        _close_to(channel, span),
    )


def _close_to(channel: Channel, span: Span) -> str:
    middle = span.start_utc + (span.stop_utc - span.start_utc) / 2
    query = {"length": WINDOW, "at": write_utc(middle), "mhz": write_mhz(channel.frequency_hz)}
    return urlencode(query)


def _down(frequency_hz: float, range_hz: tuple[float, float]) -> float:
    low, high = range_hz
    return (high - frequency_hz) / (high - low) * UNITS[1]


def _labels(channels: Sequence[Channel], range_hz: tuple[float, float], span: Span) -> tuple[Label, ...]:
    """Names beside the picture, spread so that none covers another; where there is no room, none."""
    low, high = range_hz
    most = int(UNITS[1] / LABEL_APART)
    chosen = sorted(channels, key=lambda channel: (channel.priority, -channel.frequency_hz))[:most]
    chosen.sort(key=lambda channel: -channel.frequency_hz)
    places = _spread([_down(channel.frequency_hz, range_hz) for channel in chosen])
    labels = []
    for channel, text_y in zip(chosen, places, strict=True):
        y = _down(channel.frequency_hz, range_hz)
        height = channel.bandwidth_hz / (high - low) * UNITS[1]
        labels.append(
            Label(
                channel.name,
                f"{channel.name}, {write_mhz(channel.frequency_hz)} MHz: look closely",
                _close_to(channel, span),
                round(text_y, 1),
                round(y, 1),
                round(y - height / 2, 1),
                round(height, 1),
            )
        )
    return tuple(labels)


def _spread(wanted: Sequence[float]) -> list[float]:
    """Places in order, `LABEL_APART` at least between them, inside the picture, near to what is wanted."""
    places: list[float] = []
    for y in wanted:
        least = places[-1] + LABEL_APART if places else LABEL_APART / 2
        places.append(max(y, least))
    lowest = UNITS[1] - LABEL_APART / 2
    for number in range(len(places) - 1, -1, -1):
        places[number] = min(places[number], lowest)
        lowest = places[number] - LABEL_APART
    return places


def _outline(
    one: LoggedTransmission,
    span: Span,
    range_hz: tuple[float, float],
    width_hz: int,
    clock: LocalClock,
) -> Outline:
    low, high = range_hz
    heard = one.transmission
    scale = UNITS[0] / span.seconds
    left = max(0.0, (heard.start_utc - span.start_utc).total_seconds() * scale)
    right = min(UNITS[0], (heard.end_utc - span.start_utc).total_seconds() * scale)
    left = min(left, UNITS[0] - LEAST_SHOWN)
    height = max(LEAST_HIGH, width_hz / (high - low) * UNITS[1])
    length = write_duration(max(0.0, (heard.end_utc - heard.start_utc).total_seconds()))
    return Outline(
        one.entry_id,
        round(left, 1),
        round(_down(heard.frequency_hz, range_hz) - height / 2, 1),
        round(max(LEAST_SHOWN, right - left), 1),
        round(height, 1),
        f"{heard.channel} at {clock.clock(heard.start_utc)}, {length}",
    )


def _ticks(span: Span, clock: LocalClock) -> list[str]:
    step = (span.stop_utc - span.start_utc) / TICKS
    form = "%H:%M" if step >= timedelta(minutes=1) and not span.start_utc.second else "%H:%M:%S"
    return [clock.local(span.start_utc + number * step).strftime(form) for number in range(TICKS)]


def _utc(instant: datetime) -> str:
    return instant.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S")
