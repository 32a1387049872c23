"""Part a channel's frames into one steady carrier and the rest.

A receiver makes carriers of its own (birdies, the zero-frequency spike), and they never carry
modulation: within one frame nearly all their power stands in one line. A voice, a tone or data moves
the carrier within a few milliseconds, so the line takes only part of the power.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples

PAD = 4  # zero padding of the search: the line is found to a tenth of a bin before it is refined
REST_OF_NOISE = 1.35  # rest over noise floor, averaged over half a second, that an idle carrier stays under
SKIRT_OF_CARRIER = 0.5  # flicker beside a spike is 3 dB under it at the most, or it is not told from talk
SKIRT_HZ = 600.0  # of flicker noise to either side of 0 Hz: beyond, it lies under the noise (our choice)
REST_OF_CARRIER = 0.03  # and over the carrier: phase noise, hum and drift of a steady carrier, 15 dB down


@dataclass(frozen=True, slots=True, eq=False)
class CarrierSplit:
    """The strongest line of each frame and what is left without it.

    Parameters
    ----------
    frequency_hz : ndarray of float64, shape (frames,)
    carrier_power, rest_power : ndarray of float64, shape (frames,)
        Mean squared magnitudes; they add up to the frame's power.
    rest : ndarray of complex64, shape (frames, n)
        The frame with the line taken out.
    """

    frequency_hz: NDArray[np.float64]
    carrier_power: NDArray[np.float64]
    rest_power: NDArray[np.float64]
    rest: ComplexSamples


def split_carrier(
    frames: ComplexSamples,
    rate_hz: float,
    *,
    near_hz: float | None = None,
    reach_hz: float = 0.0,
    clear: NDArray[np.bool_] | None = None,
) -> CarrierSplit:
    """Least-squares fit of one complex line to each frame.

    Parameters
    ----------
    frames : ndarray of complex64, shape (frames, n)
        n at least 8.
    rate_hz : float
    near_hz, reach_hz : float, optional
        Look for the line within `reach_hz` of `near_hz` only.
    clear : ndarray of bool, shape (frames, n), optional
        Instants to fit and to measure on; the others hold impulses. `rest` has all.

    Raises
    ------
    ValueError
        Fewer than 8 samples per frame; the message carries the number.

    Notes
    -----
    Peak of the zero-padded periodogram, refined by a parabola through the logarithms of the three
    powers at the peak: the maximum-likelihood estimate of one line in white noise (Rife and Boorstyn,
    IEEE Trans. IT 20, 1974).
    """
    count, length = frames.shape
    if length < 8:
        raise ValueError(f"a frame has {length} samples; a line needs at least 8")
    padded = scipy.fft.next_fast_len(PAD * length)
    fitted = frames if clear is None else frames * clear
    power = np.abs(scipy.fft.fft(fitted, padded, axis=1)) ** 2
    searched = power
    if near_hz is not None:
        away_hz = (np.arange(padded) * rate_hz / padded - near_hz + rate_hz / 2) % rate_hz - rate_hz / 2
        searched = np.where(np.abs(away_hz) <= max(reach_hz, rate_hz / padded), power, 0.0)
    peak = np.argmax(searched, axis=1)
    rows = np.arange(count)
    logs = [np.log(np.maximum(power[rows, (peak + step) % padded], 1e-30)) for step in (-1, 0, 1)]
    bend = logs[0] - 2 * logs[1] + logs[2]
    shift = np.where(bend < -1e-12, 0.5 * (logs[0] - logs[2]) / np.where(bend < -1e-12, bend, 1), 0.0)
    turns = (peak + np.clip(shift, -0.5, 0.5)) / padded
    turns = (turns + 0.5) % 1.0 - 0.5
    line = np.exp(2j * np.pi * turns[:, None] * np.arange(length)).astype(np.complex64)
    share = 1.0 if clear is None else np.maximum(clear.mean(axis=1), 1 / length)
    amplitude = np.einsum("fn,fn->f", fitted, line.conj()) / (length * share)
    rest = frames - amplitude[:, None].astype(np.complex64) * line
    left = rest if clear is None else rest * clear
    rest_power = np.asarray(np.mean(np.abs(left) ** 2, axis=1, dtype=np.float64)) / share
    return CarrierSplit(turns * rate_hz, np.abs(amplitude).astype(np.float64) ** 2, rest_power, rest)


def has_skirt(parts: CarrierSplit, floor: NDArray[np.float64]) -> bool:
    """May what stands beside a line be its flicker? It is more than the noise, and less than the line.

    A sub-audible tone stands in the same few hundred hertz, but at the deviations in use (350 Hz and more of
    a tone up to 254 Hz) it takes two thirds of the line's power or more: 1 less the square of J0(1.38).
    """
    rest, noise, carrier = (float(np.mean(part)) for part in (parts.rest_power, floor, parts.carrier_power))
    return rest > REST_OF_NOISE * noise and rest - noise < SKIRT_OF_CARRIER * carrier


def beside_skirt(
    parts: CarrierSplit,
    rate_hz: float,
    line_hz: float,
    band_hz: float,
    clear: NDArray[np.bool_] | None = None,
) -> CarrierSplit:
    """The same with a line's flicker taken out too: all that lies within `SKIRT_HZ` of it.

    Mixers that convert to 0 Hz put noise that falls as 1/f around their spike there. It moves no line and
    lies within some hundred hertz; modulation lies farther out.

    Parameters
    ----------
    parts : CarrierSplit
    rate_hz : float
    line_hz : float
    band_hz : float
        The channel's noise bandwidth: what is left of its noise stands for all of it.
    clear : ndarray of bool, shape (frames, n), optional
        As in :func:`split_carrier`.
    """
    length = parts.rest.shape[1]
    at_hz = np.fft.fftfreq(length, 1 / rate_hz)
    away_hz = np.abs((at_hz - line_hz + rate_hz / 2) % rate_hz - rate_hz / 2)
    kept = np.float32(np.sqrt(band_hz / (band_hz - 2 * SKIRT_HZ))) * (away_hz > SKIRT_HZ)
    rest: ComplexSamples = scipy.fft.ifft(scipy.fft.fft(parts.rest, axis=1) * kept.astype(np.float32), axis=1)
    left = rest if clear is None else rest * clear
    share = 1.0 if clear is None else np.maximum(clear.mean(axis=1), 1 / length)
    rest_power = np.asarray(np.mean(np.abs(left) ** 2, axis=1, dtype=np.float64)) / share
    return replace(parts, rest=rest, rest_power=rest_power)


def is_unmodulated(
    carrier_power: NDArray[np.float64], rest_power: NDArray[np.float64], floor: NDArray[np.float64]
) -> bool:
    """Do these frames together look like an idle carrier in noise?

    Parameters
    ----------
    carrier_power, rest_power, floor : ndarray of float64, shape (frames,)
        Of consecutive frames; about half a second of them decides well.

    Notes
    -----
    The rest of an idle carrier is the noise; averaged over 40 frames it scatters by about 1.5 %, so
    1.35 times the floor leaves room for the floor's own error. One word is enough to show modulation:
    a syllable of 50 ms that moves all of a carrier 10 dB over the noise lifts the mean by 1.
    """
    rest, noise, carrier = (float(np.mean(part)) for part in (rest_power, floor, carrier_power))
    return rest < REST_OF_NOISE * noise + REST_OF_CARRIER * carrier
