"""Which gain to set: enough that the converter's own noise no longer matters, little enough that nothing
clips."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

RISE_DB = 10.0
"""How far the noise floor must stand above that of the lowest gain. What the converter adds is part of the
lowest floor, so it then costs at most 10 log10(1 / (1 - 0.1)) = 0.46 dB of sensitivity (powers add)."""

ROOM_DB = 6.0
"""Room kept between the peaks of now and full scale, for a station that comes later (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class GainStep:
    """What was measured at one gain.

    Parameters
    ----------
    floor_dbfs_hz : float
        Noise floor, dBFS/Hz.
    peak_dbfs : float
        Largest I or Q, dB against full scale.
    clipped_share : float
        0 to 1.
    """

    floor_dbfs_hz: float
    peak_dbfs: float
    clipped_share: float

    @property
    def has_room(self) -> bool:
        """Does nothing clip, and is there room for more?"""
        return self.clipped_share == 0 and self.peak_dbfs <= -ROOM_DB


@dataclass(frozen=True, slots=True)
class GainChoice:
    """The gain to set and why, as a sentence that goes on from "gain … is set: "."""

    index: int
    why: str


def quantising_floor_dbfs_hz(bits: int, sample_rate_hz: int) -> float:
    """The least noise an ideal converter adds to I and Q together, dBFS/Hz.

    Step² / 12 for each of I and Q, with a step of 2 / 2^bits of full scale, spread over the sample rate:
    W. R. Bennett, Bell System Technical Journal 27 (1948).
    """
    step = 2.0 / 2**bits
    return 10 * math.log10(2 * step**2 / 12 / sample_rate_hz)


def choose_gain(
    gains: Sequence[str], measure: Callable[[int], GainStep], least_floor_dbfs_hz: float = -math.inf
) -> GainChoice:
    """The lowest gain at which the converter's noise no longer matters, if nothing clips there.

    Parameters
    ----------
    gains : sequence of str
        The gains the tuner has, lowest first, as the sentence shall name them; at least one.
    measure : callable
        Sets the gain of an index and measures. Called for the lowest gain and then by halving, about
        log2 of the gains in all.
    least_floor_dbfs_hz : float
        What the converter adds at least, where it is known: a floor below it is no noise at all.

    Notes
    -----
    Without taking the antenna away the tuner's noise cannot be told from the antenna's; only the
    converter's can, because it does not rise with the gain.
    """
    seen: dict[int, GainStep] = {}

    def step(index: int) -> GainStep:
        if index not in seen:
            seen[index] = measure(index)
        return seen[index]

    lowest = max(step(0).floor_dbfs_hz, least_floor_dbfs_hz)

    def rise_db(index: int) -> float:
        return step(index).floor_dbfs_hz - lowest

    # Both questions have "no" below some gain and "yes" from there on.
    enough = _first(len(gains), lambda index: rise_db(index) >= RISE_DB)
    too_much = _first(min(enough + 1, len(gains)), lambda index: not step(index).has_room)
    if too_much == 0:
        return GainChoice(0, f"even this lowest gain {_peaks(step(0))}; put an attenuator before the radio")
    chosen = min(enough, too_much - 1, len(gains) - 1)
    rise = rise_db(chosen)
    if enough == chosen:
        cost = 10 * math.log10(1 / (1 - 10 ** (-rise / 10)))
        why = (
            f"the noise floor stands {rise:.1f} dB above that of the lowest gain, so that the converter's "
            f"own noise costs {cost:.1f} dB at most"
        )
    elif chosen == too_much - 1 and too_much < len(gains):
        why = (
            f"the next one, {gains[too_much]}, {_peaks(step(too_much))}, though the noise floor stands only "
            f"{max(rise, 0.0):.1f} dB above that of the lowest gain and {RISE_DB:g} dB would be right"
        )
    else:
        why = (
            f"it is the highest, and the noise floor stands only {max(rise, 0.0):.1f} dB above that of the "
            f"lowest; {RISE_DB:g} dB would be right: check the antenna and its cable"
        )
    return GainChoice(chosen, f"{why}; nothing clips, peaks at {step(chosen).peak_dbfs:.0f} dBFS")


def _first(count: int, is_so: Callable[[int], bool]) -> int:
    """The first index below `count` for which it is so, or `count`; by halving."""
    low, high = 0, count
    while low < high:
        middle = (low + high) // 2
        if is_so(middle):
            high = middle
        else:
            low = middle + 1
    return low


def _peaks(step: GainStep) -> str:
    if step.clipped_share:
        return f"clips {100 * step.clipped_share:.2g} % of the samples"
    return f"peaks at {step.peak_dbfs:.0f} dBFS, which leaves less than {ROOM_DB:g} dB of room"
