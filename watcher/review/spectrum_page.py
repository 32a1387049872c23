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
from watcher.report.unlisted import Unlisted, unlisted_activity
from watcher.report.wording import write_count, write_duration
from watcher.review.query import Refused
from watcher.review.spectrum_drawing import (
    WINDOW,
    Label,
    Outline,
    close_to,
    labels_of,
    named,
    outline_of,
    unnamed,
)
from watcher.review.strips import LENGTHS as STRIP_LENGTHS
from watcher.review.strips import span_of
from watcher.utc import write_utc

LENGTHS = (WINDOW, "day", "hour", "minute")
LONGEST_PIECE = timedelta(hours=1)  # of a window without end, an hour is looked at at a time
LONGEST_LOOK = timedelta(minutes=75)  # beyond it what is not listed takes too long to look for
LITTLE_LONGER = timedelta(minutes=10)
LITTLE_APART = timedelta(minutes=1)  # windows that follow each other are looked at together
MOST_DRAWN = 200
AROUND_HZ = 50_000.0  # either side of a channel that is looked at closely
TICKS = 6


@dataclass(frozen=True, slots=True)
class Row:
    """A channel, or what was seen beside all of them, in words, with the address of what was heard on it."""

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
    is_short: bool
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
    is_short = span.stop_utc - span.start_utc <= LONGEST_LOOK
    strange = _not_listed(log, span, channels) if is_short else ()
    views = []
    for tuning in tunings_kept(log.folder, span):
        low, high = _range(tuning, around_hz)
        if low < high:
            views.append(
                _view(
                    *(tuning, span, (low, high)),
                    channels=channels,
                    heard=heard,
                    strange=[one for one in strange if low <= one.frequency_hz <= high],
                    clock=clock,
                )
            )
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
        is_short=is_short,
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


def _not_listed(log: WatchLog, span: Span, channels: Sequence[Channel]) -> tuple[Unlisted, ...]:
    places = [(channel.frequency_hz, channel.bandwidth_hz) for channel in channels]
    return unlisted_activity(log.folder, places, span).signals


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
    strange: Sequence[Unlisted],
    clock: LocalClock,
) -> TuningView:
    low, high = range_hz
    shown = [channel for channel in channels if low <= channel.frequency_hz <= high]
    widths = {channel.name: channel.bandwidth_hz for channel in shown}
    inside = [one for one in heard if low <= one.transmission.frequency_hz <= high]
    outlines = tuple(
        outline_of(one, span, range_hz, widths.get(one.transmission.channel, 12_500), clock)
        for one in (inside if len(inside) <= MOST_DRAWN else ())
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
            f"Spectrum from {bottom} to {top} MHz, time to the right, frequency upwards. "
            f"Heard on {', '.join(busy) if busy else 'no channel'}; the table below says the same in words."
        ),
        top_mhz=top,
        bottom_mhz=bottom,
        labels=labels_of([*map(named, shown), *map(unnamed, strange)], range_hz, span),
        outlines=outlines,
        left_out=len(inside) - len(outlines),
        rows=(
            *rows,
            *(_strange_row(one, span, clock) for one in strange),
            *([_middle_row(tuning, span)] if low < tuning.tuned_hz < high else ()),
        ),
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
        close_to(channel.frequency_hz, span),
    )


def _strange_row(one: Unlisted, span: Span, clock: LocalClock) -> Row:
    if one.is_steady:
        said = f"there all the time, {one.snr_db:.0f} dB over its neighbourhood"
    else:
        times = write_count(one.seen, "time")
        said = (
            f"seen {times} from {clock.clock(one.first_utc)}, {write_duration(one.occupancy.heard_s)} in all"
        )
        said += f", {one.snr_db:.0f} dB over the noise"
    if one.known_as:
        said += f"; listed there: {', '.join(one.known_as)}"
    place = f"{one.frequency_hz / 1e6:.4f} MHz ± {one.sigma_hz / 1000:.1f} kHz"
    return Row("not listed", place, said, "", close_to(round(one.frequency_hz), span))


def _middle_row(tuning: TuningKept, span: Span) -> Row:
    """A line that is seen there is no news."""
    return Row(
        "middle of the span",
        f"{write_mhz(tuning.tuned_hz)} MHz",
        "a line that never stops is mostly the radio's own here",
        "",
        close_to(tuning.tuned_hz, span),
    )


def _ticks(span: Span, clock: LocalClock) -> list[str]:
    step = (span.stop_utc - span.start_utc) / TICKS
    form = "%H:%M" if step >= timedelta(minutes=1) and not span.start_utc.second else "%H:%M:%S"
    return [clock.local(span.start_utc + number * step).strftime(form) for number in range(TICKS)]


def _utc(instant: datetime) -> str:
    return instant.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S")
