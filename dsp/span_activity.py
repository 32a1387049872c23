"""What comes and goes in a kept picture of the span, and what is always there.

Everything is judged against the floor of its own row, the median over the neighbourhood in frequency (ordered
statistics, as in :mod:`dsp.noise_floor`), so that a rise of the whole band shows nothing. What a column shows
in most rows, a carrier that never stops or the slope of the radio's own filter, is that column's habit: only
what rises over it comes and goes.

A column of width B measured over T seconds of noise is a mean of about B T independent exponential powers, so
twice that many degrees of freedom of the chi-square law (Urkowitz, Proc. IEEE 55, 1967, for the energy
detector). With 2 kHz and 0.2 s a rise of 3 dB by chance has a probability under 1e-30: what limits the
threshold is not noise but how evenly the floor is known, and 3 dB is far over that too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainccinv

from dsp.spectrum_rows import STEP_DB

LEAST_RISE_DB = 3.0
FALSE_RATE = 1e-12  # of one column in one row: a year of rows of 1200 columns holds 6e9
BLOCK_COLUMNS = 16  # 32 kHz: a signal of 11 kHz fills less than half of it
LEAST_COLUMNS = 2 * BLOCK_COLUMNS  # a narrower span shows no neighbourhood
HABIT_SHARE = 0.25  # of the rows, lowest first: a column's habit is what it shows in three quarters
REFERENCE_HZ = 11_000.0  # ratios are told in the pass band of a narrow channel
IMAGE_DB = 20.0  # a mirror image of a cheap radio lies this far under its original, or farther
_HABIT_STEPS = 512

Steps = NDArray[np.uint8]
Decibels = NDArray[np.float32]


def least_rise_db(column_hz: float, seconds: float) -> float:
    """The rise over its floor at which a column is lit, dB; see the module for the law.

    Parameters
    ----------
    column_hz, seconds : float
        What one power was measured over. Half of the product counts: the taper and the overlap of the frames
        leave somewhat less than all of it independent.
    """
    looks = max(column_hz * seconds / 2, 1.0)
    return max(LEAST_RISE_DB, float(10 * np.log10(gammainccinv(looks, FALSE_RATE) / looks)) + STEP_DB)


def row_floors(steps: Steps) -> Decibels:
    """The floor around each column in each row.

    Parameters
    ----------
    steps : ndarray of uint8, shape (rows, columns)
        Half decibels over any reference; at least `LEAST_COLUMNS` columns.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        dB over that reference: medians of blocks of 32 kHz, each replaced by the median of five, joined by
        straight lines.
    """
    rows, columns = steps.shape
    blocks = columns // BLOCK_COLUMNS
    whole = steps[:, : blocks * BLOCK_COLUMNS].reshape(rows, blocks, BLOCK_COLUMNS)
    half = BLOCK_COLUMNS // 2
    middle = np.partition(whole, (half - 1, half), axis=2)[:, :, half - 1 : half + 1]
    medians = middle.mean(axis=2, dtype=np.float32)
    padded = np.pad(medians, ((0, 0), (2, 2)), mode="reflect" if blocks > 2 else "edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5, axis=1), axis=2)
    at = np.clip((np.arange(columns) - (BLOCK_COLUMNS - 1) / 2) / BLOCK_COLUMNS, 0, blocks - 1)
    left = np.minimum(at.astype(np.intp), max(blocks - 2, 0))
    right = np.minimum(left + 1, blocks - 1)
    part = (at - left).astype(np.float32)
    floors: Decibels = (smooth[:, left] * (1 - part) + smooth[:, right] * part) * np.float32(STEP_DB)
    return floors


class Habits:
    """How far each column usually lies over its floor, gathered over any number of rows in fixed memory.

    Parameters
    ----------
    columns : int
    """

    def __init__(self, columns: int) -> None:
        self._counts = np.zeros((columns, _HABIT_STEPS), np.int64)

    def add(self, mean: Steps, floors: Decibels, weight: int) -> None:
        """Take rows of means with their floors, each of them counted `weight` times."""
        over = np.rint(mean - floors / np.float32(STEP_DB)).astype(np.int64) + _HABIT_STEPS // 2
        np.clip(over, 0, _HABIT_STEPS - 1, out=over)
        columns = np.broadcast_to(np.arange(len(self._counts)), over.shape)
        np.add.at(self._counts, (columns, over), weight)

    def usual_db(self) -> Decibels:
        """Shape (columns,): what each column lies over its floor in three quarters of the time, dB."""
        summed = self._counts.cumsum(axis=1)
        wanted = HABIT_SHARE * summed[:, -1:]
        at = (summed < wanted).sum(axis=1)
        usual: Decibels = ((at - _HABIT_STEPS // 2) * STEP_DB).astype(np.float32)
        return usual


@dataclass(frozen=True, slots=True, eq=False)
class LitRuns:
    """Neighbouring lit columns, one entry a row and signal.

    Parameters
    ----------
    row, first, stop : ndarray of intp, shape (n,)
        Row, and half-open range of columns.
    middle : ndarray of float64, shape (n,)
        Power-weighted middle, in columns.
    snr_db : ndarray of float64, shape (n,)
        Power over floor and habit at its busiest, over the noise of 11 kHz.
    duty : ndarray of float64, shape (n,)
        Share of the row in which it was on the air, 0 to 1: mean over busiest power.
    """

    row: NDArray[np.intp]
    first: NDArray[np.intp]
    stop: NDArray[np.intp]
    middle: NDArray[np.float64]
    snr_db: NDArray[np.float64]
    duty: NDArray[np.float64]


def lit_runs(mean: Steps, peak: Steps, usual_db: Decibels, column_hz: float, slice_s: float) -> LitRuns:
    """What rises over its floor and its habit, in each row.

    Parameters
    ----------
    mean, peak : ndarray of uint8, shape (rows, columns)
    usual_db : ndarray of float32, shape (columns,)
        From `Habits`.
    column_hz : float
    slice_s : float
        What the peak was taken over.

    Notes
    -----
    A run is left out as an image where the mirrored columns hold one that is 20 dB stronger or more.
    """
    columns = peak.shape[1]
    habit = np.maximum(usual_db, 0.0)
    floors = row_floors(peak) + habit
    over = peak * np.float32(STEP_DB) - floors
    lit = over > least_rise_db(column_hz, slice_s)
    lit_rows = np.flatnonzero(lit.any(axis=1))
    lit, over, mean = lit[lit_rows], over[lit_rows], mean[lit_rows]
    joined = lit.copy()  # one dark column does not part a signal
    joined[:, 1:-1] |= lit[:, :-2] & lit[:, 2:]
    edges = np.diff(np.pad(joined, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, first = np.nonzero(edges == 1)
    stop = np.nonzero(edges == -1)[1]
    # Powers relative to the floor of each column, summed over the run.
    busiest = np.maximum(10 ** (over / 10) - 1, 0.0).astype(np.float64)
    mean_over = mean * np.float32(STEP_DB) - (row_floors(mean) + habit)
    lasting = np.maximum(10 ** (mean_over / 10) - 1, 0.0).astype(np.float64)
    power = _sums(busiest, row, first, stop)
    lasted = _sums(lasting, row, first, stop)
    middle = _sums(busiest * np.arange(columns), row, first, stop) / np.maximum(power, 1e-30)
    snr_db = 10 * np.log10(np.maximum(power * column_hz / REFERENCE_HZ, 1e-30))
    kept = ~_images(row, middle, snr_db, columns)
    row = lit_rows[row]
    duty = np.clip(lasted / np.maximum(power, 1e-30), 0.0, 1.0)
    return LitRuns(row[kept], first[kept], stop[kept], middle[kept], snr_db[kept], duty[kept])


def _sums(
    values: NDArray[np.float64], row: NDArray[np.intp], first: NDArray[np.intp], stop: NDArray[np.intp]
) -> NDArray[np.float64]:
    added = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
    summed: NDArray[np.float64] = added[row, stop] - added[row, first]
    return summed


def _images(
    row: NDArray[np.intp], middle: NDArray[np.float64], snr_db: NDArray[np.float64], columns: int
) -> NDArray[np.bool_]:
    """Which runs mirror a much stronger one of the same row."""
    found = np.zeros(len(row), np.bool_)
    strong = np.flatnonzero(snr_db > IMAGE_DB)
    for at in strong:
        mirrored = (columns - 1) - middle[at]
        same = slice(*np.searchsorted(row, [row[at], row[at] + 1]))
        near = np.abs(middle[same] - mirrored) <= 3
        found[same] |= near & (snr_db[same] < snr_db[at] - IMAGE_DB)
    return found


def places_in(
    hz: NDArray[np.float64], weights: NDArray[np.float64], reach_hz: float
) -> list[NDArray[np.intp]]:
    """Which of many frequencies belong to one place each, the heaviest place first.

    Parameters
    ----------
    hz : ndarray of float64, shape (n,)
        In order.
    weights : ndarray of float64, shape (n,)
    reach_hz : float
        A place takes what lies this near to its weightiest stretch, which is as wide.

    Returns
    -------
    list of ndarray of intp
        Indices, each in one place; what stands between two places does not join them.
    """
    left, places = np.arange(len(hz)), []
    while len(left):
        at = hz[left]
        added = np.concatenate([[0.0], np.cumsum(weights[left])])
        first = np.searchsorted(at, at - reach_hz / 2)
        stop = np.searchsorted(at, at + reach_hz / 2, side="right")
        best = int(np.argmax(added[stop] - added[first]))
        middle = float(np.median(at[first[best] : stop[best]]))
        inside = np.abs(at - middle) <= reach_hz
        inside[best] = True
        places.append(left[inside])
        left = left[~inside]
    return places


@dataclass(frozen=True, slots=True)
class SteadyLine:
    """What a column range shows all the time.

    Parameters
    ----------
    first, stop : int
        Half-open range of columns.
    middle : float
        Power-weighted, in columns.
    over_db : float
        Of its strongest column over what lies around it.
    """

    first: int
    stop: int
    middle: float
    over_db: float


def steady_lines(usual_db: Decibels, rise_db: float = 2 * LEAST_RISE_DB) -> list[SteadyLine]:
    """What never stops: columns whose habit stands over that of the 32 kHz around them."""
    columns = len(usual_db)
    padded = np.pad(usual_db, BLOCK_COLUMNS, mode="edge")
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * BLOCK_COLUMNS + 1), axis=1)
    over = usual_db - around
    edges = np.diff(np.pad(over > rise_db, 1).astype(np.int8))
    lines = []
    for first, stop in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        power = 10 ** (over[first:stop].astype(np.float64) / 10)
        middle = float((power * np.arange(first, stop)).sum() / power.sum())
        lines.append(SteadyLine(int(first), int(stop), middle, float(over[first:stop].max())))
    assert all(0 <= line.first < line.stop <= columns for line in lines)
    return lines
