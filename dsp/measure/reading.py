"""A measured value and what is known of the noise it was measured in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PIECES = 16
"""Samples are cut into this many pieces to see how they scatter; the scatter is then known to about 18 %."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A value with its standard uncertainty, both in the unit the function states."""

    value: float
    sigma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNoise:
    """The noise in a channel's samples, known from elsewhere (a noise floor between stations).

    Parameters
    ----------
    power : float
        Mean |x|^2 that the noise alone has in these samples, full scale 1; not negative.
    width_hz : float
        Equivalent noise width of the channel's filter: the noise is taken as flat over it.
    sigma_db : float
        Standard uncertainty of `power`, dB.

    Raises
    ------
    ValueError
        `power` or `sigma_db` is negative, or `width_hz` is not positive.
    """

    power: float
    width_hz: float
    sigma_db: float = 0.0

    def __post_init__(self) -> None:
        if not (self.power >= 0.0 and self.sigma_db >= 0.0 and self.width_hz > 0.0):
            raise ValueError(
                f"power is {self.power}, sigma_db {self.sigma_db}, width_hz {self.width_hz}; "
                "none may be negative and the width must be positive"
            )

    def correlation(self, lag_s: float) -> float:
        """Normalised autocorrelation at a lag: sin(pi B t) / (pi B t), real as the band is symmetric."""
        return float(np.sinc(self.width_hz * lag_s))

    @property
    def relative_sigma(self) -> float:
        """Standard uncertainty of `power` as a share of it."""
        return self.sigma_db * float(np.log(10.0)) / 10.0


def decibels(relative: float) -> float:
    """A small relative uncertainty of a power, in dB."""
    return float(10.0 / np.log(10.0) * relative)


def lag_products(samples: NDArray[np.complex64], lag: int) -> NDArray[np.complex64]:
    """x[n + lag] conj(x[n]), complex64, shape (n - lag,)."""
    return np.asarray(samples[lag:] * np.conj(samples[: len(samples) - lag]), dtype=np.complex64)


def piece_lengths(count: int) -> NDArray[np.int64]:
    """How many of `count` values fall into each of the pieces, shape (16,)."""
    return np.diff(np.append(_piece_starts(count), count))


def piece_sums(values: NDArray[np.inexact]) -> NDArray[np.complex128]:
    """Sum of each piece, in double precision, shape (16,); at least 16 values."""
    sums = np.add.reduceat(values, _piece_starts(len(values)), dtype=np.complex128)
    return np.asarray(sums, dtype=np.complex128)


def _piece_starts(count: int) -> NDArray[np.int64]:
    return np.arange(PIECES, dtype=np.int64) * count // PIECES
