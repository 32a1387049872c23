"""The last audio of a channel, so that a clip can begin before it was known to be wanted."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray


class RecentAudio:
    """Audio by frame count; what is older than `frames` is let go.

    Parameters
    ----------
    frames : int
        How many are remembered at least, once there have been as many.
    """

    def __init__(self, frames: int) -> None:
        self._wanted = frames
        self._pieces: deque[tuple[int, NDArray[np.int16]]] = deque()

    @property
    def first_frame(self) -> int:
        """The oldest frame remembered; 0 where there is none."""
        return self._pieces[0][0] if self._pieces else 0

    def append(self, first_frame: int, audio: NDArray[np.int16]) -> None:
        """Take the next audio, shape (m,), which begins with that frame; it is copied."""
        self._pieces.append((first_frame, audio.copy()))
        oldest_needed = first_frame + len(audio) - self._wanted
        while len(self._pieces) > 1 and self._pieces[1][0] <= oldest_needed:
            self._pieces.popleft()

    def since(self, frame: int) -> NDArray[np.int16]:
        """Everything from a frame on, shape (n,)."""
        pieces = [piece[max(frame - first, 0) :] for first, piece in self._pieces]
        return np.concatenate(pieces) if pieces else np.empty(0, np.int16)
