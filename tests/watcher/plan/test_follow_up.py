"""Following up a call for help: how long, how often, and never beyond the power budget."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.errors import PlanError
from watcher.plan import Window
from watcher.plan.follow_up import ExtraSpan, Heard, follow_up_spans
from watcher.plan.reading import plan_from_text
from watcher.plan.stay_rules import FollowUpRules
from watcher.plan.windows import Spans, merged, open_time, without

BOISE, KATHMANDU = ZoneInfo("America/Boise"), ZoneInfo("Asia/Kathmandu")
EVERY_THREE_HOURS = (Window(every_hours=3, length_minutes=5),)
MINUTE = timedelta(minutes=1)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(f"2031-05-{text}").replace(tzinfo=UTC)


def call(text: str, seconds: float = 20, channel: str = "2 m calling") -> Heard:
    return Heard(channel, utc(text), utc(text) + timedelta(seconds=seconds), calls_for_help=True)


def told(spans: tuple[ExtraSpan, ...]) -> list[tuple[str, str, str]]:
    return [(f"{each.start_utc:%d %H:%M:%S}", f"{each.stop_utc:%d %H:%M:%S}", each.reason) for each in spans]


def union(spans: tuple[ExtraSpan, ...]) -> Spans:
    return merged((each.start_utc, each.stop_utc) for each in spans)


def test_the_window_stays_open_and_the_next_hours_are_watched() -> None:
    rules = FollowUpRules(quiet_minutes=10, hours=4, length_minutes=5, lead_minutes=2)
    spans = follow_up_spans(EVERY_THREE_HOURS, BOISE, [call("04T15:03:00")], rules)
    # Windows of the plan at 15:00 and 18:00 UTC (09:00 and 12:00 at UTC-6): they are not extra.
    assert told(spans) == [
        ("04 15:05:00", "04 15:13:20", "not quiet yet"),
        ("04 15:58:00", "04 16:05:00", "next hours"),
        ("04 16:58:00", "04 17:05:00", "next hours"),
        ("04 17:58:00", "04 18:00:00", "next hours"),
        ("04 18:58:00", "04 19:05:00", "next hours"),
    ]
    assert spans[0].said == (
        "kept open after the call on 2 m calling at 2031-05-04T15:03:00.000Z, until the channel is quiet"
    )
    assert (
        spans[1].said
        == "opened at the top of the hour after the call on 2 m calling at 2031-05-04T15:03:00.000Z"
    )


def test_whatever_is_heard_on_the_channel_keeps_it_open_and_other_channels_do_not() -> None:
    rules = FollowUpRules(quiet_minutes=10, hours=0)
    answers = [
        Heard("2 m calling", utc("04T15:12:00"), utc("04T15:14:00")),
        Heard("2 m calling", utc("04T15:20:00"), utc("04T15:21:00")),
        Heard("Hikers", utc("04T15:30:00"), utc("04T15:31:00")),
        Heard("2 m calling", utc("04T15:31:00"), utc("04T15:32:00")),  # quiet had been reached by then
    ]
    spans = follow_up_spans(EVERY_THREE_HOURS, BOISE, [*answers, call("04T15:03:00")], rules)
    assert told(spans) == [("04 15:05:00", "04 15:31:00", "not quiet yet")]


def test_the_tops_are_those_of_the_local_clock() -> None:
    rules = FollowUpRules(quiet_minutes=0, hours=2, length_minutes=5, lead_minutes=0)
    spans = follow_up_spans(EVERY_THREE_HOURS, KATHMANDU, [call("04T00:16:00")], rules)  # 06:01 at +05:45
    assert [f"{each.start_utc:%H:%M}" for each in spans] == ["01:15", "02:15"]


def test_a_call_in_the_lead_of_an_hour_is_followed_from_the_call_on() -> None:
    rules = FollowUpRules(quiet_minutes=0, hours=1, length_minutes=5, lead_minutes=5)
    spans = follow_up_spans([Window(at=("06:00",), length_minutes=5)], BOISE, [call("04T15:57:00")], rules)
    assert told(spans)[-1] == ("04 15:57:20", "04 16:05:00", "next hours")


def test_the_budget_of_the_day_ends_it_and_a_new_day_has_its_own() -> None:
    rules = FollowUpRules(
        quiet_minutes=10, hours=5, length_minutes=10, lead_minutes=0, most_extra_minutes_a_day=15
    )
    # 05:03 UTC is 23:03 of the local 3 May; local midnight is 06:00 UTC, where the plan has a window too.
    spans = follow_up_spans(EVERY_THREE_HOURS, BOISE, [call("04T05:03:00", seconds=0)], rules)
    assert [(*row, each.cut_short) for row, each in zip(told(spans), spans, strict=True)] == [
        ("04 05:03:00", "04 05:13:00", "not quiet yet", False),
        ("04 06:05:00", "04 06:10:00", "next hours", False),
        ("04 07:00:00", "04 07:10:00", "next hours", False),
    ]
    tight = rules.model_copy(update={"most_extra_minutes_a_day": 12.5, "quiet_minutes": 5.0})
    spans = follow_up_spans(EVERY_THREE_HOURS, BOISE, [call("04T05:03:00", seconds=0)], tight)
    assert told(spans)[-1] == ("04 07:00:00", "04 07:07:30", "next hours")
    assert spans[-1].cut_short
    assert spans[-1].said.endswith("; cut short by the power budget of the day")


def test_a_span_over_midnight_takes_from_both_days() -> None:
    windows = [Window(at=("12:00",), length_minutes=5)]
    rules = FollowUpRules(quiet_minutes=30, hours=0, most_extra_minutes_a_day=20)
    # 05:45 UTC is 23:45 in Boise: 15 minutes lie before midnight, and 20 of the 25 after it can be paid for.
    spans = follow_up_spans(windows, BOISE, [call("04T05:45:00", seconds=600)], rules)
    assert [(*row, each.cut_short) for row, each in zip(told(spans), spans, strict=True)] == [
        ("04 05:45:00", "04 06:00:00", "not quiet yet", False),
        ("04 06:00:00", "04 06:20:00", "not quiet yet", True),
    ]


def test_no_call_no_budget_and_a_continuous_watch_add_nothing() -> None:
    heard = Heard("2 m calling", utc("04T15:03:00"), utc("04T15:04:00"))
    assert follow_up_spans(EVERY_THREE_HOURS, BOISE, [heard], FollowUpRules()) == ()
    none = FollowUpRules(most_extra_minutes_a_day=0)
    assert follow_up_spans(EVERY_THREE_HOURS, BOISE, [call("04T15:03:00")], none) == ()
    assert follow_up_spans([], BOISE, [call("04T15:03:00")], FollowUpRules()) == ()


HEARD = st.lists(
    st.builds(
        lambda minutes, length, channel, calls: Heard(
            channel,
            utc("03T20:00") + minutes * MINUTE,
            utc("03T20:00") + (minutes + length) * MINUTE,
            calls_for_help=calls,
        ),
        st.integers(0, 1500),
        st.integers(0, 15),
        st.sampled_from(["a", "b"]),
        st.booleans(),
    ),
    max_size=10,
)
RULES = st.builds(
    FollowUpRules,
    quiet_minutes=st.integers(0, 40),
    hours=st.integers(0, 6),
    length_minutes=st.integers(1, 20),
    lead_minutes=st.integers(0, 10),
    most_extra_minutes_a_day=st.sampled_from([0, 7, 60, 1440]),
)
WINDOWS = st.sampled_from(
    [
        EVERY_THREE_HOURS,
        (Window(every_hours=1, length_minutes=4, lead_minutes=1),),
        (Window(at=("12:00",), length_minutes=60),),  # nothing at midnight
    ]
)


@settings(max_examples=120)
@given(HEARD, RULES, WINDOWS)
def test_extra_time_lies_outside_the_windows_and_within_the_budget(
    heard: list[Heard], rules: FollowUpRules, windows: tuple[Window, ...]
) -> None:
    spans = follow_up_spans(windows, BOISE, heard, rules)
    assert all(one.stop_utc <= two.start_utc for one, two in pairwise(spans))
    watched = open_time(windows, BOISE, (utc("01T00:00"), utc("09T00:00")))
    assert without(union(spans), watched) == union(spans)
    minutes: dict[date, float] = defaultdict(float)
    for each in spans:
        calls = [one for one in heard if one.calls_for_help and one.channel == each.channel]
        assert each.call_utc in {one.start_utc for one in calls}
        assert each.start_utc >= each.call_utc
        for number in range(round((each.stop_utc - each.start_utc) / MINUTE)):
            minutes[(each.start_utc + number * MINUTE).astimezone(BOISE).date()] += 1
    assert all(spent <= rules.most_extra_minutes_a_day for spent in minutes.values())


@settings(max_examples=80)
@given(HEARD, RULES, WINDOWS)
def test_without_a_budget_every_minute_that_is_asked_for_is_watched(
    heard: list[Heard], rules: FollowUpRules, windows: tuple[Window, ...]
) -> None:
    """Minute by minute: all instants of this test are whole minutes."""
    rules = rules.model_copy(update={"most_extra_minutes_a_day": 1440.0})
    spans = union(follow_up_spans(windows, BOISE, heard, rules))
    watched = open_time(windows, BOISE, (utc("01T00:00"), utc("09T00:00")))
    asked: set[datetime] = set()
    for one in (each for each in heard if each.calls_for_help):
        at = one.start_utc
        last = one.stop_utc
        while at < last + rules.quiet_minutes * MINUTE:  # what starts now keeps it open
            starting = [each for each in heard if each.channel == one.channel and each.start_utc == at]
            last = max([last, *(each.stop_utc for each in starting)])
            asked.add(at)
            at += MINUTE
        asked |= {one.start_utc + number * MINUTE for number in range(round((last - one.start_utc) / MINUTE))}
        top = one.start_utc.replace(minute=0) + timedelta(hours=1)  # Boise keeps whole hours
        for hour in range(rules.hours):
            around = top + timedelta(hours=hour)
            span = range(-round(rules.lead_minutes), round(rules.length_minutes))
            asked |= {
                around + number * MINUTE for number in span if around + number * MINUTE >= one.start_utc
            }
    wanted = merged((at, at + MINUTE) for at in asked)
    assert spans == without(wanted, watched)


@settings(max_examples=80)
@given(HEARD, RULES, WINDOWS, st.integers(0, 1600))
def test_what_is_heard_later_takes_nothing_back(
    heard: list[Heard], rules: FollowUpRules, windows: tuple[Window, ...], minutes: int
) -> None:
    now = utc("03T20:00") + minutes * MINUTE
    future = [(now, utc("30T00:00"))]
    by_then = [each for each in heard if each.stop_utc <= now]
    before = union(follow_up_spans(windows, BOISE, by_then, rules))
    after = union(
        follow_up_spans(
            windows, BOISE, [each for each in heard if each in by_then or each.start_utc > now], rules
        )
    )
    assert without(before, future) == without(after, future)


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ("[follow_up]\nhours = 1.5", "follow_up: hours is 1.5; it must be a whole number between 0 and 48"),
        (
            "[follow_up]\nquiet_minutes = 300",
            "follow_up: quiet_minutes is 300; it must be a number of minutes between 0 and 240",
        ),
        ("[follow_up]\nhour = 1", "follow_up: hour is not a key of [follow_up]; did you mean hours?"),
        ("[[follow_up]]\nhours = 1", "follow_up must be headed [follow_up], with single brackets, once"),
        (
            "[dwell]\ndwell_seconds = 60",
            "dwell: longest_stay_seconds is 30; it must be at least dwell_seconds, which is 60",
        ),
        (
            "[dwell]\ndwell_seconds = 0",
            "dwell: dwell_seconds is 0; it must be a number of seconds between 1 and 600",
        ),
    ],
)
def test_a_wrong_table_is_told(table: str, sentence: str) -> None:
    channel = '[[channel]]\nname = "a"\nfrequency_mhz = 146.52\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    with pytest.raises(PlanError) as refused:
        plan_from_text(channel + table, Path("plan.toml"))
    assert refused.value.problems == [f"plan.toml: {sentence}"]
    plan = plan_from_text(channel + "[follow_up]\nhours = 2\n[dwell]\ndwell_seconds = 5", Path("plan.toml"))
    assert (plan.follow_up.hours, plan.dwell.dwell_seconds) == (2, 5)
