"""The sub-audible part of one transmission, kept for its decoders in bounded memory.

A key-down may last for days. Up to two minutes everything is kept; of longer ones every second, fourth and
so on of the four-second stretches, evenly over the whole, which is all that a tone decoder would look at.
"""

from __future__ import annotations

import numpy as np

from dsp.blocks import RealSamples
from dsp.signalling.ctcss import MOST_STRETCHES, STRETCH_S


class KeptLowBand:
    """Sub-audible samples in order, thinned by whole stretches once there are many.

    Parameters
    ----------
    rate_hz : float
        Of the samples; 0 where there will be none.
    """

    def __init__(self, rate_hz: float) -> None:
        self._stretch = int(STRETCH_S * rate_hz)
        self._kept: list[RealSamples] = []  # whole stretches
        self._every = 1  # one stretch of so many is kept
        self._whole = 0  # stretches completed
        self._growing = np.empty(0, np.float32)
        self._filled = 0
        self.samples = 0
        """How many have been pushed."""

    def push(self, samples: RealSamples) -> None:
        """Take the next samples, shape (m,); they are copied."""
        self.samples += len(samples)
        taken = 0
        while taken < len(samples):
            if not len(self._growing):
                self._growing, self._filled = np.empty(self._stretch, np.float32), 0
            room = min(self._stretch - self._filled, len(samples) - taken)
            self._growing[self._filled : self._filled + room] = samples[taken : taken + room]
            self._filled += room
            taken += room
            if self._filled == self._stretch:
                self._complete()

    def _complete(self) -> None:
        if self._whole % self._every == 0:
            self._kept.append(self._growing)
        self._growing, self._filled = np.empty(0, np.float32), 0
        self._whole += 1
        if len(self._kept) == 2 * MOST_STRETCHES:
            self._kept = self._kept[::2]
            self._every *= 2

    def between(self, first: int, stop: int) -> RealSamples:
        """Samples [first, stop) of those pushed, shape (n,); of a long transmission the stretches kept.

        Stretches that were let go leave no mark: what is left stands side by side, each stretch
        beginning at a multiple of its length from sample 0.
        """
        pieces = [*self._kept, self._growing[: self._filled]]
        starts = [n * self._every * self._stretch for n in range(len(self._kept))]
        starts.append(self._whole * self._stretch)
        cut = [
            piece[max(first - start, 0) : max(stop - start, 0)]
            for start, piece in zip(starts, pieces, strict=True)
        ]
        return np.concatenate(cut)
