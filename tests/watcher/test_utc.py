"""Instants: from sample counts, to text and back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.utc import instant_of_sample, read_utc, write_utc

ANCHOR = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)


def test_instant_is_anchor_plus_samples_over_rate() -> None:
    assert instant_of_sample(ANCHOR, 0, 48_000) == ANCHOR
    assert instant_of_sample(ANCHOR, 48_000 * 90, 48_000) == ANCHOR + timedelta(seconds=90)
    assert instant_of_sample(ANCHOR, Fraction(1, 2), 1000) == ANCHOR + timedelta(microseconds=500)


def test_weeks_of_samples_lose_no_microsecond() -> None:
    """A float of seconds would be 0.1 us coarse after 30 years; integers are exact for ever."""
    rate_hz = 2_400_000
    count = rate_hz * 86_400 * 365 * 100 + 12
    assert instant_of_sample(ANCHOR, count, rate_hz) == ANCHOR + timedelta(days=36_500, microseconds=5)


@given(rate_hz=st.integers(8000, 3_200_000), sample=st.integers(0, 10**13))
def test_later_samples_are_never_earlier(rate_hz: int, sample: int) -> None:
    this, following = (instant_of_sample(ANCHOR, n, rate_hz) for n in (sample, sample + 1))
    assert this <= following
    exact_us = Fraction(sample * 1_000_000, rate_hz)
    assert abs(Fraction((this - ANCHOR) // timedelta(microseconds=1)) - exact_us) <= Fraction(1, 2)


def test_anchor_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="anchor_utc has no time zone"):
        instant_of_sample(datetime(2031, 5, 4), 0, 48_000)  # noqa: DTZ001 - that is what is refused


@pytest.mark.parametrize(
    ("instant", "text"),
    [
        (datetime(2031, 5, 4, 3, 2, 1, 250_000, tzinfo=UTC), "2031-05-04T03:02:01.250Z"),
        (datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC), "2031-05-04T03:02:01.000Z"),
        (datetime(2031, 12, 31, 23, 59, 59, 999_600, tzinfo=UTC), "2032-01-01T00:00:00.000Z"),
        (datetime(2031, 5, 4, 3, 2, 1, 499, tzinfo=UTC), "2031-05-04T03:02:01.000Z"),
        (datetime(2031, 5, 4, 3, 2, 1, 500, tzinfo=UTC), "2031-05-04T03:02:01.001Z"),
        (
            datetime(2031, 5, 4, 3, 2, 1, tzinfo=timezone(timedelta(hours=-7, minutes=-30))),
            "2031-05-04T10:32:01.000Z",
        ),
        (datetime(2031, 5, 4, tzinfo=timezone(timedelta(hours=14))), "2031-05-03T10:00:00.000Z"),
    ],
)
def test_written_in_milliseconds_with_a_z(instant: datetime, text: str) -> None:
    assert write_utc(instant) == text


def test_writing_an_instant_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        write_utc(datetime(2031, 5, 4))  # noqa: DTZ001


@given(st.integers(-(10**15), 10**17))
def test_reading_undoes_writing_to_half_a_millisecond(microseconds: int) -> None:
    instant = ANCHOR + timedelta(microseconds=microseconds)
    assert abs(read_utc(write_utc(instant)) - instant) <= timedelta(microseconds=500)


@pytest.mark.parametrize(
    "text",
    ["2031-05-04T03:02:01Z", "2031-05-04T03:02:01+00:00", "2031-05-03T21:02:01-06:00", "20310504T030201Z"],
)
def test_any_iso_text_with_an_offset_is_read_as_utc(text: str) -> None:
    read = read_utc(text)
    assert read == datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)
    assert read.tzinfo is UTC


@pytest.mark.parametrize(
    "text", ["2031-05-04T03:02:01", "2031-05-04", "three o'clock", "", "Z", "2031-13-01Z"]
)
def test_text_without_an_offset_or_sense_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        read_utc(text)
