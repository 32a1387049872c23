"""What one frame of a channel shows: power, envelope steadiness, and where the power lies.

First a measure, then a decision: the squelch decides from these numbers and sees no samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples

ROWS_TOGETHER = 8  # channels measured at once: their samples stay in the cache


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasures:
    """Measures of every channel over consecutive frames.

    Parameters
    ----------
    power : ndarray of float32, shape (channels, frames)
        Mean of |y|^2.
    envelope : ndarray of float32, shape (channels, frames)
        Mean of |y|^4 over the squared mean of |y|^2: 2 for Gaussian noise of any bandwidth, 1 for a
        constant envelope, (S^2 + 4 S N + 2 N^2) / (S + N)^2 for a constant carrier S in noise N
        (moments of the Rice law); well over 2 for impulses. 2 where there is no power at all.
    lag_one : ndarray of complex64, shape (channels, frames)
        Mean of y[n] conj(y[n-1]): its angle is the mean frequency.
    clear_share : ndarray of float32, shape (frames,), optional
        How much of each frame was measured, where impulses were left out; all of it if absent.
    """

    power: NDArray[np.float32]
    envelope: NDArray[np.float32]
    lag_one: ComplexSamples
    clear_share: NDArray[np.float32] | None = None


def measure_frames(
    samples: ComplexSamples, frame_samples: int, clear: NDArray[np.bool_] | None = None
) -> FrameMeasures:
    """Measure each frame of each row.

    Parameters
    ----------
    samples : ndarray of complex64, shape (rows, m)
        m need not be a multiple of `frame_samples`; the last frame may be short.
    frame_samples : int
    clear : ndarray of bool, shape (frames or more, frame_samples), optional
        Measure these instants only; all if absent. Every frame must have some.

    Returns
    -------
    FrameMeasures
        With ceil(m / frame_samples) frames.
    """
    rows, m = samples.shape
    count = -(-m // frame_samples)
    whole = m // frame_samples
    measures = FrameMeasures(
        np.empty((rows, count), np.float32),
        np.empty((rows, count), np.float32),
        np.empty((rows, count), np.complex64),
        None if clear is None else clear[:count].mean(axis=1, dtype=np.float32),
    )
    for first in range(0, rows, ROWS_TOGETHER):
        some = slice(first, first + ROWS_TOGETHER)
        part = samples[some]
        body = part[:, : whole * frame_samples].reshape(len(part), whole, frame_samples)
        _measure(body, measures, some, slice(0, whole), clear)
        if whole < count:
            _measure(part[:, None, whole * frame_samples :], measures, some, slice(whole, count), clear)
    return measures


def _measure(
    frames: ComplexSamples,
    into: FrameMeasures,
    rows: slice,
    columns: slice,
    clear: NDArray[np.bool_] | None,
) -> None:
    """Measure some frames into their place."""
    if clear is not None:
        _measure_clear(frames, into, rows, columns, clear[columns, : frames.shape[2]])
        return
    length = frames.shape[2]
    flat = np.ascontiguousarray(frames).view(np.float32)
    squares = np.square(flat)
    squared = np.add(squares[..., 0::2], squares[..., 1::2])
    power = squared.mean(axis=2, dtype=np.float32)
    fourth = np.einsum("rfs,rfs->rf", squared, squared) / np.float32(length)
    envelope = np.full(power.shape, 2.0, dtype=np.float32)
    np.divide(fourth, np.square(power), out=envelope, where=power > 1e-18)
    products = frames[..., 1:] * frames[..., :-1].conj()
    if length < 2:  # a run may end one sample into a frame
        products = np.zeros((*power.shape, 1), dtype=np.complex64)
    into.power[rows, columns] = power
    into.envelope[rows, columns] = envelope
    into.lag_one[rows, columns] = products.mean(axis=2)


def _measure_clear(
    frames: ComplexSamples, into: FrameMeasures, rows: slice, columns: slice, clear: NDArray[np.bool_]
) -> None:
    """The same measures over the clear instants alone; lag one over neighbours that are both clear."""
    counts = np.maximum(clear.sum(axis=1), 1).astype(np.float32)
    squared = (np.square(frames.real) + np.square(frames.imag)) * clear
    power = squared.sum(axis=2) / counts
    fourth = np.einsum("rfs,rfs->rf", squared, squared) / counts
    envelope = np.full(power.shape, 2.0, dtype=np.float32)
    np.divide(fourth, np.square(power), out=envelope, where=power > 1e-18)
    both = clear[:, 1:] & clear[:, :-1]
    products = (frames[..., 1:] * frames[..., :-1].conj() * both).sum(axis=2)
    into.power[rows, columns] = power
    into.envelope[rows, columns] = envelope
    into.lag_one[rows, columns] = products / np.maximum(both.sum(axis=1), 1).astype(np.float32)
