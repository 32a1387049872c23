"""The noise in a channel, taken in the same instant from the spectrum around it.

The measure behind the squelch: for each frame and channel, the power that the channel would hold if
nobody were on it. It comes from ordered statistics over frequency, so that stations nearby do not
raise it, and it moves with every frame, so that a broadband rise does not look like a station.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.channelizer import ChannelCut
from dsp.filter_bank_design import CELL_BINS, TRANSITION_HZ, BankShape

REFERENCE_CELLS = 96  # about 190 kHz in all: a few per cent of scatter, still local
QUANTILE = 0.30  # up to 70 % of the reference may be occupied
EDGE_SHARE = 0.04  # of the span at either end is never taken as a reference: tuners roll off there
DEAD_CELL = 0.25  # a cell this far under the typical one lies outside the usable passband
LEARNING_FRAMES = 400  # about 5 s: how long the average spectrum that finds dead cells reaches back

# Neighbouring bins of a Hann-tapered spectrum are correlated by 2/3 and 1/6 (Harris 1978), so a cell
# of n bins scatters like n / 1.944 independent ones.
CELL_SHAPE = CELL_BINS / (1 + 2 * ((2 / 3) ** 2 + (1 / 6) ** 2))


class NoiseFloor:
    """Noise power in each channel's filter, frame by frame.

    Parameters
    ----------
    shape : BankShape
    cuts : sequence of ChannelCut
    noise_bandwidth_hz : ndarray of float64, shape (channels,)
        Equivalent noise bandwidth of each channel's filter.

    Notes
    -----
    The estimate of one frame is the 30 % quantile of the reference cells' powers, divided by that
    quantile's place in the gamma law that white noise gives (so it is unbiased for white noise), scaled
    to the channel's noise bandwidth. Cells inside any listed channel, at 0 Hz and at the span's ends
    are left out where enough others remain. Its relative variance on white noise is `relative_variance`.

    References
    ----------
    H. Rohling, "Radar CFAR thresholding in clutter and multiple target situations", IEEE Trans. AES 19
    (1983): the ordered-statistic noise reference.
    """

    def __init__(
        self, shape: BankShape, cuts: Sequence[ChannelCut], noise_bandwidth_hz: NDArray[np.float64]
    ) -> None:
        self._cells = shape.fft_length // CELL_BINS
        cell_hz = shape.bin_hz * CELL_BINS
        self._frequencies = (np.arange(self._cells) - self._cells // 2 + 0.5) * cell_hz
        self._half_cell_hz = cell_hz / 2
        self._cuts = tuple(cuts)
        # The cell powers add up to the power of the whole stream over its whole span.
        self._cells_of_noise = noise_bandwidth_hz / cell_hz
        self.reset()

    def reset(self) -> None:
        """Forget the passband learned so far."""
        # How many times its former self the floor is since the last `push`, where references changed.
        self.moved: NDArray[np.float64] | None = None
        self._typical = np.ones(self._cells, dtype=np.float32)
        self._frames_seen = 0
        self._choose_references(np.ones(self._cells, dtype=bool))

    def push(self, cells: NDArray[np.float32]) -> NDArray[np.float32]:
        """Noise power per channel and frame.

        Parameters
        ----------
        cells : ndarray of float32, shape (frames, cells)
            From :func:`dsp.channelizer.cell_powers`.

        Returns
        -------
        ndarray of float32, shape (channels, frames)
            Mean squared magnitude that noise alone has after the channel's filter. Zero input gives zero.
        """
        self.moved = None
        self._learn_passband(cells)
        picked = np.take(cells, self._references, axis=1)  # (frames, channels, references)
        rank = int(QUANTILE * (picked.shape[2] - 1))
        picked.partition(rank, axis=2)
        floor = picked[:, :, rank].T * (self._cells_of_noise * self._unbias)[:, None]
        return np.ascontiguousarray(floor, dtype=np.float32)

    @property
    def typical_cells(self) -> NDArray[np.float32]:
        """Average power of each cell over the last seconds, shape (cells,)."""
        return self._typical

    def typical(self) -> NDArray[np.float64]:
        """What `push` gives on average, from the average spectrum: its shape counts, shape (channels,)."""
        picked = self._typical[self._references]
        rank = int(QUANTILE * (picked.shape[1] - 1))
        return np.asarray(np.partition(picked, rank, axis=1)[:, rank] * self._cells_of_noise)

    def _learn_passband(self, cells: NDArray[np.float32]) -> None:
        """Find the cells that the front end never fills, from the average spectrum so far."""
        share = len(cells) / min(self._frames_seen + len(cells), LEARNING_FRAMES)
        self._typical += np.float32(share) * (cells.mean(axis=0) - self._typical)
        before = self._frames_seen
        self._frames_seen += len(cells)
        # Looked at on the first frames and then once in a while; the passband does not move.
        if before == 0 or before // LEARNING_FRAMES != self._frames_seen // LEARNING_FRAMES:
            usable = self._typical >= DEAD_CELL * np.median(self._typical[self._inner()])
            if not np.array_equal(usable, self._usable):
                was = self.typical()
                self._choose_references(usable)
                if before:
                    self.moved = self.typical() / np.maximum(was, 1e-30)

    def _inner(self) -> slice:
        cut = int(self._cells * EDGE_SHARE)
        return slice(cut, self._cells - cut)

    def _choose_references(self, usable: NDArray[np.bool_]) -> None:
        self._usable = usable
        allowed = np.zeros(self._cells, dtype=bool)
        allowed[self._inner()] = usable[self._inner()]
        zero_hz = np.abs(self._frequencies) < 2 * self._half_cell_hz
        listed = np.zeros(self._cells, dtype=bool)
        own = []
        for cut in self._cuts:
            reach = cut.pass_band_hz / 2 + TRANSITION_HZ + self._half_cell_hz
            inside = np.abs(self._frequencies - cut.offset_hz) < reach
            own.append(inside)
            listed |= inside
        count = min(REFERENCE_CELLS, self._cells // 2)
        rows = []
        for cut, inside in zip(self._cuts, own, strict=True):
            # From strict to lax: no listed channel at all; at least not this one; anything usable.
            tiers = (allowed & ~zero_hz & ~listed, allowed & ~inside, allowed, ~inside)
            distance = np.abs(self._frequencies - cut.offset_hz)
            tier = np.sum([~t for t in tiers], axis=0)
            rows.append(np.lexsort((distance, tier))[:count])
        self._references = np.array(rows, dtype=np.intp).reshape(len(self._cuts), count)
        law = scipy.stats.gamma(CELL_SHAPE)
        rank = int(QUANTILE * (count - 1))
        # Median place of the order statistic (rank i of n stands near (i - 0.3) / (n + 0.4), Benard).
        place = (rank + 0.7) / (count + 0.4)
        at = float(law.ppf(place))
        self._unbias = CELL_SHAPE / at
        # Variance of one frame's estimate over its squared mean, on white noise: the asymptotic law of a
        # sample quantile (H. Cramer, Mathematical Methods of Statistics, 28.5; from memory).
        self.relative_variance = QUANTILE * (1 - QUANTILE) / (count * float(law.pdf(at)) ** 2 * at**2)
