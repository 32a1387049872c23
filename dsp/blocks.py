"""The three kinds of sample block that flow through the receiver.

The sample counter is the clock of this package: every `first_sample` counts *input* samples of the
stream, whatever the rate of the block itself, so nothing drifts by rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

ComplexSamples = NDArray[np.complex64]
RealSamples = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class IqBlock:
    """Consecutive complex samples of one radio on one tuning.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
        Full scale is a magnitude of 1. Made read-only.
    first_sample : int
        Count of `samples[0]` since the start of the stream, lost samples included.
    sample_rate_hz : int
        Complex samples per second.
    centre_hz : int
        The radio frequency that sits at 0 Hz in `samples`.
    lost_before : int
        Samples known to be missing just before this block.
    clipped : int
        How many samples of the block stand at the converter's limits.

    Raises
    ------
    TypeError
        The samples are not one-dimensional complex64.
    ValueError
        A count is negative or the rate is not positive.
    """

    samples: ComplexSamples
    first_sample: int
    sample_rate_hz: int
    centre_hz: int
    lost_before: int = 0
    clipped: int = 0

    def __post_init__(self) -> None:
        if self.samples.dtype != np.complex64 or self.samples.ndim != 1:
            raise TypeError(
                f"samples are {self.samples.dtype} with {self.samples.ndim} dimensions; "
                "they must be complex64 with one"
            )
        if self.sample_rate_hz <= 0:
            raise ValueError(f"sample_rate_hz is {self.sample_rate_hz}; it must be positive")
        if min(self.first_sample, self.lost_before, self.clipped) < 0:
            raise ValueError("first_sample, lost_before and clipped must not be negative")
        self.samples.flags.writeable = False

    @property
    def stop_sample(self) -> int:
        """Count of the first sample after the block."""
        return self.first_sample + len(self.samples)


@dataclass(frozen=True, slots=True, eq=False)
class ChannelBlock:
    """The same span of time on several channels of one rate, each centred on 0 Hz.

    Parameters
    ----------
    samples : ndarray of complex64, shape (channels, m)
    first_sample : int
        Input-rate count of the instant that `samples[:, 0]` shows; filter delay is already taken off.
    rate_ratio : fractions.Fraction
        Channel rate over input rate: sample j stands at `first_sample + j / rate_ratio`.
    """

    samples: ComplexSamples
    first_sample: int
    rate_ratio: Fraction


@dataclass(frozen=True, slots=True, eq=False)
class AudioBlock:
    """Audio of one channel.

    Parameters
    ----------
    samples : ndarray of float32, shape (k,)
    first_sample : int
        Input-rate count of the instant that `samples[0]` shows.
    audio_rate_hz : int
    """

    samples: RealSamples
    first_sample: int
    audio_rate_hz: int
