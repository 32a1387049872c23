"""How the numbers of a recording become complex samples with a full scale of 1."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples

LARGEST_USABLE = 1e9
"""A float part beyond this is no sample: its square times a block's length nears the float32 limit."""

_Bytes = NDArray[np.uint8]
_Numbers = NDArray[np.generic]


@dataclass(frozen=True, slots=True)
class SampleFormat:
    """One way to store I and Q side by side, I first.

    Parameters
    ----------
    name : str
        As SigMF spells it; `ci24_le` occurs in WAV only and is no SigMF name.
    number_bytes : int
        Bytes of one number; a sample is two numbers.
    zero, full_scale : float
        A number u stands for (u - zero) / full_scale.
    limits : tuple of int or None
        The converter's lowest and highest number; None for floats, which have none.
    numbers : callable
        Raw bytes to an array of numbers.
    """

    name: str
    number_bytes: int
    zero: float
    full_scale: float
    limits: tuple[int, int] | None
    numbers: Callable[[_Bytes], _Numbers]

    @property
    def sample_bytes(self) -> int:
        """Bytes of one complex sample."""
        return 2 * self.number_bytes


def to_samples(raw: _Bytes, sample_format: SampleFormat) -> tuple[ComplexSamples, int]:
    """The samples that raw bytes stand for, and how many of them stand at the converter's limits.

    Parameters
    ----------
    raw : ndarray of uint8, shape (n * sample_format.sample_bytes,)
    sample_format : SampleFormat

    Returns
    -------
    samples : ndarray of complex64, shape (n,)
        A fresh array. Floats come as they are, also where they are not finite.
    clipped : int
        Samples with I or Q at a limit; 0 for floats.
    """
    numbers = sample_format.numbers(raw)
    samples = np.empty(len(numbers) // 2, np.complex64)
    parts = samples.view(np.float32)
    parts[:] = numbers
    if sample_format.zero:
        parts -= np.float32(sample_format.zero)
    if sample_format.full_scale != 1.0:
        parts *= np.float32(1.0 / sample_format.full_scale)
    return samples, _clipped(numbers, sample_format.limits)


def unusable_span(samples: ComplexSamples) -> tuple[int, int] | None:
    """Where the samples that are no samples lie: from the first to behind the last, or None.

    Unusable is what is not a number, infinite, or larger than `LARGEST_USABLE`: one such value would
    spread over everything the filters remember. The energy tells in one fast pass that all is well.
    """
    parts = samples.view(np.float32)
    with np.errstate(over="ignore", invalid="ignore"):  # an energy that is no number says what it should
        energy = float(np.dot(parts, parts))
    if energy < LARGEST_USABLE**2:
        return None
    usable = np.abs(parts) < LARGEST_USABLE  # false for a NaN
    bad = np.flatnonzero(~(usable[0::2] & usable[1::2]))
    return (int(bad[0]), int(bad[-1]) + 1) if len(bad) else None


def _clipped(numbers: _Numbers, limits: tuple[int, int] | None) -> int:
    if limits is None or not len(numbers):
        return 0
    low, high = limits
    if int(numbers.min()) > low and int(numbers.max()) < high:  # the common case, and the cheap one
        return 0
    at_limit = (numbers == low) | (numbers == high)
    return int(np.count_nonzero(at_limit.view(np.uint16)))  # I and Q of one sample counted once


def _as(dtype: str) -> Callable[[_Bytes], _Numbers]:
    return lambda raw: raw.view(dtype)


def _as_int24(raw: _Bytes) -> _Numbers:
    wide = np.zeros((len(raw) // 3, 4), np.uint8)
    for place in range(3):  # one copy of all three takes seven times as long: numpy goes by its short side
        wide[:, 1 + place] = raw[place::3]
    return wide.reshape(-1).view("<i4")  # the number times 256, sign in place


CU8 = SampleFormat("cu8", 1, 127.5, 127.5, (0, 255), _as("u1"))
CI8 = SampleFormat("ci8", 1, 0.0, 128.0, (-128, 127), _as("i1"))
CI16 = SampleFormat("ci16_le", 2, 0.0, 32768.0, (-32768, 32767), _as("<i2"))
CI24 = SampleFormat("ci24_le", 3, 0.0, 2.0**31, (-(2**31), 2**31 - 256), _as_int24)
CF32 = SampleFormat("cf32_le", 4, 0.0, 1.0, None, _as("<f4"))

SIGMF_FORMATS: Mapping[str, SampleFormat] = MappingProxyType(
    {
        # The schema of SigMF 1.2 lets a byte order stand behind one-byte numbers too; it says nothing there.
        **dict.fromkeys(("cu8", "cu8_le", "cu8_be"), CU8),
        **dict.fromkeys(("ci8", "ci8_le", "ci8_be"), CI8),
        "ci16_le": CI16,
        "cf32_le": CF32,
    }
)
"""Every `core:datatype` that is read."""

SUFFIX_FORMATS: Mapping[str, SampleFormat] = MappingProxyType(
    {".cu8": CU8, ".cs8": CI8, ".ci8": CI8, ".cs16": CI16, ".ci16": CI16, ".cf32": CF32}
)
"""What the ending of a file without any header says; both spellings of a signed integer are in use."""

DATATYPE_NAMES = "cu8, ci8, ci16_le, cf32_le"
