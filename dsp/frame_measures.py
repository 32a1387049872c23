"""What one frame of a channel shows: power, envelope steadiness, and where the power lies.

First a measure, then a decision: the squelch decides from these numbers and sees no samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples


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
    """

    power: NDArray[np.float32]
    envelope: NDArray[np.float32]
    lag_one: ComplexSamples


def measure_frames(samples: ComplexSamples, frame_samples: int) -> FrameMeasures:
    """Measure each frame of each row.

    Parameters
    ----------
    samples : ndarray of complex64, shape (rows, m)
        m need not be a multiple of `frame_samples`; the last frame may be short.
    frame_samples : int

    Returns
    -------
    FrameMeasures
        With ceil(m / frame_samples) frames.
    """
    rows, m = samples.shape
    whole = m // frame_samples
    parts = [_measure(samples[:, : whole * frame_samples].reshape(rows, whole, frame_samples))]
    if whole * frame_samples < m:
        parts.append(_measure(samples[:, None, whole * frame_samples :]))
    if len(parts) == 1:
        return parts[0]
    return FrameMeasures(
        np.concatenate([p.power for p in parts], axis=1),
        np.concatenate([p.envelope for p in parts], axis=1),
        np.concatenate([p.lag_one for p in parts], axis=1),
    )


def _measure(frames: ComplexSamples) -> FrameMeasures:
    frames = np.ascontiguousarray(frames)
    rows, count, length = frames.shape
    flat = frames.view(np.float32)
    squares = np.square(flat)
    squared = squares[..., 0::2] + squares[..., 1::2]
    power = squared.mean(axis=2, dtype=np.float32)
    fourth = np.einsum("rfs,rfs->rf", squared, squared) / np.float32(max(length, 1))
    envelope = np.full((rows, count), 2.0, dtype=np.float32)
    np.divide(fourth, np.square(power), out=envelope, where=power > 1e-18)
    lag_one = np.einsum("rfs,rfs->rf", frames[..., 1:], frames[..., :-1].conj()) / np.float32(
        max(length - 1, 1)
    )
    return FrameMeasures(power, envelope, lag_one.astype(np.complex64))
