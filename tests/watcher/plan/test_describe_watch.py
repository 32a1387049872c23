"""The rows that tell when and where a plan listens; who has which tunings."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import Channel, Radio, Station, WatchPlan, Window
from watcher.plan.describe_watch import describe_watch
from watcher.plan.radio_duties import radio_duties
from watcher.plan.stay_rules import DwellRules, FollowUpRules

BOISE = Station(time_zone="America/Boise")
AT = datetime(2026, 9, 20, 2, 30, tzinfo=UTC)  # Saturday 20:30 in Boise, UTC-6


def channel(name: str, frequency_hz: int, priority: int = 5) -> Channel:
    return Channel(name=name, frequency_hz=frequency_hz, mode="nfm", bandwidth_hz=12_500, priority=priority)


CALLING = channel("2 m calling", 146_520_000, 1)
HIKERS = channel("Hikers", 146_580_000)
FAMILY = channel("Family 1", 462_562_500)
AIR = channel("Guard", 121_500_000)


def test_the_next_windows_are_told_in_local_time_and_utc() -> None:
    windows = (
        Window(every_hours=12, length_minutes=5, lead_minutes=2),
        Window(at=("20:28",), length_minutes=5, name="club"),
    )
    said = describe_watch(WatchPlan(station=BOISE, channels=(CALLING,), windows=windows), AT, openings=3)
    assert said.facts[:4] == (
        ("open now", "Sat 19 Sep 2026, 20:28 to 20:33 MDT (Sun 02:28 to 02:33 UTC), club"),
        ("opens", "Sat 19 Sep 2026, 23:58 to Sun 00:05 MDT (Sun 05:58 to 06:05 UTC), every 12 hours"),
        ("opens", "Sun 20 Sep 2026, 11:58 to 12:05 MDT (17:58 to 18:05 UTC), every 12 hours"),
        ("opens", "Sun 20 Sep 2026, 20:28 to 20:33 MDT (Mon 02:28 to 02:33 UTC), club"),
    )


def test_a_window_over_a_clock_change_tells_both_zones() -> None:
    window = Window(at=("01:00",), length_minutes=90)
    plan = WatchPlan(station=BOISE, channels=(CALLING,), windows=(window,))
    said = describe_watch(plan, datetime(2026, 11, 1, tzinfo=UTC), openings=1)
    assert said.facts[0] == (
        "opens",
        "Sun 01 Nov 2026, 01:00 MDT to 01:30 MST (07:00 to 08:30 UTC), at 01:00",
    )


@pytest.mark.parametrize(
    "windows", [(), (Window(continuous=True),), (Window(every_hours=1, length_minutes=60),)]
)
def test_a_watch_without_a_break_is_told_as_one(windows: tuple[Window, ...]) -> None:
    said = describe_watch(WatchPlan(station=BOISE, channels=(CALLING,), windows=windows), AT)
    assert said.facts[0] == ("open now", "without a break")


def test_a_plan_in_utc_tells_its_windows_once() -> None:
    plan = WatchPlan(channels=(CALLING,), windows=(Window(every_hours=3, length_minutes=5),))
    assert describe_watch(plan, AT, openings=1).facts[0] == (
        "opens",
        "Sun 20 Sep 2026, 03:00 to 03:05 UTC, every 3 hours",
    )


def test_tunings_and_revisit_times_are_told() -> None:
    plan = WatchPlan(
        station=BOISE,
        channels=(CALLING, HIKERS, FAMILY, AIR),
        radios=(Radio(kind="rtlsdr", sample_rate_hz=2_400_000),),
        dwell=DwellRules(dwell_seconds=3, longest_stay_seconds=20),
    )
    facts = dict(describe_watch(plan, AT).facts)
    # Pass bands of 11 kHz; 60 kHz apart they take 71 kHz of the usable 0.8 x 2400 kHz.
    assert facts["tuning 2"].endswith("MHz: 2 m calling, Hikers; room for 1849 kHz more")
    assert facts["tuning 1"].endswith("MHz: Guard; room for 1909 kHz more")
    # Five turns, 2 1 2 2 3: visits of 6, 3 and 3 s lie between two of the first tuning, and 4 retunes of
    # 0.3 s; whatever is heard, three stays of 20 s.
    assert facts["radio"] == "visits tunings 2 1 2 3 in turn"
    assert facts["revisit of tuning 1"] == "after 13.2 s at most where nothing is heard, 61.2 s whatever is"


def test_several_radios_share_and_an_idle_one_is_told() -> None:
    radios = (Radio(kind="rtlsdr"), Radio(kind="recording", path=Path("x.cu8")), Radio(kind="rtlsdr"))
    plan = WatchPlan(station=BOISE, channels=(CALLING, FAMILY), radios=radios)
    assert [(duty.number, len(duty.dwell.visits)) for duty in radio_duties(plan)] == [(0, 1), (2, 1)]
    said = describe_watch(plan, AT)
    assert ("radio 1", "stays on tuning 1") in said.facts
    assert ("radio 3", "stays on tuning 2") in said.facts
    alone = plan.model_copy(update={"channels": (CALLING,)})
    assert describe_watch(alone, AT).warnings == (
        "radio 3 has nothing to hear: the others hear every channel",
    )


def test_the_narrowest_radio_sets_the_tunings() -> None:
    wide = (Radio(kind="rtlsdr", sample_rate_hz=2_400_000),)
    narrow = (*wide, Radio(kind="rtlsdr", sample_rate_hz=250_000))
    channels = (CALLING, channel("Far ridge", 146_940_000))
    assert len(radio_duties(WatchPlan(channels=channels, radios=wide))[0].tunings) == 1
    assert len(radio_duties(WatchPlan(channels=channels, radios=narrow))[0].tunings) == 2


def test_warnings_of_tunings_are_told_and_other_radios_have_no_such_crystal() -> None:
    birdie = channel("Weak signal", 144_001_000)
    plan = WatchPlan(channels=(birdie,), radios=(Radio(kind="rtlsdr"),))
    assert describe_watch(plan, AT).warnings == (
        'channel "Weak signal" lies on harmonic 5 of the radio\'s crystal, about 144.000 MHz; '
        "a steady carrier may stand there that nobody sends",
    )
    other = plan.model_copy(update={"radios": (Radio(kind="soapy", driver="x"),)})
    assert describe_watch(other, AT).warnings == ()


def test_a_span_too_narrow_is_told_as_a_warning_and_refused_by_the_watch() -> None:
    plan = WatchPlan(channels=(CALLING,), radios=(Radio(kind="rtlsdr", sample_rate_hz=30_000),))
    with pytest.raises(PlanError, match="sample_rate_hz is 30000; it must be at least"):
        radio_duties(plan)
    (warning,) = describe_watch(plan, AT).warnings
    assert warning.startswith('channel "2 m calling": sample_rate_hz is 30000')


def test_a_window_too_short_for_all_tunings_is_warned_of() -> None:
    plan = WatchPlan(
        channels=(CALLING, FAMILY, AIR),
        radios=(Radio(kind="rtlsdr"),),
        windows=(Window(every_hours=3, length_minutes=1, lead_minutes=0.5),),
        dwell=DwellRules(longest_stay_seconds=30),
    )
    # In the cycle 2 1 2 3 tuning 2 waits for one stay of 30 s; 1 and 3 wait for three, and four retunes of
    # 0.3 s: longer than the window's 90 s.
    assert describe_watch(plan, AT).warnings == tuple(
        f"tuning {number} may not be heard for 91.2 s, and the shortest window lasts 90 s; more radios, "
        "fewer channels or a shorter longest_stay_seconds help"
        for number in (1, 3)
    )
    longer = plan.model_copy(update={"windows": (Window(every_hours=3, length_minutes=2),)})
    assert describe_watch(longer, AT).warnings == ()


def test_a_window_that_adds_nothing_is_warned_of() -> None:
    hourly = Window(every_hours=1, length_minutes=5)
    summer = Window(at=("07:00",), length_minutes=5, from_date="05-01", to_date="09-30", name="summer")
    longer = Window(at=("07:00",), length_minutes=6)
    plan = WatchPlan(station=BOISE, channels=(CALLING,), windows=(hourly, summer, longer))
    assert describe_watch(plan, AT).warnings == (
        "window 2, summer, adds nothing: others are open whenever it is",
    )


def test_a_plan_without_radios_has_no_tunings() -> None:
    assert radio_duties(WatchPlan(channels=(CALLING,))) == ()


@pytest.mark.parametrize(
    ("rules", "text"),
    [
        (
            FollowUpRules(quiet_minutes=10, hours=6, most_extra_minutes_a_day=120),
            "open until the channel was quiet for 10 minutes, open around the next 6 hours, from 2 minutes "
            "before to 5 minutes after, at most 120 extra minutes a day",
        ),
        (
            FollowUpRules(quiet_minutes=5, hours=0, most_extra_minutes_a_day=30),
            "open until the channel was quiet for 5 minutes, at most 30 extra minutes a day",
        ),
        (FollowUpRules(most_extra_minutes_a_day=0), "nothing beyond the windows"),
        (FollowUpRules(quiet_minutes=0, hours=0), "nothing beyond the windows"),
    ],
)
def test_following_up_is_told(rules: FollowUpRules, text: str) -> None:
    windows = (Window(every_hours=3, length_minutes=5),)
    plan = WatchPlan(channels=(CALLING,), windows=windows, follow_up=rules)
    assert dict(describe_watch(plan, AT).facts)["after a call for help"] == text
