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
_SEVEN = np.arange(7)
_LEAST_POWER = np.float32(1e-6)
_LEAST_SHARE = np.float32(0.003)

# Where a voice's period is looked for: 80 to 400 Hz, every 1/8 ms.
_PERIODS_S = np.arange(20, 101) / 8000.0


def _period_waves() -> NDArray[np.float32]:
    """Cosines that turn a power spectrum into its autocorrelation at a voice's periods; last a column of 1.

    Divided by most of what the taper takes away at that lag (its own autocorrelation to the power of
    0.75: all of it would lift the noise at long lags too far).
    """
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(WINDOW_SAMPLES) + 0.5) / WINDOW_SAMPLES)
    lags = np.rint(_PERIODS_S * RATE_HZ).astype(int)
    kept = np.array([np.dot(hann[lag:], hann[: WINDOW_SAMPLES - lag]) for lag in lags]) / np.dot(hann, hann)
    bins_hz = BIN_HZ * np.arange(_FIRST_BIN, _LAST_BIN + 1)
    waves = np.cos(2 * np.pi * np.outer(bins_hz, lags / RATE_HZ)) / kept**0.75
    return np.ascontiguousarray(np.column_stack([waves, np.ones(len(bins_hz))]), dtype=np.float32)


_WAVES = _period_waves()


def _bands() -> NDArray[np.float32]:
    """Columns that add up the bins of the bands that are compared, and of all."""
    bins_hz = BIN_HZ * np.arange(_FIRST_BIN, _LAST_BIN + 1)
    edges_hz = ((312, 800), (1100, 1900), (1100, 2350), (2650, 2940), (2000, 2400), (0, 4000))
    columns = [(bins_hz >= low_hz) & (bins_hz <= high_hz) for low_hz, high_hz in edges_hz]
    return np.ascontiguousarray(np.array(columns, dtype=np.float32).T)


_BANDS = _bands()
# Which logarithms make which measure: power, red over green, middle and top over all, under top over top.
_FROM_BANDS = np.array([0, 4, 5, 6, 8])
_COMPARED = np.array(
    [
        [0, 1, 0, 0, 0],
        [0, -1, 0, 0, 0],
        [0, 0, 1, 0, 0],
        [0, 0, 0, 1, -1],
        [0, 0, 0, 0, 1],
        [1, 0, -1, -1, 0],
    ],
    dtype=np.float32,
)
_LOG_HOPS = np.float32(np.log(BLOCK_HOPS))


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
    likeness = frames @ _WAVES
    total = likeness[:, -1]
    lines = frames[:, :-2] + frames[:, 1:-1]
    lines += frames[:, 2:]
    flat = lines.reshape(-1)
    columns = lines.shape[1]
    starts = np.arange(0, len(flat), columns)
    strongest = lines.argmax(axis=1)
    explained = np.empty((len(frames), 4), np.float32)
    explained[:, 0] = flat[strongest + starts]
    # The line and three columns either side; at the rim seven that hold it.
    first = np.minimum(np.maximum(strongest - 3, 0), columns - 7) + starts
    flat[first[:, None] + _SEVEN] = 0
    np.add(explained[:, 0], lines.max(axis=1), out=explained[:, 1])
    likeness[:, :-1].max(axis=1, out=explained[:, 2])
    explained /= total[:, None]
    np.subtract(1.0, explained, out=explained)
    np.maximum(explained, _LEAST_SHARE, out=explained)
    explained[0, 3] = 1.0
    explained[1:, 3] = np.abs(strongest[1:] - strongest[:-1]) <= 1

    blocks = len(frames) // _FRAMES
    means = explained.reshape(blocks, _FRAMES, 4).sum(axis=1)
    means /= _FRAMES
    out = np.empty((blocks, MEASURE_COUNT), np.float32)
    out[:, 7] = means[:, 3]
    np.log(means, out=means)
    out[:, 1:4] = means[:, :3]
    bands = frames.reshape(blocks, _FRAMES, -1).sum(axis=1) @ _BANDS
    np.log(bands, out=bands)
    out[:, _FROM_BANDS] = bands @ _COMPARED
    out[:, 0] -= _LOG_HOPS
    return out
