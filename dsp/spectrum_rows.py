"""A small running picture of the whole span: for each row of seconds mean and busiest moment of every column.

It is made from the coarse spectrum that the noise floor needs anyway, so it costs a few additions a slice.
The mean tells what lasts; the busiest slice (about 0.2 s) tells what was short, which a mean of many seconds
would bury.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.channelizer import FRAMES_PER_SLICE
from dsp.filter_bank_design import CELL_BINS, BankShape

MOST_COLUMNS = 1600
"""3.2 MS/s in columns of 2 kHz, so narrow that a channel of 12.5 kHz has five; wider spans, wider columns."""

STEP_DB = 0.5  # ten rows of noise scatter by less than this, so a finer step would keep noise
RANGE_STEPS = 255
BELOW_FLOOR_DB = 32.0  # room under the chunk's median for the parts a tuner never fills
SILENT_DBFS = -200.0  # what stands for no power at all


@dataclass(frozen=True, slots=True)
class ColumnGrid:
    """Where the columns lie.

    Parameters
    ----------
    columns : int
        Across the whole span, lowest frequency first.
    column_hz : float
    cells : int
        Cells of the coarse spectrum in one column.
    slice_s : float
        Length of the moment that the peak is taken over.
    slice_samples : int
        The same in input samples.
    """

    columns: int
    column_hz: float
    cells: int
    slice_s: float
    slice_samples: int

    @classmethod
    def of(cls, shape: BankShape) -> ColumnGrid:
        """The grid of a filter bank: one cell a column, or as few as stay within `MOST_COLUMNS`."""
        cells = shape.fft_length // CELL_BINS
        each = next(n for n in range(1, cells + 1) if cells % n == 0 and cells // n <= MOST_COLUMNS)
        return cls(
            columns=cells // each,
            column_hz=shape.bin_hz * CELL_BINS * each,
            cells=each,
            slice_s=FRAMES_PER_SLICE * shape.hop_seconds,
            slice_samples=FRAMES_PER_SLICE * shape.hop_samples,
        )

    def slices_in(self, seconds: float) -> int:
        """Whole slices nearest to a length, one at least."""
        return max(1, round(seconds / self.slice_s))


@dataclass(frozen=True, slots=True, eq=False)
class SpectrumRow:
    """Some consecutive slices of the whole span.

    Parameters
    ----------
    first_slice, slices : int
        Counted from the start of the stretch.
    mean : ndarray of float32, shape (columns,)
        Mean power in each column; white noise of power P sums to P over all of them.
    peak : ndarray of float32, shape (columns,)
        Mean power of each column's busiest slice.
    """

    first_slice: int
    slices: int
    mean: NDArray[np.float32]
    peak: NDArray[np.float32]


class SpectrumRows:
    """Gather slices of the coarse spectrum into rows, streaming.

    Parameters
    ----------
    grid : ColumnGrid

    Notes
    -----
    `row_slices` may be set at any time and holds from the next row on. The slices lie on a fixed grid of the
    sample count, so the rows do not depend on how the stream was cut into blocks. What is left of a slice at
    the end of a stretch is dropped: it holds the silence that the filter bank put behind the samples.
    """

    def __init__(self, grid: ColumnGrid, row_slices: int) -> None:
        self.grid = grid
        self.row_slices = row_slices
        self.reset()

    def reset(self) -> None:
        """Forget everything: the next slice is slice 0."""
        self._next_slice = 0
        self._begin_row()

    def push(self, cells: NDArray[np.float32]) -> Iterator[SpectrumRow]:
        """Take one slice; yield the row that it completes.

        Parameters
        ----------
        cells : ndarray of float32, shape (frames, cells)
            From :func:`dsp.channelizer.cell_powers`.
        """
        if len(cells) < FRAMES_PER_SLICE:
            return
        power = cells.mean(axis=0, dtype=np.float32)
        if self.grid.cells > 1:
            power = power.reshape(self.grid.columns, self.grid.cells).sum(axis=1)
        if self._taken == 0:
            self._wanted = self.row_slices
        self._sum += power
        np.maximum(self._peak, power, out=self._peak)
        self._taken += 1
        self._next_slice += 1
        if self._taken >= self._wanted:
            yield from self.finish()

    def finish(self) -> Iterator[SpectrumRow]:
        """Yield the row that has begun, however short; the next slice begins another."""
        if self._taken:
            mean = self._sum / np.float32(self._taken)
            yield SpectrumRow(self._next_slice - self._taken, self._taken, mean, self._peak)
            self._begin_row()

    def _begin_row(self) -> None:
        self._taken = 0
        self._wanted = self.row_slices
        self._sum = np.zeros(self.grid.columns, dtype=np.float32)
        self._peak = np.zeros(self.grid.columns, dtype=np.float32)


def reference_for(mean: NDArray[np.float32]) -> float:
    """The power that step 0 shall stand for: `BELOW_FLOOR_DB` under the median, a whole number of steps.

    Parameters
    ----------
    mean : ndarray of float32, any shape
        Powers that are to share one scale.
    """
    present = mean[mean > 0]
    if not present.size:
        return SILENT_DBFS
    median_db = float(10 * np.log10(np.median(present)))
    return round((median_db - BELOW_FLOOR_DB) / STEP_DB) * STEP_DB


def to_steps(power: NDArray[np.float32], reference_dbfs: float) -> NDArray[np.uint8]:
    """Powers in steps of 0.5 dB over the reference, rounded; 0 and 255 also stand for all beyond."""
    decibels = 10 * np.log10(np.maximum(power, np.float32(1e-30)))
    steps: NDArray[np.uint8] = np.clip(np.rint((decibels - reference_dbfs) / STEP_DB), 0, RANGE_STEPS).astype(
        np.uint8
    )
    return steps
