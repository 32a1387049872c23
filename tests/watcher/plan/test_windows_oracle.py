"""Windows against a clock on the wall, read minute by minute.

The oracle knows neither offsets nor folds: it walks through UTC minute by minute, reads the local clock
of the zone as a person would, notes what it shows, what it jumps over and what it shows a second time.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import pairwise
from zoneinfo import ZoneInfo, available_timezones

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.plan import Window
from watcher.plan.windows import Span, Spans, open_at, open_time, window_spans

MINUTE = timedelta(minutes=1)
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
ODD_ZONES = (
    *("Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu", "Australia/Eucla", "Pacific/Chatham"),
    *(
        "Africa/Cairo",
        "America/Sao_Paulo",
        "Asia/Beirut",
        "Pacific/Apia",
        "Antarctica/Troll",
        "Africa/Casablanca",
    ),
    *("America/New_York", "Europe/Berlin", "Asia/Tehran", "America/Havana", "America/Scoresbysund", "UTC"),
)


@lru_cache(maxsize=512)
def change_days(zone_name: str, year: int) -> tuple[date, ...]:
    """The UTC days of a year on which the zone's offset changes."""
    zone = ZoneInfo(zone_name)
    noons = [datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=number) for number in range(366)]
    offsets = [noon.astimezone(zone).utcoffset() for noon in noons]
    return tuple(
        noon.date()
        for noon, one, next_one in zip(noons, offsets, offsets[1:], strict=False)
        if one != next_one
    )


@st.composite
def whereabouts(draw: st.DrawFn) -> tuple[ZoneInfo, datetime]:
    """A zone and a UTC midnight, more often than not close to a clock change."""
    zone_name = draw(
        st.sampled_from(ODD_ZONES) | st.sampled_from(sorted(available_timezones() - {"localtime"}))
    )
    year = draw(st.integers(1980, 2045))
    changes = change_days(zone_name, year)
    if changes and draw(st.integers(0, 3)):
        day = draw(st.sampled_from(changes))
    else:
        day = date(year, 1, 1) + timedelta(days=draw(st.integers(0, 364)))
    return ZoneInfo(zone_name), datetime.combine(day, time.min, UTC)


CLOCKS = st.builds(time, st.integers(0, 23), st.sampled_from([0, 0, 15, 30, 59]))
MONTH_DAYS = st.dates(date(2024, 1, 1), date(2024, 12, 31)).map(lambda day: f"{day:%m-%d}")


@st.composite
def tables(draw: st.DrawFn) -> Window:
    """Any `[[window]]` table."""
    keys: dict[str, object] = draw(
        st.one_of(
            st.sampled_from([1, 2, 3, 4, 6, 8, 12, 24]).map(lambda hours: {"every_hours": hours}),
            st.lists(CLOCKS, min_size=1, max_size=5).map(lambda clocks: {"at": clocks}),
            st.sampled_from(["0 */3 * * *", "*/20 1,2 * * sat,sun", "30 * 1-20 3-10 *", "5 0 * * mon"]).map(
                lambda cron: {"cron": cron}
            ),
            st.just({"continuous": True}),
        )
    )
    if "continuous" not in keys:
        keys["length_minutes"] = draw(st.integers(1, 90) | st.just(1440))
        keys["lead_minutes"] = draw(st.integers(0, 60))
    if draw(st.booleans()):
        keys["from_date"], keys["to_date"] = draw(MONTH_DAYS), draw(MONTH_DAYS)
    if draw(st.booleans()):
        keys["days"] = draw(st.lists(st.sampled_from(DAYS), min_size=1, max_size=7))
    return Window.model_validate(keys)


def oracle_names(window: Window, shown: datetime) -> bool:
    """Whether the table has a start at what the local clock shows, written out once more by hand."""
    day = f"{shown:%m-%d}"
    if window.from_date is not None and window.to_date is not None:
        if window.from_date <= window.to_date:
            if not window.from_date <= day <= window.to_date:
                return False
        elif window.to_date < day < window.from_date:
            return False
    if window.days is not None and DAYS[shown.weekday()] not in window.days:
        return False
    if window.continuous:
        return (shown.hour, shown.minute) == (0, 0)
    if window.every_hours is not None:
        return shown.minute == 0 and shown.hour % window.every_hours == 0
    if window.at is not None:
        return shown.time() in window.at
    return {
        "0 */3 * * *": shown.minute == 0 and shown.hour % 3 == 0,
        "*/20 1,2 * * sat,sun": shown.minute % 20 == 0 and shown.hour in (1, 2) and shown.weekday() >= 5,
        "30 * 1-20 3-10 *": shown.minute == 30 and shown.day <= 20 and 3 <= shown.month <= 10,
        "5 0 * * mon": (shown.hour, shown.minute) == (0, 5) and shown.weekday() == 0,
    }[str(window.cron)]


@lru_cache(maxsize=4)
def oracle_comings(zone: ZoneInfo, span: Span) -> list[tuple[datetime, datetime, bool]]:
    """What the local clock shows or jumps over, when that is, and whether it is shown for the second time."""
    comings = []
    seen: set[datetime] = set()
    instant = span[0]
    before = (instant - MINUTE).astimezone(zone).replace(tzinfo=None, fold=0)
    while instant < span[1]:
        shown = instant.astimezone(zone).replace(tzinfo=None, fold=0)
        # Jumped over: where the clock would have been, had it run on as it ran before.
        skipped = before + MINUTE
        late = timedelta(0)
        while skipped < shown:
            comings.append((instant + late, skipped, False))
            skipped, late = skipped + MINUTE, late + MINUTE
        comings.append((instant, shown, shown in seen))
        seen.add(shown)
        before, instant = shown, instant + MINUTE
    return comings


def opens_in_every_hour(window: Window) -> bool:
    return window.every_hours == 1 or (
        (window.at is not None and {each.hour for each in window.at} == set(range(24)))
        or (window.cron or "").split()[1:2] == ["*"]
    )


def oracle_spans(window: Window, zone: ZoneInfo, span: Span) -> list[Span]:
    """The windows that touch a span."""
    around = (span[0] - timedelta(hours=50), span[1] + timedelta(hours=50))
    comings = oracle_comings(zone, around)
    if window.continuous:
        midnights = [
            (instant, shown)
            for instant, shown, again in comings
            if (shown.hour, shown.minute) == (0, 0) and not again
        ]
        following = [instant for instant, _ in midnights[1:]]
        spans = {
            (start, stop)
            for (start, shown), stop in zip(midnights, following, strict=False)
            if start < stop and oracle_names(window, shown)
        }
    else:
        lead, length = timedelta(minutes=window.lead_minutes), timedelta(minutes=window.length_minutes or 0)
        spans = {
            (instant - lead, instant + length)
            for instant, shown, again in comings
            if oracle_names(window, shown) and (not again or opens_in_every_hour(window))
        }
    return sorted(each for each in spans if each[0] < span[1] and each[1] > span[0])


@pytest.mark.slow
@pytest.mark.parametrize("zone_name", ODD_ZONES)
def test_every_change_of_the_odd_zones_is_met(zone_name: str) -> None:
    zone = ZoneInfo(zone_name)
    windows = [
        Window(every_hours=1, length_minutes=5, lead_minutes=2),
        Window(every_hours=2, length_minutes=5),
        Window(at=(time(0), time(0, 30), time(1, 15), time(2), time(2, 30)), length_minutes=10),
        Window(continuous=True),
    ]
    for day in (change for year in (1995, 2011, 2024) for change in change_days(zone_name, year)):
        midnight = datetime.combine(day, time.min, UTC)
        span = (midnight - timedelta(hours=16), midnight + timedelta(hours=36))
        for window in windows:
            found = [(each.start_utc, each.stop_utc) for each in window_spans([window], zone, span)]
            assert found == oracle_spans(window, zone, span), (window.said_name, day)


@pytest.mark.slow
@settings(max_examples=50)
@given(whereabouts(), tables())
def test_windows_are_those_of_a_clock_on_the_wall(where: tuple[ZoneInfo, datetime], window: Window) -> None:
    zone, midnight = where
    span = (midnight - timedelta(hours=20), midnight + timedelta(hours=44))
    found = [(each.start_utc, each.stop_utc) for each in window_spans([window], zone, span)]
    assert found == oracle_spans(window, zone, span)


@pytest.mark.slow
@settings(max_examples=15)
@given(whereabouts(), st.lists(tables(), min_size=1, max_size=3), st.integers(0, 2879))
def test_open_time_is_every_minute_in_which_a_window_is_open(
    where: tuple[ZoneInfo, datetime], windows: list[Window], joined_minute: int
) -> None:
    zone, midnight = where
    span = (midnight - timedelta(hours=4), midnight + timedelta(hours=44))
    wanted = [one for window in windows for one in oracle_spans(window, zone, span)]
    union = open_time(windows, zone, span)
    assert_disjoint(union)
    minutes = [span[0] + number * MINUTE for number in range(48 * 60)]
    for instant in minutes:
        open_by_oracle = any(start <= instant < stop for start, stop in wanted)
        assert any(start <= instant < stop for start, stop in union) == open_by_oracle
    # A start in the middle of a window finds the window whole.
    joined = minutes[joined_minute]
    inside = open_at(windows, zone, joined)
    assert sorted((each.start_utc, each.stop_utc) for each in inside) == sorted(
        each for each in wanted if each[0] <= joined < each[1]
    )


def assert_disjoint(union: Spans) -> None:
    assert all(start < stop for start, stop in union)
    assert all(earlier[1] < later[0] for earlier, later in pairwise(union))
