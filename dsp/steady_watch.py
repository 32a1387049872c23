"""Channels that hold a steady carrier: take it out, follow it, and notice when it goes or speaks.

A birdie stays while stations come and go on top of it. A station that held its key before the watch
began looks just like one until it speaks: then the line itself dissolves into the modulation.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, auto

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples
from dsp.steady_carrier import CarrierSplit, beside_skirt, is_unmodulated, split_carrier

REACH_HZ = 100.0  # how far the line is looked for from where it last was: drift up to 500 Hz/s
GONE_SHARE = 0.3  # a steady carrier that falls under this share of its power ...
GONE_S = 0.3  # ... for this long has gone
MOST_BESIDE = 3.0  # rest over noise in a frame: beyond it somebody else is on the channel (our choice)
SPOKEN_LOOKS = 2  # in a row: while a station comes up on top, one look may say what it likes
LOOK_FRAMES = 16  # frames over which modulation shows
MOST_IN_SIDEBANDS = 0.7  # of an AM carrier's power: half of it at full depth, and some room


class Fate(Enum):
    """What became of a steady carrier within a slice."""

    STAYS = auto()
    GONE = auto()
    SPOKE = auto()


@dataclass(slots=True, eq=False)
class _Steady:
    frequency_hz: float
    power: float
    skirt_band_hz: float = 0.0
    missing: int = 0
    spoken: int = 0  # looks in a row that say so
    recent: NDArray[np.float64] = field(default_factory=lambda: np.empty((3, 0)))


class SteadyWatch:
    """The steady carriers of all channels.

    Parameters
    ----------
    frame_s : float
    is_am : ndarray of bool, shape (channels,)
        In AM the line stays while the station speaks.
    """

    def __init__(self, frame_s: float, is_am: NDArray[np.bool_]) -> None:
        self._gone_frames = round(GONE_S / frame_s)
        self._is_am = is_am
        self._held: dict[int, _Steady] = {}

    def __contains__(self, channel: object) -> bool:
        return channel in self._held

    def channels(self) -> list[int]:
        """The channels that hold a steady carrier."""
        return list(self._held)

    def reset(self) -> None:
        """Forget all."""
        self._held.clear()

    def begin(self, channel: int, frequency_hz: float, power: float, *, skirt_band_hz: float = 0.0) -> None:
        """From now on this channel holds a steady carrier.

        With flicker noise around it, `skirt_band_hz` is the channel's noise bandwidth; 0 without.
        """
        self._held[channel] = _Steady(frequency_hz, power, skirt_band_hz)

    def line(self, channel: int) -> tuple[float, float]:
        """Frequency (Hz from the channel's centre) and power of the carrier."""
        held = self._held[channel]
        return held.frequency_hz, held.power

    def without(
        self,
        channel: int,
        frames: ComplexSamples,
        rate_hz: float,
        clear: NDArray[np.bool_] | None = None,
        *,
        with_skirt: bool = True,
    ) -> CarrierSplit:
        """Frames of one channel parted into its steady carrier and the rest, fitted to the clear instants.

        A skirt around it is taken out too, unless `with_skirt` is False: a station's bare carrier may stand
        there.
        """
        held = self._held[channel]
        near_hz = held.frequency_hz
        parts = split_carrier(frames, rate_hz, near_hz=near_hz, reach_hz=REACH_HZ, clear=clear)
        if held.skirt_band_hz and with_skirt:
            return beside_skirt(parts, rate_hz, near_hz, held.skirt_band_hz, clear)
        return parts

    def judge(
        self, channel: int, parts: CarrierSplit, floor: NDArray[np.float64], is_quiet: bool
    ) -> tuple[Fate, int]:
        """What the frames of one slice say about the channel's carrier.

        Parameters
        ----------
        parts : CarrierSplit
            From :meth:`without`.
        floor : ndarray of float64, shape (frames,)
            Noise expected in the channel.
        is_quiet : bool
            Nobody else is on the channel: the line may be followed.

        Returns
        -------
        fate : Fate
            After GONE and SPOKE the channel is forgotten here.
        frame : int
            Within the slice: the first frame without the carrier, for GONE.
        """
        held = self._held[channel]
        powers = [parts.carrier_power, parts.rest_power, floor]
        held.recent = np.hstack([held.recent, powers])[:, -LOOK_FRAMES:]
        held.spoken = held.spoken + 1 if self._spoke(channel, held) else 0
        if held.spoken >= SPOKEN_LOOKS:
            del self._held[channel]
            return Fate.SPOKE, 0
        if not is_quiet:
            held.missing = 0
            return Fate.STAYS, 0
        present = parts.carrier_power > GONE_SHARE * held.power
        for index, here in enumerate(present.tolist()):
            held.missing = 0 if here else held.missing + 1
            if held.missing >= self._gone_frames:
                del self._held[channel]
                return Fate.GONE, index - self._gone_frames + 1
        # Follows a drift of frequency and level; not where a station has just come up on top of it.
        alone = present & (parts.rest_power < MOST_BESIDE * floor)
        if alone.any():
            held.frequency_hz = float(np.median(parts.frequency_hz[alone][-5:]))
            held.power += 0.2 * (float(parts.carrier_power[alone].mean()) - held.power)
        return Fate.STAYS, 0

    def _spoke(self, channel: int, held: _Steady) -> bool:
        if held.skirt_band_hz or held.recent.shape[1] < LOOK_FRAMES or is_unmodulated(*held.recent):
            return False  # what flickers is the radio's own and never speaks
        line, rest, floor = held.recent.mean(axis=1)
        beside = rest - floor
        if self._is_am[channel]:
            return bool(beside < MOST_IN_SIDEBANDS * held.power)
        # What modulation puts beside the line it takes from the line; another station takes nothing. The sum
        # stays, or the line has only drifted out of reach.
        is_same_power = abs(line + beside - held.power) < 0.25 * held.power + 0.25 * floor
        return bool(is_same_power and held.power - line > 0.5 * beside)


class IdleLook:
    """The last frames of an open channel that has not shown modulation yet."""

    def __init__(self, opened_frame: int, was_there_before: bool) -> None:
        self.opened_frame = opened_frame
        self.was_there_before = was_there_before
        self.idle_since_frame = opened_frame
        self.spoke = False
        self.frequency_hz = 0.0
        self.recent = np.empty((3, 0))

    def take(
        self, carrier: NDArray[np.float64], rest: NDArray[np.float64], floor: NDArray[np.float64]
    ) -> bool:
        """Add frames; True while the carrier has stayed idle."""
        self.recent = np.hstack([self.recent, [carrier, rest, floor]])[:, -LOOK_FRAMES:]
        return self.recent.shape[1] < LOOK_FRAMES // 2 or is_unmodulated(*self.recent)
