"""What tells the kinds of sound apart, measured on each tenth of a second of a passage.

Everything comes from the short-time spectra that the passage brings along; a second costs a handful of
array operations. It measures and decides nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.passage import BIN_HZ, HOP_SAMPLES, RATE_HZ, WINDOW_SAMPLES, Passage

BLOCK_HOPS = 10
BLOCK_S = BLOCK_HOPS * HOP_SAMPLES / RATE_HZ
FRAME_HOPS = 2  # two spectra are averaged to one frame
_FRAMES = BLOCK_HOPS // FRAME_HOPS
LEAST_BLOCK_HOPS = 6  # a shorter rest at the end is not looked at

MEASURES = ("level", "but_one", "but_two", "harmony", "red", "middle", "top", "steady", "roll")
MEASURE_COUNT = len(MEASURES)

_FIRST_BIN, _LAST_BIN = 10, 95  # 312 to 2969 Hz
_NEIGHBOURS = np.arange(-3, 4)
_LEAST_POWER = np.float32(1e-6)

# Where a voice's period is looked for: 80 to 400 Hz, every 1/8 ms.
_PERIODS_S = np.arange(20, 101) / 8000.0


def _period_waves() -> NDArray[np.float32]:
    """Cosines that turn a power spectrum into its autocorrelation at the periods of a voice.

    Divided by most of what the taper takes away at that lag (its own autocorrelation to the power of
    0.75: all of it would lift the noise at long lags too far).
    """
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(WINDOW_SAMPLES) + 0.5) / WINDOW_SAMPLES)
    lags = np.rint(_PERIODS_S * RATE_HZ).astype(int)
    kept = np.array([np.dot(hann[lag:], hann[: WINDOW_SAMPLES - lag]) for lag in lags]) / np.dot(hann, hann)
    bins_hz = BIN_HZ * np.arange(_FIRST_BIN, _LAST_BIN + 1)
    waves = np.cos(2 * np.pi * np.outer(bins_hz, lags / RATE_HZ)) / kept**0.75
    return np.asarray(waves, dtype=np.float32)


_WAVES = _period_waves()


def _band(low_hz: float, high_hz: float) -> slice:
    """Columns of the cut spectra whose bins lie in a band."""
    return slice(int(np.ceil(low_hz / BIN_HZ)) - _FIRST_BIN, int(high_hz / BIN_HZ) + 1 - _FIRST_BIN)


_RED, _GREEN = _band(312, 800), _band(1100, 1900)
_MIDDLE, _TOP, _UNDER_TOP = _band(1100, 2350), _band(2650, 2940), _band(2000, 2400)


def measure_blocks(passage: Passage) -> NDArray[np.float32]:
    """The measures of every tenth of a second.

    Parameters
    ----------
    passage : Passage

    Returns
    -------
    ndarray of float32, shape (blocks, MEASURE_COUNT)
        In this order, natural logarithms throughout but for the last but one:
        `level`, power of the bins from 312 to 2969 Hz, summed; `but_one`, `but_two`, share of the power that
        lies outside the strongest line, the two strongest lines (94 Hz each); `harmony`, 1 less the highest
        normalized autocorrelation between 2.5 and 12.5 ms; `red`, power at 312 to 800 Hz over that at
        1100 to 1900 Hz;
        `middle`, share at 1100 to 2350 Hz; `top`, share at 2650 to 2940 Hz; `steady`, share of the frames
        (20 ms) whose strongest line moved by 31 Hz at most; `roll`, power at 2000 to 2400 Hz over that at
        2650 to 2940 Hz. Blocks that hold anything that is not finite are left out.
    """
    spectra = passage.spectra
    rest = len(spectra) % BLOCK_HOPS
    if rest >= LEAST_BLOCK_HOPS:  # fill the last block with its own end
        spectra = np.concatenate([spectra, spectra[rest - BLOCK_HOPS :]])
    hops = len(spectra) // BLOCK_HOPS * BLOCK_HOPS
    if not hops:
        return np.zeros((0, MEASURE_COUNT), np.float32)
    with np.errstate(all="ignore"):  # what is not finite is left out below
        out = _measures(spectra[:hops, _FIRST_BIN : _LAST_BIN + 1])
    return out[np.isfinite(out).all(axis=1)]


def _measures(cut: NDArray[np.float32]) -> NDArray[np.float32]:
    """The measures of whole blocks, whatever the spectra hold."""
    frames = cut[0::2] + cut[1::2]
    frames += _LEAST_POWER
    total = frames.sum(axis=1)
    lines = frames[:, :-2] + frames[:, 1:-1]
    lines += frames[:, 2:]
    rows = np.arange(len(frames))
    strongest = lines.argmax(axis=1)
    but_one = total - lines[rows, strongest]
    around = np.clip(strongest[:, None] + _NEIGHBOURS, 0, lines.shape[1] - 1)
    lines[rows[:, None], around] = 0
    but_two = but_one - lines.max(axis=1)
    harmony = total - (frames @ _WAVES).max(axis=1)
    moved = np.abs(np.diff(strongest, prepend=strongest[:1])) <= 1

    blocks = frames.reshape(-1, _FRAMES, frames.shape[1]).sum(axis=1)
    power = blocks.sum(axis=1)
    out = np.empty((len(blocks), MEASURE_COUNT), np.float32)
    out[:, 0] = power / (FRAME_HOPS * _FRAMES)
    shares = np.stack([but_one, but_two, harmony]) / total
    out[:, 1:4] = np.maximum(shares, 0.003).reshape(3, -1, _FRAMES).mean(axis=2).T
    out[:, 4] = blocks[:, _RED].sum(axis=1) / blocks[:, _GREEN].sum(axis=1)
    out[:, 5] = blocks[:, _MIDDLE].sum(axis=1) / power
    top = blocks[:, _TOP].sum(axis=1)
    out[:, 6] = top / power
    out[:, 8] = blocks[:, _UNDER_TOP].sum(axis=1) / top
    out[:, 7] = 1.0
    np.log(out, out=out)
    out[:, 7] = moved.reshape(-1, _FRAMES).mean(axis=1)
    return out
