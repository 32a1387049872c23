"""Rates with their uncertainty: shares by Wilson's interval, counts per hour by the exact Poisson one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv, ndtri

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Rate:
    """A figure and the interval that holds the truth in 95 of 100 such trials; None for 0 of 0."""

    value: float | None
    low: float
    high: float
    count: int
    of: float
    """Trials of a share, hours of a rate."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Errors of many: the median, what nine tenths stay under by size, and the worst with its sign."""

    count: int
    median: float
    p90: float
    worst: float


def share(count: int, of: int, confidence: float = CONFIDENCE) -> Rate:
    """A share of trials that went well, with Wilson's score interval.

    Raises
    ------
    ValueError
        The count is not between 0 and the number of trials.

    References
    ----------
    E. B. Wilson, J. Amer. Stat. Assoc. 22 (1927): (p + z²/2n ± z sqrt(p(1-p)/n + z²/4n²)) / (1 + z²/n).

    Examples
    --------
    >>> found = share(8, 10)
    >>> round(found.low, 4), round(found.high, 4)
    (0.4902, 0.9433)
    """
    if not 0 <= count <= of:
        raise ValueError(f"count is {count}; it must be between 0 and {of}")
    if of == 0:
        return Rate(None, 0.0, 1.0, 0, 0)
    z = float(ndtri(0.5 + confidence / 2))
    p = count / of
    middle = p + z * z / (2 * of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    low = 0.0 if count == 0 else max(0.0, (middle - half) / scale)
    high = 1.0 if count == of else min(1.0, (middle + half) / scale)
    return Rate(p, low, high, count, of)


def per_hour(count: int, hours: float, confidence: float = CONFIDENCE) -> Rate:
    """Events per hour with the exact interval of a Poisson count.

    Parameters
    ----------
    count : int
    hours : float
        Zero gives a rate that is unknown, with an infinite upper end.

    References
    ----------
    F. Garwood, Biometrika 28 (1936): half the chi-square quantiles with 2n and 2n + 2 degrees of freedom.

    Examples
    --------
    >>> round(per_hour(0, 1.0).high, 3)  # -ln 0.025
    3.689
    """
    if hours <= 0:
        return Rate(None, 0.0, math.inf, count, 0.0)
    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    high = float(gammaincinv(count + 1, 1 - tail))
    return Rate(count / hours, low / hours, high / hours, count, hours)


def spread(errors: Sequence[float]) -> Spread | None:
    """How large errors are; None for none."""
    if not errors:
        return None
    found = np.asarray(errors, np.float64)
    size = np.abs(found)
    return Spread(
        len(found),
        float(np.median(found)),
        float(np.quantile(size, 0.9)),
        float(found[int(size.argmax())]),
    )
