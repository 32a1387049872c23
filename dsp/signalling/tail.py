"""When did the goodbye begin? A tone's phase flip, or a code's turn-off tone, before the carrier falls.

A transmitter that says goodbye goes on for a tenth or two of a second with its speech mute, so that receivers
close before the noise comes. A clip may be cut where that begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TURN_OFF_HZ = 134.4  # TIA-603 1.3.5.6 (from memory)
LOOK_S = 1.1  # before the carrier's fall
# Makers send 80 to 200 ms (secondary); a little of it is lost where the carrier falls.
SHORTEST_S, LONGEST_S = 0.065, 0.27
ENDS_EARLY_S = 0.06  # what the squelch may leave of the noise behind the carrier
BEFORE_S = 0.55  # of tone or code that says what was there before
LEAST_BEFORE_S = 0.2
LEAST_DEGREES = 115.0  # makers turn by 120 to 180 degrees, either way
LEAST_TURNED = -0.25  # of the tone's amplitude along its old phase: cosine of 105 degrees, with noise
AMPLITUDE = (0.5, 1.6)  # of the goodbye over that of the tone or the code
# What chance reaches in fewer than one ordinary end of a thousand, measured: of 4500 ends with a tone one
# passed 14, of 4500 with a code one reached 17, both under voices that kept their low end.
NEEDED_LOG_RATIO, NEEDED_TURN_OFF_LOG_RATIO = 14.0, 18.0
LEAST_TONE_LOG_RATIO = 20.0
TINY = 1e-9  # Hz squared
STEP_S = 0.013  # blocks of a tone: whole turns, about as long as this


@dataclass(frozen=True, slots=True)
class Tail:
    """A goodbye at the end of a transmission.

    Parameters
    ----------
    before_end_s : float
        How long before the last sample it began; good to about a block, 15 ms.
    degrees : float or None
        By how much the tone's phase fell back, 0 to 360; None for a turn-off tone.
    log_ratio : float
        Log-likelihood ratio over an ordinary end.
    """

    before_end_s: float
    degrees: float | None
    log_ratio: float


def reverse_burst(low_band: NDArray[np.floating], rate_hz: float, tone_hz: float) -> Tail | None:
    """When did the tone's phase turn by 120 to 240 degrees, for 80 to 250 ms, before the carrier fell?

    Parameters
    ----------
    low_band : ndarray of float32, shape (n,)
        Hz, up to the carrier's fall within 60 ms; the last 1.1 s are looked at.
    rate_hz : float
    tone_hz : float
        As measured: half a hertz beside the truth is repaired, a listed tone of a poor encoder is not.

    Returns
    -------
    Tail or None
        None where there is no burst or less than 0.2 s of tone before it.

    Raises
    ------
    ValueError
        The low band is not one-dimensional, holds something that is no number, or a rate or frequency
        is out of its range.

    Notes
    -----
    The tone is brought to 0 Hz in blocks of whole turns. For every place where a burst may begin and end the
    blocks are weighed as noise around the turned phase, around the old phase (the tone goes on) and around
    nothing (the tone stops), the noise being that before the place: a voice that shares the tone's band
    counts as noise. Stated: a burst on fewer than one of 1000 ends without any.
    """
    _check(low_band, rate_hz, tone_hz)
    step_s = max(1, round(STEP_S * tone_hz)) / tone_hz
    blocks = _blocks(low_band, rate_hz, tone_hz, step_s)
    pure = len(blocks) - round((LONGEST_S + ENDS_EARLY_S) / step_s)
    if pure < LEAST_BEFORE_S / step_s:
        pure = len(blocks) - round(SHORTEST_S / step_s)
    if pure < 3:
        return None
    blocks = _held_still(blocks, pure)
    first, stop = _places(len(blocks), step_s)
    if not len(first):
        return None
    sums, powers = _running(blocks)
    back = np.maximum(first - round(BEFORE_S / step_s), 0)
    held = first - back
    tone = (sums[first] - sums[back]) / held
    tone_power = np.square(np.abs(tone)) + TINY
    noise = (powers[first] - powers[back] - held * tone_power) / (held - 1.0) + TINY
    count = stop - first
    turned = (sums[stop] - sums[first]) * tone.conj() / tone_power / count
    power = (powers[stop] - powers[first]) / tone_power  # of the turned blocks, tone's amplitude 1
    angle = np.angle(turned)
    angle = np.copysign(np.maximum(np.abs(angle), np.deg2rad(LEAST_DEGREES)), angle)
    on_the_burst = power + count * (1.0 - 2.0 * (turned * np.exp(-1j * angle)).real)
    on_nothing, on_the_tone = power, power + count * (1.0 - 2.0 * turned.real)
    # The speech is mute: what is left beside the burst is no more than what was there before.
    quiet = np.maximum(noise / tone_power, on_the_burst / count)
    log_ratio = (np.minimum(on_nothing, on_the_tone) - on_the_burst) / quiet
    size = np.abs(turned)
    fits = (turned.real < LEAST_TURNED) & (size > AMPLITUDE[0]) & (size < AMPLITUDE[1])
    fits &= held * tone_power > LEAST_TONE_LOG_RATIO * noise
    log_ratio[~fits] = -np.inf
    best = int(log_ratio.argmax())
    if not log_ratio[best] > NEEDED_LOG_RATIO:
        return None
    before_end_s = float(len(blocks) - first[best]) * step_s
    return Tail(before_end_s, float(np.rad2deg(-angle[best]) % 360.0), float(log_ratio[best]))


def turn_off(low_band: NDArray[np.floating], rate_hz: float, deviation_hz: float) -> Tail | None:
    """When did the 134.4 Hz turn-off tone of a code begin, 80 to 250 ms before the carrier fell?

    Parameters
    ----------
    low_band, rate_hz
        As for `reverse_burst`.
    deviation_hz : float
        Of the code; the tone is taken to have about as much.

    Returns
    -------
    Tail or None

    Raises
    ------
    ValueError
        As for `reverse_burst`.

    Notes
    -----
    A code has no line at 134.4 Hz, whatever its word: bits that last a whole turn cancel. So the tone stands
    out from the blocks of one turn before it. Stated: a tone on fewer than one of 1000 ends without any.
    """
    _check(low_band, rate_hz, TURN_OFF_HZ)
    step_s = 1.0 / TURN_OFF_HZ
    blocks = _blocks(low_band, rate_hz, TURN_OFF_HZ, step_s)
    first, stop = _places(len(blocks), step_s)
    if not len(first):
        return None
    sums, powers = _running(blocks)
    back = np.maximum(first - round(BEFORE_S / step_s), 0)
    noise = (powers[first] - powers[back]) / (first - back) + TINY
    count = stop - first
    size = np.abs(sums[stop] - sums[first]) / count
    left = (powers[stop] - powers[first]) / count - np.square(size)
    log_ratio = count * np.square(size) / np.maximum(noise, left) - np.log(len(blocks))
    fits = (size > AMPLITUDE[0] * deviation_hz) & (size < AMPLITUDE[1] * deviation_hz)
    log_ratio[~fits] = -np.inf
    best = int(log_ratio.argmax())
    if not log_ratio[best] > NEEDED_TURN_OFF_LOG_RATIO:
        return None
    return Tail(float(len(blocks) - first[best]) * step_s, None, float(log_ratio[best]))


def _check(low_band: NDArray[np.floating], rate_hz: float, tone_hz: float) -> None:
    if low_band.ndim != 1:
        raise ValueError(f"low_band has {low_band.ndim} dimensions; it must have one")
    if not rate_hz >= 1000.0:
        raise ValueError(f"rate_hz is {rate_hz}; it must be 1000 or more")
    if not 50.0 <= tone_hz <= 300.0:
        raise ValueError(f"tone_hz is {tone_hz}; it must be between 50 and 300")
    if not np.all(np.isfinite(low_band)):
        raise ValueError("low_band holds a value that is not finite; every one must be a number")


def _blocks(
    low_band: NDArray[np.floating], rate_hz: float, tone_hz: float, step_s: float
) -> NDArray[np.complex128]:
    """Amplitude of a tone in consecutive blocks, the last one ending with the low band; complex, Hz."""
    kept = low_band[-round(LOOK_S * rate_hz) :].astype(np.float64)
    count = int(len(kept) / (step_s * rate_hz))
    if count < 1:
        return np.zeros(0, np.complex128)
    kept -= np.median(kept)
    # Blocks end between samples, so they are differences of a running sum read between its points.
    instants_s = (np.arange(len(kept)) + 0.5 - len(kept)) / rate_hz
    running = np.concatenate([[0.0], np.cumsum(kept * np.exp(-2j * np.pi * tone_hz * instants_s))])
    edges = len(kept) - np.arange(count, -1, -1) * (step_s * rate_hz)
    sums = np.interp(np.maximum(edges, 0.0), np.arange(len(running)), running)
    return np.asarray(np.diff(sums) * (2.0 / (step_s * rate_hz)))


def _held_still(blocks: NDArray[np.complex128], pure: int) -> NDArray[np.complex128]:
    """Blocks without the slow turn that a tone beside the stated frequency has left in the first `pure`."""
    steps = np.arange(pure)
    turns = np.linspace(-0.5, 0.5, 33) / pure  # half a turn at most over the whole of it
    sums = np.abs(np.exp(-2j * np.pi * np.outer(turns, steps)) @ blocks[:pure])
    at = int(sums.argmax())
    turn = turns[at]
    if 0 < at < len(turns) - 1:
        low, middle, high = sums[at - 1 : at + 2] ** 2
        bend = low - 2.0 * middle + high
        turn += 0.5 * (low - high) / bend * (turns[1] - turns[0]) if bend < 0 else 0.0
    return np.asarray(blocks * np.exp(-2j * np.pi * turn * np.arange(len(blocks))))


def _running(blocks: NDArray[np.complex128]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Sums of the first 0, 1, 2 ... blocks and of their squared magnitudes."""
    sums = np.concatenate([[0.0], np.cumsum(blocks)])
    return sums, np.concatenate([[0.0], np.cumsum(np.square(np.abs(blocks)))])


def _places(count: int, step_s: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First block of a goodbye and the one behind its last, for all that may be."""
    lengths = np.arange(max(2, round(SHORTEST_S / step_s)), round(LONGEST_S / step_s) + 1)
    stops = count - np.arange(round(ENDS_EARLY_S / step_s) + 1)
    first = (stops[:, None] - lengths).ravel()
    stop = np.repeat(stops, len(lengths))
    kept = first >= max(3, round(LEAST_BEFORE_S / step_s))
    return first[kept].astype(np.intp), stop[kept].astype(np.intp)
