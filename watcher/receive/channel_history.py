"""The last second of every channel, so that a clip begins before the squelch opened."""

from __future__ import annotations

from collections import deque

import numpy as np

from dsp.blocks import ComplexSamples


class ChannelHistory:
    """Recent blocks of one rate group, kept by reference: nothing is copied until a channel opens.

    Parameters
    ----------
    samples : int
        How many samples back must be available.
    """

    def __init__(self, samples: int) -> None:
        self._wanted = samples
        self.clear()

    def clear(self) -> None:
        """Forget everything; the next sample appended has count 0."""
        self._blocks: deque[ComplexSamples] = deque()
        self.first = 0  # count of the oldest sample kept
        self.stop = 0  # count after the newest

    def append(self, samples: ComplexSamples) -> None:
        """Take the next block, shape (rows, m)."""
        self._blocks.append(samples)
        self.stop += samples.shape[1]
        while self.stop - self.first - self._blocks[0].shape[1] >= self._wanted:
            self.first += self._blocks.popleft().shape[1]

    def take(self, row: int, start: int, stop: int) -> ComplexSamples:
        """Samples [start, stop) of one row, cut to what is kept."""
        pieces = []
        at = self.first
        for block in self._blocks:
            after = at + block.shape[1]
            if after > start and at < stop:
                pieces.append(block[row, max(start - at, 0) : stop - at])
            at = after
        return np.concatenate(pieces) if pieces else np.empty(0, dtype=np.complex64)
