"""Windows by hand: the clock changes, seasons, days, what is open and what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.plan import Window
from watcher.plan.windows import (
    Span,
    WindowSpan,
    merged,
    next_opening,
    next_openings,
    open_at,
    open_time,
    opens_on,
    window_spans,
    without,
)

BOISE, NEW_YORK = ZoneInfo("America/Boise"), ZoneInfo("America/New_York")
BERLIN, LORD_HOWE = ZoneInfo("Europe/Berlin"), ZoneInfo("Australia/Lord_Howe")
KATHMANDU, APIA = ZoneInfo("Asia/Kathmandu"), ZoneInfo("Pacific/Apia")


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def window(**keys: object) -> Window:
    return Window.model_validate({"length_minutes": 5} | keys)


def local_starts(windows: Sequence[Window], zone: ZoneInfo, day: str) -> list[str]:
    """What the clock on the wall shows when the windows of a local day open, with the offset."""
    start = datetime.fromisoformat(day).replace(tzinfo=zone).astimezone(UTC)
    spans = window_spans(windows, zone, (start, start + timedelta(hours=26)))
    shown = [each.start_utc.astimezone(zone) for each in spans]
    return [f"{each:%H:%M%z}" for each in shown if each.date().isoformat() == day]


# US clock changes of 2026, 15 U.S.C. 260a: second Sunday in March, first Sunday in November, 02:00 local.
def test_a_skipped_local_time_opens_by_the_clock_before_the_change() -> None:
    assert local_starts([window(at=["02:30"])], NEW_YORK, "2026-03-08") == ["03:30-0400"]


def test_a_repeated_local_time_opens_the_first_time_only() -> None:
    assert local_starts([window(at=["01:30"])], NEW_YORK, "2026-11-01") == ["01:30-0400"]


def test_an_hourly_watch_loses_no_hour_and_opens_none_twice() -> None:
    spring = local_starts([window(every_hours=1)], NEW_YORK, "2026-03-08")
    autumn = local_starts([window(every_hours=1)], NEW_YORK, "2026-11-01")
    assert (len(spring), len(set(spring))) == (23, 23)
    assert (len(autumn), len(set(autumn))) == (25, 25)
    assert autumn[:4] == ["00:00-0400", "01:00-0400", "01:00-0500", "02:00-0500"]


@pytest.mark.parametrize("day", ["2026-03-08", "2026-07-01", "2026-11-01"])
def test_every_three_hours_is_eight_windows_on_every_day(day: str) -> None:
    starts = local_starts([window(every_hours=3)], NEW_YORK, day)
    assert [start[:5] for start in starts] == [f"{hour:02d}:00" for hour in range(0, 24, 3)]


def test_lord_howe_changes_by_half_an_hour() -> None:
    # From 02:00 to 02:30 on the first Sunday in October, back from 02:00 to 01:30 on the first in April
    # (zone database, Australia/Lord_Howe).
    every_hour = [window(every_hours=1)]
    assert local_starts(every_hour, LORD_HOWE, "2026-10-04")[:4] == [
        "00:00+1030",
        "01:00+1030",
        "02:30+1100",
        "03:00+1100",
    ]
    assert local_starts([window(at=["01:45"])], LORD_HOWE, "2026-04-05") == ["01:45+1100"]
    assert len(local_starts(every_hour, LORD_HOWE, "2026-04-05")) == 24


def test_a_zone_off_the_hour_opens_on_its_own_hours() -> None:
    spans = window_spans(
        [window(every_hours=3)], KATHMANDU, (utc("2031-05-04T00:00"), utc("2031-05-04T04:00"))
    )
    assert [each.start_utc for each in spans] == [utc("2031-05-04T00:15"), utc("2031-05-04T03:15")]  # +05:45


def test_a_day_that_a_zone_skipped_loses_no_window_and_has_none_twice() -> None:
    # Samoa went over the date line at the end of 29 December 2011; 30 December never was.
    spans = window_spans([window(at=["07:00"])], APIA, (utc("2011-12-29T00:00"), utc("2011-12-31T09:00")))
    shown = [f"{each.start_utc.astimezone(APIA):%d %H:%M}" for each in spans]
    assert shown == ["29 07:00", "31 07:00"]
    continuous = window_spans([], APIA, (utc("2011-12-29T00:00"), utc("2011-12-31T09:00")))
    assert all(one.stop_utc == two.start_utc for one, two in pairwise(continuous))


def test_lead_and_length_are_real_minutes_across_a_change() -> None:
    (span,) = window_spans(
        [window(at=["03:00"], lead_minutes=10)], BERLIN, (utc("2026-03-29T00:00"), utc("2026-03-29T04:00"))
    )
    # 03:00 summer time is 01:00 UTC; ten real minutes earlier the clock showed 01:50.
    assert (span.start_utc, span.stop_utc) == (utc("2026-03-29T00:50"), utc("2026-03-29T01:05"))


def test_a_start_in_the_middle_of_a_window_finds_it_whole() -> None:
    at = utc("2026-07-01T15:02:30")
    (span,) = open_at([window(every_hours=3, name="by day")], BOISE, at)
    assert span == WindowSpan(utc("2026-07-01T15:00"), utc("2026-07-01T15:05"), "by day")  # 09:00 at UTC-6
    assert open_at([window(every_hours=3)], BOISE, utc("2026-07-01T15:05")) == ()
    assert len(open_at([window(every_hours=3)], BOISE, utc("2026-07-01T15:00"))) == 1


def test_the_next_opening_is_after_the_instant() -> None:
    windows = [window(at=["22:00"], days=["sat"]), window(at=["07:00"])]
    opening = next_opening(windows, BOISE, utc("2026-07-04T13:00"))  # 07:00 local, which is open already
    assert opening is not None
    assert opening.start_utc == utc("2026-07-05T04:00")  # Saturday 22:00 local
    assert opening.name == "at 22:00"


def test_the_next_openings_come_in_order_and_across_a_season() -> None:
    windows = [window(every_hours=12, from_date="05-01", to_date="05-01"), window(at=["07:00"], days=["mon"])]
    following = next_openings(windows, BOISE, utc("2026-04-20T00:00"), 5)
    assert [f"{each.start_utc.astimezone(BOISE):%m-%d %H:%M}" for each in following] == [
        *("04-20 07:00", "04-27 07:00", "05-01 00:00", "05-01 12:00", "05-04 07:00"),
    ]
    assert next_openings([window(at=["07:00"], cron=None)], BOISE, utc("2026-04-20T00:00"), 0) == ()


def test_the_next_opening_may_be_years_away_and_may_never_be() -> None:
    leap = next_opening([window(cron="0 7 29 2 *")], BOISE, utc("2096-03-01T00:00"))
    assert leap is not None
    assert leap.start_utc == utc("2104-02-29T14:00")  # 2100 has no 29 February
    assert next_opening([window(cron="0 7 * * mon", days=["sat"])], BOISE, utc("2026-07-04T13:00")) is None


def test_no_windows_mean_a_continuous_watch_a_window_a_day() -> None:
    whole = (utc("2026-10-31T09:00"), utc("2026-11-03T09:00"))
    assert open_time([], NEW_YORK, whole) == (whole,)
    spans = window_spans([], NEW_YORK, whole)
    assert [each.start_utc for each in spans] == [
        *(utc("2026-10-31T04:00"), utc("2026-11-01T04:00"), utc("2026-11-02T05:00"), utc("2026-11-03T05:00")),
    ]
    assert {each.name for each in spans} == {"continuous watch"}
    assert all(one.stop_utc == two.start_utc for one, two in pairwise(spans))


@pytest.mark.parametrize(
    ("from_date", "to_date", "inside", "outside"),
    [
        ("05-01", "10-15", ["05-01", "07-04", "10-15"], ["04-30", "10-16", "01-01"]),
        ("11-15", "02-29", ["11-15", "12-31", "01-01", "02-28"], ["03-01", "11-14", "07-04"]),
        ("07-04", "07-04", ["07-04"], ["07-03", "07-05"]),
    ],
)
def test_a_season_holds_both_its_ends_and_may_pass_new_year(
    from_date: str, to_date: str, inside: list[str], outside: list[str]
) -> None:
    season = window(every_hours=3, from_date=from_date, to_date=to_date)
    assert [opens_on(season, date.fromisoformat(f"2026-{day}")) for day in inside] == [True] * len(inside)
    assert [opens_on(season, date.fromisoformat(f"2026-{day}")) for day in outside] == [False] * len(outside)


def test_a_lead_may_reach_into_the_day_before_the_season() -> None:
    spans = window_spans(
        [window(every_hours=12, lead_minutes=30, from_date="05-01", to_date="05-01")],
        BOISE,
        (utc("2026-04-30T00:00"), utc("2026-05-03T00:00")),
    )
    assert [each.start_utc for each in spans] == [utc("2026-05-01T05:30"), utc("2026-05-01T17:30")]


def test_windows_of_two_tables_stay_two() -> None:
    twins = [window(at=["07:00"], name="a"), window(at=["07:00"], name="b")]
    span = (utc("2026-07-01T00:00"), utc("2026-07-02T00:00"))
    assert [each.name for each in window_spans(twins, BOISE, span)] == ["a", "b"]
    assert len(open_time(twins, BOISE, span)) == 1


def test_spans_unite_where_they_touch_and_part_where_something_is_taken() -> None:
    hours = [utc(f"2031-05-04T{hour:02d}:00") for hour in range(10)]
    assert merged(
        [(hours[3], hours[4]), (hours[1], hours[2]), (hours[2], hours[3]), (hours[6], hours[6])]
    ) == ((hours[1], hours[4]),)
    assert without([(hours[0], hours[6])], [(hours[5], hours[8]), (hours[1], hours[2])]) == (
        *((hours[0], hours[1]), (hours[2], hours[5])),
    )
    assert without([(hours[1], hours[2])], [(hours[0], hours[3])]) == ()


MINUTE_SPANS = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 12)).map(
        lambda pair: (
            utc("2031-05-04T00:00") + timedelta(minutes=pair[0]),
            utc("2031-05-04T00:00") + timedelta(minutes=sum(pair)),
        )
    ),
    max_size=8,
)


@given(MINUTE_SPANS, MINUTE_SPANS)
def test_union_and_difference_hold_minute_by_minute(one: list[Span], other: list[Span]) -> None:
    def minutes(spans: Iterable[Span]) -> set[datetime]:
        origin = utc("2031-05-04T00:00")
        every = (origin + timedelta(minutes=number) for number in range(80))
        return {minute for minute in every if any(start <= minute < stop for start, stop in spans)}

    assert minutes(merged(one)) == minutes(one)
    assert minutes(without(one, other)) == minutes(one) - minutes(other)
    for spans in (merged(one), without(one, other)):
        assert all(start < stop for start, stop in spans)
        assert all(earlier[1] < later[0] for earlier, later in pairwise(spans))


def test_an_instant_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="the instant has no time zone"):
        open_at([], BOISE, datetime(2026, 7, 1))  # noqa: DTZ001
    with pytest.raises(ValueError, match="does not say when it opens"):
        open_at([Window(length_minutes=5)], BOISE, utc("2026-07-01T00:00"))
    with pytest.raises(ValueError, match="does not say for how long"):
        open_at([Window(every_hours=1)], BOISE, utc("2026-07-01T00:00"))


def test_a_simulated_year_opens_every_window_once() -> None:
    """From opening to opening through a year, as a watch that sleeps between them does."""
    windows = [window(every_hours=1, lead_minutes=1), window(cron="30 7 * * sat,sun", length_minutes=40)]
    start, stop = utc("2026-01-01T04:58"), utc("2027-01-01T04:58")
    opened = []
    opening = next_opening(windows, NEW_YORK, start)
    while opening is not None and opening.start_utc < stop:
        opened.append(opening.start_utc)
        # Joined late: the window is found whole.
        assert opening in open_at(windows, NEW_YORK, opening.stop_utc - timedelta(seconds=1))
        opening = next_opening(windows, NEW_YORK, opening.start_utc)
    # By hand: 8760 full hours in UTC, since both changes are by a whole hour; 52 Saturdays and 52 Sundays.
    assert len(opened) == 8760 + 104
    assert len(set(opened)) == len(opened)
