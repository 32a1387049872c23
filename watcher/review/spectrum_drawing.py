"""What is drawn over and beside a picture of the spectrum: names of channels, outlines of transmissions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from watcher.log.reading import LoggedTransmission
from watcher.log.spans import Span
from watcher.plan.figures import write_mhz
from watcher.plan.model import Channel
from watcher.report.local_time import LocalClock
from watcher.report.unlisted import Unlisted
from watcher.report.wording import write_duration
from watcher.utc import write_utc

WINDOW = "window"
UNITS = (1000, 480)  # across and down; the browser stretches them
LABEL_APART = 15.0
LEAST_SHOWN = 5.0  # units: a call of a second in an hour must still be seen and hit
LEAST_HIGH = 9.0


@dataclass(frozen=True, slots=True)
class Label:
    """A channel beside the picture: where its name stands, where its band lies, and where it leads.

    What is not listed has its frequency for a name.
    """

    name: str
    words: str
    address: str
    text_y: float
    y: float
    top: float
    height: float
    is_listed: bool = True


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
class Named:
    """What is to have a name beside the picture; the lowest rank first where there is no room for all."""

    name: str
    frequency_hz: int
    width_hz: int
    rank: int
    is_listed: bool


def named(channel: Channel) -> Named:
    """A channel of the plan."""
    return Named(channel.name, channel.frequency_hz, channel.bandwidth_hz, channel.priority, is_listed=True)


def unnamed(one: Unlisted) -> Named:
    """What is not listed: before the channels, for the picture is looked at for what is new."""
    return Named(write_mhz(one.place_hz), round(one.frequency_hz), round(one.width_hz), 0, is_listed=False)


def _down(frequency_hz: float, range_hz: tuple[float, float]) -> float:
    low, high = range_hz
    return (high - frequency_hz) / (high - low) * UNITS[1]


def labels_of(wanted: Sequence[Named], range_hz: tuple[float, float], span: Span) -> tuple[Label, ...]:
    """Names beside the picture, spread so that none covers another; where there is no room, none."""
    low, high = range_hz
    most = int(UNITS[1] / LABEL_APART)
    chosen = sorted(wanted, key=lambda one: (one.rank, -one.frequency_hz))[:most]
    chosen.sort(key=lambda one: -one.frequency_hz)
    places = _spread([_down(one.frequency_hz, range_hz) for one in chosen])
    labels = []
    for one, text_y in zip(chosen, places, strict=True):
        y = _down(one.frequency_hz, range_hz)
        height = one.width_hz / (high - low) * UNITS[1]
        which = one.name if one.is_listed else "Not listed"
        labels.append(
            Label(
                one.name,
                f"{which}, {write_mhz(one.frequency_hz)} MHz: look closely",
                close_to(one.frequency_hz, span),
                round(text_y, 1),
                round(y, 1),
                round(y - height / 2, 1),
                round(height, 1),
                one.is_listed,
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


def outline_of(
    one: LoggedTransmission,
    span: Span,
    range_hz: tuple[float, float],
    width_hz: int,
    clock: LocalClock,
) -> Outline:
    """Where a transmission stands in the picture."""
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


def close_to(frequency_hz: int, span: Span) -> str:
    """The address of the page close to a frequency."""
    middle = span.start_utc + (span.stop_utc - span.start_utc) / 2
    return urlencode({"length": WINDOW, "at": write_utc(middle), "mhz": write_mhz(frequency_hz)})
