"""Instants in UTC, and how they are written.

Every stored time is an aware UTC datetime, written in ISO 8601 with milliseconds and a Z.
Instants come from one place: an anchor plus a count of samples.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction


def instant_of_sample(anchor_utc: datetime, sample: int | Fraction, sample_rate_hz: int) -> datetime:
    """The UTC instant of one sample, to the microsecond.

    Parameters
    ----------
    anchor_utc : datetime
        The instant of sample 0; aware.
    sample : int or Fraction
        Count of samples since the anchor.
    sample_rate_hz : int

    Raises
    ------
    ValueError
        The anchor has no time zone.
    """
    if anchor_utc.tzinfo is None:
        raise ValueError("anchor_utc has no time zone; give an aware datetime in UTC")
    microseconds = round(Fraction(sample) * 1_000_000 / sample_rate_hz)
    return anchor_utc + timedelta(microseconds=microseconds)


def write_utc(instant: datetime) -> str:
    """ISO 8601 with milliseconds and Z: `2031-05-04T03:02:01.250Z`."""
    if instant.tzinfo is None:
        raise ValueError("the instant has no time zone; give an aware datetime")
    rounded = instant.astimezone(UTC) + timedelta(microseconds=500)
    return rounded.strftime("%Y-%m-%dT%H:%M:%S.") + f"{rounded.microsecond // 1000:03d}Z"


def read_utc(text: str) -> datetime:
    """The inverse of :func:`write_utc`; accepts any ISO 8601 text with an offset."""
    instant = datetime.fromisoformat(text.replace("Z", "+00:00"))
    if instant.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone")
    return instant.astimezone(UTC)
