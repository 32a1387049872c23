"""Days and hours on the wall.

Summer time in the United States: second Sunday of March and first Sunday of November at 2:00 (Energy Policy
Act of 2005, section 110; from memory), which is 9 March and 2 November 2031. Lord Howe Island moves its clock
by half an hour.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.log.spans import Span
from watcher.report.local_time import Hour, LocalClock, write_day

BOISE = LocalClock("America/Boise")
YEAR = Span(datetime(2031, 1, 1, tzinfo=UTC), datetime(2032, 1, 1, tzinfo=UTC))


def labels(clock: LocalClock, day: date, within: Span = YEAR) -> list[str]:
    return [hour.label for hour in clock.hours([day], within)]


def test_an_ordinary_day_has_24_hours() -> None:
    assert labels(BOISE, date(2031, 5, 4)) == [f"{hour:02d}" for hour in range(24)]


def test_the_day_clocks_go_forward_has_23_hours() -> None:
    assert labels(BOISE, date(2031, 3, 9)) == [f"{hour:02d}" for hour in range(24) if hour != 2]


def test_the_day_clocks_go_back_has_25_hours_and_tells_the_repeated_one_apart() -> None:
    hours = BOISE.hours([date(2031, 11, 2)], YEAR)
    assert [hour.label for hour in hours] == ["00", "01", "01", *(f"{hour:02d}" for hour in range(2, 24))]
    assert [hour.zone for hour in hours[:4]] == ["MDT", "MDT", "MST", "MST"]
    assert all(hour.stop_utc - hour.start_utc == timedelta(hours=1) for hour in hours)


def test_half_an_hour_of_summer_time_gives_half_an_hour() -> None:
    """First Sunday of April 2031, at 2:00 back to 1:30."""
    hours = LocalClock("Australia/Lord_Howe").hours([date(2031, 4, 6)], YEAR)
    assert [hour.label for hour in hours[:4]] == ["00", "01", "01:30", "02"]
    assert hours[2].stop_utc - hours[2].start_utc == timedelta(minutes=30)


def test_hours_of_an_offset_of_45_minutes_begin_on_the_local_hour() -> None:
    """Nepal is 5:45 ahead of UTC."""
    hours = LocalClock("Asia/Kathmandu").hours([date(2031, 5, 4)], YEAR)
    assert len(hours) == 24
    assert hours[0].start_utc == datetime(2031, 5, 3, 18, 15, tzinfo=UTC)


zones = st.sampled_from(
    ["UTC", "America/Boise", "Europe/Berlin", "Australia/Lord_Howe", "America/Havana", "Asia/Kathmandu"]
)


@given(zones, st.integers(0, 364), st.integers(0, 86_400), st.integers(1, 200_000))
def test_hours_make_up_the_span_without_overlap(zone: str, day: int, second: int, length_s: int) -> None:
    start = datetime(2031, 1, 1, tzinfo=UTC) + timedelta(days=day, seconds=second)
    whole = Span(start, start + timedelta(seconds=length_s))
    clock = LocalClock(zone)
    hours: list[Hour] = clock.hours(clock.days([whole]), whole)
    assert hours[0].start_utc == whole.start_utc
    assert hours[-1].stop_utc == whole.stop_utc
    assert all(one.stop_utc == other.start_utc for one, other in pairwise(hours))
    assert all(hour.stop_utc - hour.start_utc <= timedelta(hours=1) for hour in hours)


def test_days_between_two_spans_are_left_out() -> None:
    first = Span(datetime(2031, 5, 4, tzinfo=UTC), datetime(2031, 5, 4, 1, tzinfo=UTC))
    later = Span(datetime(2031, 5, 9, tzinfo=UTC), datetime(2031, 5, 10, tzinfo=UTC))
    assert LocalClock("UTC").days([first, later]) == [date(2031, 5, 4), date(2031, 5, 9)]


def test_times_name_their_zone() -> None:
    moment = datetime(2031, 5, 4, 9, 2, 1, tzinfo=UTC)
    assert BOISE.full(moment) == "Sun 4 May 2031, 03:02:01 MDT"
    assert BOISE.clock(moment) == "03:02:01 MDT"
    assert LocalClock("Asia/Kathmandu").clock(moment) == "14:47:01 UTC+0545"
    assert write_day(date(2031, 12, 25)) == "Thu 25 Dec 2031"


@pytest.mark.parametrize("name", ["Nowhere/Atall", "../etc/passwd", ""])
def test_an_unknown_zone_becomes_utc_and_is_remembered(name: str) -> None:
    clock = LocalClock(name)
    assert (clock.name, clock.unknown_name) == ("UTC", name)


def test_an_instant_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="has no time zone"):
        BOISE.local(datetime(2031, 5, 4))  # noqa: DTZ001
