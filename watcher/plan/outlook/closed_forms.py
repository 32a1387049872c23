"""Chances that have a formula: what the simulation must agree with where the watch is simple enough.

All times in one unit of the caller's choice, usually minutes. A call is heard where it and a watched
stretch have at least `least` in common.
"""

from __future__ import annotations

import math

from scipy.special import ndtr, ndtri

CONFIDENCE = 0.95


def single_call(period: float, length: float, call: float, least: float = 0.0) -> float:
    """A call at a uniformly random instant, windows of one length in every period.

    The call may begin anywhere in a stretch of `length + call - 2 least` of each period: geometry.
    """
    if min(length, call) < least or length <= 0:
        return 0.0
    return min(1.0, (length + call - 2 * least) / period)


def single_call_delay_mean(period: float, length: float) -> float:
    """Mean wait from a uniformly random instant until a window is open: (period − length)² / (2 period)."""
    return (period - length) ** 2 / (2 * period)


def hourly_call(  # noqa: PLR0917 - the figures of one formula
    lead: float, length: float, call: float, clock_error_sd: float, least: float = 0.0, late: float = 0.0
) -> float:
    """One call from the top of the hour by a clock with a normal error, one window around the true hour.

    The call begins at the error e and is heard where −lead − call + least ≤ e ≤ length − least.
    """
    earliest, latest = -lead - call + least, length - least
    if latest < earliest or min(call, lead + length) < least:
        return 0.0
    if clock_error_sd == 0:
        return float(earliest <= late <= latest)
    return float(ndtr((latest - late) / clock_error_sd) - ndtr((earliest - late) / clock_error_sd))


def call_among_rests(mean_watched: float, mean_rest: float, call: float) -> float:
    """A call at a random instant; watched stretches and rests take turns, rests exponentially distributed.

    Missed where it begins in a rest that outlasts it. A rest looks the same from any instant in it (it has no
    memory), so that is the share of rest times exp(−call / mean rest): an alternating renewal process in
    its steady state (D. R. Cox, Renewal Theory, 1962, ch. 7; from memory).
    """
    if mean_rest <= 0:
        return 1.0
    return 1 - mean_rest / (mean_watched + mean_rest) * math.exp(-call / mean_rest)


def up_again_after_outage(outage_share: float, mean_outage: float, hours: float) -> float:
    """Chance that a watch that is up is up again `hours` later: a + (1 − a) exp(−hours (1/up + 1/down)).

    The two-state Markov process, with a the share of time up (any text on reliability; from memory).
    """
    up_share = 1 - outage_share
    if outage_share <= 0:
        return 1.0
    turnover = 1 / mean_outage / up_share
    return up_share + outage_share * math.exp(-hours * turnover)


def within_tries(chance: float, tries: int) -> float:
    """At least one of several independent tries: 1 − (1 − chance)^tries."""
    return -math.expm1(tries * math.log1p(-chance)) if chance < 1 else float(tries > 0)


def wilson_interval(found: int, tries: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The interval of a proportion (E. B. Wilson, J. American Statistical Association 22, 1927).

    Raises
    ------
    ValueError
        There are no tries, or more found than tried.
    """
    if tries < 1 or not 0 <= found <= tries:
        raise ValueError(
            f"found is {found} of {tries} tries; it must be between 0 and the tries, at least one"
        )
    z = float(ndtri(0.5 + confidence / 2))
    share = found / tries
    middle = share + z * z / (2 * tries)
    half = z * math.sqrt(share * (1 - share) / tries + z * z / (4 * tries * tries))
    scale = 1 + z * z / tries
    return max(0.0, (middle - half) / scale), min(1.0, (middle + half) / scale)
