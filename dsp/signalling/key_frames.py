"""Where two tones of a keypad fill the audio: stretches of one key, with their edges and frequencies.

What counts as a key sent is decided in `dsp.signalling.dtmf`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.passage import BIN_HZ, BINS
from dsp.signalling.tone_frames import FIRST_BIN, STOP_BIN, Floats, Frames, cells, line_frequency_hz, runs

# ITU-T Q.23 (config/dtmf.csv): key 4 * row + column.
ROWS_HZ = (697.0, 770.0, 852.0, 941.0)
COLUMNS_HZ = (1209.0, 1336.0, 1477.0, 1633.0)
KEYS = "123A456B789C*0#D"
ZERO = KEYS.index("0")

LEAST_SHARE = 0.5  # of the band's power in both lines, in one frame
LEAST_SHARE_ZERO = 0.22  # a long zero is worth following down into noise
# ITU-T Q.24 accepts 8 dB with the row stronger and 4 dB with the column stronger (config/dtmf.csv names the
# source). Over radio, a sender without pre-emphasis adds 4 to 7 dB to the first, a receiver's or a
# microphone's response some to either: 13 dB and 9 dB pass here.
TWIST_ROW_DB, TWIST_COLUMN_DB = 13.0, 9.0
FRAME_TOLERANCE = 0.035
THIRD_BIN = 20

_ROWS = np.array(ROWS_HZ, np.float32)
_COLUMNS = np.array(COLUMNS_HZ, np.float32)
_LOW, _HIGH = slice(21, 32), slice(37, 55)  # bins of 656 to 969 Hz and of 1156 to 1688 Hz
_ROW_LEAST = np.float32(10 ** (-TWIST_COLUMN_DB / 10))
_COLUMN_LEAST = np.float32(10 ** (-TWIST_ROW_DB / 10))
_REACH = 8  # frames beside a run in which its edges lie


def _around() -> Floats:
    """For each tone the three or four bins that hold nearly all of it, up to 2 % off."""
    weights = np.zeros((8, BINS), np.float32)
    for number, tone_hz in enumerate((*ROWS_HZ, *COLUMNS_HZ)):
        weights[number, int(0.98 * tone_hz / BIN_HZ) : ceil(1.02 * tone_hz / BIN_HZ) + 1] = 1
    return weights


_AROUND = _around()


@dataclass(frozen=True, slots=True)
class KeyStretch:
    """One key without a break, as far as the judged frames reach.

    `share` is the mean share of the band's power in the two tones, `total` the power of the band, both where
    the tones fill the window; powers are sums over three cells. `frames` counts those windows. `third` is the
    power of the strongest line beside the two tones, over theirs; one under 625 Hz counts a quarter.
    """

    key: int
    start_s: float
    stop_s: float
    row_hz: float
    column_hz: float
    row_power: float
    column_power: float
    share: float
    third: float
    total: float
    frames: int


def key_stretches(frames: Frames) -> list[KeyStretch]:
    """The stretches of keys within the frames to judge, in order; one that goes on is cut at the seam."""
    begin, stop = frames.begin, frames.stop
    total = frames.total[begin:stop]
    tones = _AROUND @ frames.power[begin:stop].T
    low, high = tones[:4].max(axis=0), tones[4:].max(axis=0)
    both = low + high
    likely = both > np.float32(LEAST_SHARE) * total
    likely |= (tones[3] + tones[5] == both) & (both > np.float32(LEAST_SHARE_ZERO) * total)
    likely &= (low > _ROW_LEAST * high) & (high > _COLUMN_LEAST * low)
    # One frame alone is none, unless others lie beyond the seam.
    beside = np.ones(len(likely) + 2, np.bool_)
    beside[1:-1] = likely
    likely &= beside[:-2] | beside[2:]
    columns = np.flatnonzero(likely) + begin
    if not len(columns):
        return []
    if len(columns) > 1:  # nor are two of different keys, as voice makes them
        key = tones[:4, columns - begin].argmax(axis=0) * 4 + tones[4:, columns - begin].argmax(axis=0)
        pairs = (columns[1:] == columns[:-1] + 1) & (key[1:] == key[:-1])
        if not pairs.any() and columns[0] != begin and columns[-1] != stop - 1:
            return []
    keys = np.full(stop - begin, -1)
    keys[columns - begin] = _keys_of(frames.power, columns, frames.total[columns])
    found = []
    for first, last in _same_key(keys):
        whole = last - first >= 2 or first == 0 or last == len(keys)
        if whole:
            found += _cut(frames, begin + first, begin + last, int(keys[first]))
    return found


def _keys_of(power: Floats, rows: NDArray[np.intp], total: Floats) -> NDArray[np.intp]:
    """The key of each of these frames, -1 where it is none."""
    low = power[rows, _LOW].argmax(axis=1) + _LOW.start
    high = power[rows, _HIGH].argmax(axis=1) + _HIGH.start
    row_hz, column_hz = line_frequency_hz(power, rows, low), line_frequency_hz(power, rows, high)
    row, row_off = _nearest(row_hz, _ROWS)
    column, column_off = _nearest(column_hz, _COLUMNS)
    row_power, column_power = cells(power, rows, low), cells(power, rows, high)
    key = 4 * row + column
    least = np.where(key == ZERO, np.float32(LEAST_SHARE_ZERO), np.float32(LEAST_SHARE))
    good = (row_off < FRAME_TOLERANCE) & (column_off < FRAME_TOLERANCE)
    good &= row_power + column_power > least * total
    good &= (row_power > _ROW_LEAST * column_power) & (column_power > _COLUMN_LEAST * row_power)
    return np.where(good, key, -1)


def _nearest(line_hz: Floats, listed_hz: Floats) -> tuple[NDArray[np.intp], Floats]:
    off = np.abs(line_hz[:, None] / listed_hz - 1)
    nearest = off.argmin(axis=1)
    return nearest, off[np.arange(len(off)), nearest]


def _same_key(keys: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Spans of one key each."""
    spans = []
    for first, last in runs(keys >= 0):
        cuts = [first, *(first + 1 + np.flatnonzero(np.diff(keys[first:last]))).tolist(), last]
        spans += list(itertools.pairwise(cuts))
    return spans


def _cut(frames: Frames, start: int, stop: int, key: int) -> list[KeyStretch]:
    """Cut a run of frames of one key where the tones break off, and find the edges of the pieces.

    A window whose middle stands on the edge of a tone holds half of its amplitude.
    """
    first, last = max(start - _REACH, 0), min(stop + _REACH, len(frames.total))
    power = frames.power[first:last]
    inside = slice(start - first, stop - first)
    low = _strongest(power[inside], _LOW, ROWS_HZ[key // 4])
    high = _strongest(power[inside], _HIGH, COLUMNS_HZ[key % 4])
    row, column = cells(power, slice(None), low), cells(power, slice(None), high)
    # Beside a run that touches a seam its fullest window may lie.
    beside = slice(max(inside.start - 3, 0), inside.stop + 3)
    near = beside if start == frames.begin or stop == frames.stop else inside
    fullest = np.maximum(row[near].max(), 1e-30), np.maximum(column[near].max(), 1e-30)
    amplitude = np.sqrt(np.minimum(row / fullest[0], column / fullest[1]))
    earliest = frames.instant_s(frames.begin) if start == frames.begin else -np.inf
    latest = frames.instant_s(frames.stop) if stop == frames.stop else np.inf
    found = []
    for a, b in runs(amplitude > 0.5):
        if b <= inside.start or a >= inside.stop:
            continue
        rise = a - _part(amplitude, a, a - 1)
        fall = b - 1 + _part(amplitude, b - 1, b)
        start_s = max(frames.instant_s(first + rise), earliest)
        stop_s = min(frames.instant_s(first + fall), latest)
        full = np.flatnonzero(amplitude[a:b] > 0.8) + a
        full = full if len(full) else np.arange(a, b)
        lines = _lines(power[full], row[full], column[full], low, high)
        total = float(frames.total[first:last][full].mean())
        share = (lines[2] + lines[3]) / max(total, 1e-30)
        third = _third(power[full], low, high) / max(lines[2] + lines[3], 1e-30)
        found.append(KeyStretch(key, start_s, stop_s, *lines, min(share, 1.0), third, total, len(full)))
    return found


def _strongest(power: Floats, group: slice, listed_hz: float) -> int:
    """The bin in which a line near the listed frequency stands over these frames."""
    mean = power[:, group].sum(axis=0)
    away = np.abs(np.arange(group.start, group.stop) * 31.25 - listed_hz)
    return int(np.where(away < 0.05 * listed_hz + 16, mean, 0).argmax()) + int(group.start)


def _lines(
    power: Floats, row: Floats, column: Floats, low: int, high: int
) -> tuple[float, float, float, float]:
    """Mean frequencies and powers of the two lines."""
    mean = power.sum(axis=0)[None]
    zero = np.zeros(1, np.intp)
    row_hz = line_frequency_hz(mean, zero, np.array([low]))
    column_hz = line_frequency_hz(mean, zero, np.array([high]))
    return float(row_hz[0]), float(column_hz[0]), float(row.mean()), float(column.mean())


def _third(power: Floats, low: int, high: int) -> float:
    """Power of the strongest line beside two others; under 625 Hz, where clicks are, a quarter of it."""
    rest = power.mean(axis=0)
    rest[low - 3 : low + 4] = 0
    rest[high - 3 : high + 4] = 0
    rest[:FIRST_BIN] = 0
    line = (
        rest[FIRST_BIN - 1 : STOP_BIN - 2] + rest[FIRST_BIN : STOP_BIN - 1] + rest[FIRST_BIN + 1 : STOP_BIN]
    )
    below = THIRD_BIN - FIRST_BIN
    return float(max(line[:below].max() / 4, line[below:].max()))


def _part(amplitude: Floats, inner: int, outer: int) -> float:
    """How far from the inner frame towards the outer the amplitude passes a half."""
    if not 0 <= outer < len(amplitude):
        return 0.0
    above, under = float(amplitude[inner]), float(amplitude[outer])
    return float((above - 0.5) / (above - under))
