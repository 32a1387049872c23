"""Loudness of a finished clip: one slow gain from its speech, peaks held, open-squelch noise turned down.

Works on the whole clip at once, so it can look ahead; nothing here runs while a transmission is on the air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d, uniform_filter1d

from dsp.blocks import RealSamples

#: Speech while it is spoken, rms against a full-scale sine. Common practice, no source.
TARGET_DBFS = -20.0
#: A voice weaker than this below the target stays weaker: more would only lift noise.
LARGEST_BOOST_DB = 20.0
#: No sample beyond this; a lossy codec later on may overshoot by a decibel.
CEILING_DBFS = -1.0
#: Below the speech target lies the open-squelch noise before and after the carrier ...
NOISE_BELOW_TARGET_DB = 12.0
#: ... turned down by no less and no more than this against the gain of the speech: never muted.
NOISE_REDUCTION_DB = (12.0, 36.0)

_STEP_S = 0.005  # the gain is a line from step to step; peaks are looked up by step
_STEPS_PER_BLOCK = 4  # 20 ms: the length over which speech is taken as steady
_CONSTANT_GAIN_S = 8.0  # shorter clips have one gain
_AROUND_BLOCKS = 401  # 8 s: what the gain of a long clip looks at, most at the middle
_LEAST_SPEECH_SHARE = 0.1  # of that; with less speech in sight no level is taken
_FLOOR_BLOCKS = 301  # 6 s: less than the above, so that a long pause is its own floor before it is loud
_SMOOTH_BLOCKS = 101  # 2 s, over the level in dB: the average of powers alone jumps ahead of a loud voice
_STEADY_DB = 6.0  # a level that wanders by less than this is one voice: one gain
_GATE_DB = 10.0  # this far under the mean around it is a pause: relative gate of ITU-R BS.1770, from memory
_ABOVE_FLOOR_DB = 6.0  # speech stands this far over the quietest 100 ms around
_SPREAD_STEPS = 1  # 5 ms: what the voice filter lets of the noise outside into the carrier
_RAMP_STEPS = 2  # 10 ms
_LIMITER_STEPS = 9  # 45 ms, centred: attack and release of 22 ms each
_CHUNK_STEPS = 800  # 4 s: work arrays that stay in the cache
_FULL_SCALE = 32768.0


@dataclass(frozen=True, slots=True, eq=False)
class LevelledClip:
    """A clip at listening loudness.

    Parameters
    ----------
    samples : ndarray of int16, shape (n,)
    speech_gain_db : float
        Median of the gain while the carrier was up, before the limiter.
    limited_share : float
        0 to 1, share of the clip in which the limiter held peaks down.
    """

    samples: NDArray[np.int16]
    speech_gain_db: float
    limited_share: float


def level_clip(
    samples: RealSamples | NDArray[np.int16],
    audio_rate_hz: int,
    rise_frame: int,
    fall_frame: int,
) -> LevelledClip:
    """Bring the speech of a finished clip to one loudness.

    Parameters
    ----------
    samples : ndarray of float32 or int16, shape (n,)
        Mono; full scale is 1 (float32) or 32768 (int16).
    audio_rate_hz : int
        8000 or more.
    rise_frame, fall_frame : int
        The carrier was up in `[rise_frame, fall_frame)`.

    Returns
    -------
    LevelledClip
        As many frames as came. Silence and an empty clip come back as they are.

    Raises
    ------
    TypeError
        `samples` is neither float32 nor int16, or not one-dimensional.
    ValueError
        The carrier's frames do not lie in order within the clip, or the rate is too low.

    Notes
    -----
    The speech level is the mean power of the 20 ms blocks that are speech: no more than 10 dB under the
    mean of the 8 s around them and at least 6 dB over the quietest 100 ms near; where nothing is, as with a
    steady tone, all that is loud counts. Clips up to 8 s, and longer ones in which the level stays within 6
    dB, get one constant gain; else the gain follows the level over about 4 s either way and runs in a line
    through pauses. Around peaks over the ceiling a limiter that sees 22 ms ahead lowers the gain just
    enough: a steady tone passes it undistorted.

    Examples
    --------
    >>> import numpy as np
    >>> quiet = (0.01 * np.sin(2 * np.pi * 1000 * np.arange(16000) / 16000)).astype(np.float32)
    >>> clip = level_clip(quiet, 16000, 0, 16000)
    >>> round(clip.speech_gain_db, 1), int(clip.samples.max())
    (20.0, 3277)
    """
    if samples.ndim != 1 or samples.dtype not in (np.float32, np.int16):
        raise TypeError(
            f"samples are {samples.dtype} with {samples.ndim} dimensions; "
            "they must be float32 or int16 with one"
        )
    if audio_rate_hz < 8000:
        raise ValueError(f"audio_rate_hz is {audio_rate_hz}; it must be 8000 or more")
    count = len(samples)
    if not 0 <= rise_frame <= fall_frame <= count:
        raise ValueError(
            f"the carrier rises at frame {rise_frame} and falls at {fall_frame}; "
            f"both must lie in order within the clip's {count} frames"
        )
    step = round(audio_rate_hz * _STEP_S)
    power, peak = _measure_steps(samples, step)
    steps = len(power)
    up = slice(min(-(-rise_frame // step), steps), min(fall_frame // step, steps))
    if up.stop < up.start:  # within one step
        up = slice(up.stop, up.start)

    speech_gain = _speech_gain(power[up])
    curve = np.ones(steps + 1)  # at the edges of the steps
    if len(speech_gain):
        centres = up.start + _STEPS_PER_BLOCK * (np.arange(len(speech_gain)) + 0.5)
        curve = np.interp(np.arange(steps + 1), centres, speech_gain)
        curve *= _outside_reduction(curve, power, up)
    least_headroom = 10 ** (CEILING_DBFS / 20) / np.maximum(peak * np.maximum(curve[:-1], curve[1:]), 1e-30)
    limiter = _limiter(np.minimum(least_headroom, 1.0))
    return LevelledClip(
        samples=_apply(samples, step, curve * limiter),
        speech_gain_db=float(20 * np.log10(np.median(speech_gain))) if len(speech_gain) else 0.0,
        limited_share=float(np.mean(limiter < 0.999)) if steps else 0.0,
    )


def _chunks(samples: RealSamples | NDArray[np.int16], step: int) -> list[tuple[int, int]]:
    length = step * _CHUNK_STEPS
    return [(at, min(at + length, len(samples))) for at in range(0, len(samples), length)]


def _as_steps(piece: RealSamples | NDArray[np.int16], step: int) -> RealSamples:
    """The samples as float32 at full scale 1, one step a row; a short last step is filled with zeros."""
    steps = -(-len(piece) // step)
    rows = (
        np.zeros(steps * step, np.float32) if steps * step > len(piece) else np.empty(len(piece), np.float32)
    )
    if piece.dtype == np.int16:
        np.multiply(piece, np.float32(1 / _FULL_SCALE), out=rows[: len(piece)])
    else:
        rows[: len(piece)] = piece
    return rows.reshape(steps, step)


def _measure_steps(
    samples: RealSamples | NDArray[np.int16], step: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean square and greatest magnitude of each step."""
    powers, peaks = [np.zeros(0)], [np.zeros(0)]
    for start, stop in _chunks(samples, step):
        rows = _as_steps(samples[start:stop], step)
        powers.append(np.einsum("ij,ij->i", rows, rows).astype(np.float64) / step)
        np.abs(rows, out=rows)
        peaks.append(rows.max(axis=1).astype(np.float64))
    return np.concatenate(powers), np.concatenate(peaks)


def _speech_gain(step_power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain for each 20 ms block of the time the carrier was up; empty if that is shorter than one block."""
    blocks = len(step_power) // _STEPS_PER_BLOCK
    if blocks == 0:
        return np.zeros(0)
    power = step_power[: blocks * _STEPS_PER_BLOCK].reshape(blocks, _STEPS_PER_BLOCK).mean(axis=1)
    is_long = blocks * _STEPS_PER_BLOCK * _STEP_S > _CONSTANT_GAIN_S
    around = _slow_average(power) / _slow_average(np.ones(blocks)) if is_long else power.mean()
    loud = power >= around * 10 ** (-_GATE_DB / 10)
    floor = minimum_filter1d(uniform_filter1d(power, 5, mode="nearest"), _FLOOR_BLOCKS, mode="nearest")
    speech = loud & (power >= floor * 10 ** (_ABOVE_FLOOR_DB / 10))
    if not speech.any():
        speech = loud
    overall = float(power[speech].mean())
    if overall < 1e-14:  # nothing but zeros
        return np.ones(blocks)
    level_db = np.full(blocks, 10 * np.log10(overall))
    if is_long:
        share = _slow_average(speech.astype(np.float64))
        known = np.flatnonzero(share >= _LEAST_SPEECH_SHARE)
        if len(known):
            # where nobody speaks the line runs from the last voice to the next
            known_db = 10 * np.log10(_slow_average(power * speech)[known] / share[known])
            if known_db.max() - known_db.min() > _STEADY_DB:
                line_db = np.interp(np.arange(blocks), known, known_db)
                level_db = uniform_filter1d(line_db, _SMOOTH_BLOCKS, mode="nearest")
    gain_db = np.minimum(TARGET_DBFS - 10 * np.log10(2) - level_db, LARGEST_BOOST_DB)
    gain: NDArray[np.float64] = 10 ** (gain_db / 20)
    return gain


def _slow_average(of_blocks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Centred triangular average over `_AROUND_BLOCKS`, zeros beyond the ends."""
    size = _AROUND_BLOCKS // 2 | 1  # odd, hence centred
    once = uniform_filter1d(of_blocks, size, mode="constant")
    twice: NDArray[np.float64] = np.maximum(uniform_filter1d(once, size, mode="constant"), 0.0)
    return twice


def _outside_reduction(
    curve: NDArray[np.float64], power: NDArray[np.float64], up: slice
) -> NDArray[np.float64]:
    """Factor at each step edge that turns the time without carrier down.

    The voice filter spreads the noise of the open squelch a few milliseconds into the carrier: the reduction
    holds as far, and its ramp lies inside.
    """
    steps = len(power)
    factor = np.ones(steps + 1)
    least, most = (10 ** (-db / 20) for db in NOISE_REDUCTION_DB)
    wanted_rms = 10 ** ((TARGET_DBFS - NOISE_BELOW_TARGET_DB) / 20) / np.sqrt(2)
    reach = min(_SPREAD_STEPS, max(up.stop - up.start - _RAMP_STEPS, 0) // 2)
    ramp = np.linspace(0, 1, _RAMP_STEPS + 1)[1:-1]
    for outside, gain_there, is_before in (
        (power[: up.start], curve[up.start], True),
        (power[up.stop :], curve[up.stop], False),
    ):
        if len(outside):
            noise_rms = np.sqrt(outside.mean()) * gain_there
            reduction = np.clip(wanted_rms / max(noise_rms, 1e-12), most, least)
            edges = factor if is_before else factor[::-1]
            held = reach + 1 + (up.start if is_before else steps - up.stop)
            edges[:held] = reduction
            inner = edges[held : held + len(ramp)]
            inner *= reduction ** (1 - ramp[: len(inner)])
    return factor


def _limiter(headroom: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain at the step edges, at most 1, that keeps every step within its `headroom`.

    The least headroom within reach, averaged over the same reach: every term of the average at an edge is at
    most the headroom of the steps beside it, and a line between two edges stays under their greater.
    """
    if len(headroom) == 0 or headroom.min() >= 1.0:
        return np.ones(len(headroom) + 1)
    beside = np.minimum(np.append(headroom, 1.0), np.insert(headroom, 0, 1.0))
    held = minimum_filter1d(beside, _LIMITER_STEPS, mode="nearest")
    smooth: NDArray[np.float64] = uniform_filter1d(held, _LIMITER_STEPS, mode="nearest")
    return smooth


def _apply(
    samples: RealSamples | NDArray[np.int16], step: int, curve: NDArray[np.float64]
) -> NDArray[np.int16]:
    """The clip times the gain curve, rounded to int16."""
    levelled = np.empty(len(samples), np.int16)
    scaled = (curve * _FULL_SCALE).astype(np.float32)
    along = np.arange(step, dtype=np.float32) / np.float32(step)
    for start, stop in _chunks(samples, step):
        rows = _as_steps(samples[start:stop], step)
        first = start // step
        edges = scaled[first : first + len(rows) + 1]
        gain = np.diff(edges)[:, None] * along
        gain += edges[:-1, None]
        rows *= gain
        np.rint(rows, out=rows)
        levelled[start:stop] = rows.reshape(-1)[: stop - start]
    return levelled
