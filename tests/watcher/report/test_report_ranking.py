"""What to hear first, and the reasons that are given."""

from __future__ import annotations

import pytest

from tests.watcher.report.made_records import channel, whole
from watcher.receive.records import CodeReading, EndedBy, Finding, Sign
from watcher.report.exchanges import Exchange, WholeTransmission
from watcher.report.ranking import in_order_of_hearing, ranked

CALLING = channel("calling", priority=1, expect_tone_hz=100.0)
CHAT = channel("chat")
PLAN = {"calling": CALLING, "chat": CHAT}


def exchange(*transmissions: WholeTransmission) -> Exchange:
    return Exchange(transmissions)


def reasons(*transmissions: WholeTransmission, busy: bool = False) -> list[str]:
    """The words of the reasons of one exchange; empty where it has none."""
    busy_channels = frozenset({transmissions[0].channel} if busy else ())
    found = ranked([exchange(*transmissions)], PLAN, busy_channels)
    return [reason.words for one in found for reason in one.reasons]


def test_an_ordinary_chat_has_no_reason() -> None:
    assert reasons(whole("chat", 0, 5, snr=20), whole("chat", 7, 5, snr=21)) == []


def test_each_reason_is_named() -> None:
    weak_call = whole("calling", 0, 40, snr=6.4, tone_hz=None, flags=("long-tone",))
    assert reasons(weak_call) == [
        "a zero held three seconds or more, by amateur custom a call for help",
        "on a channel of priority 1",
        "nobody else was heard with it",
        "no tone where 100.0 Hz is expected",
        "weak: 6 dB",
        "long: 40 s without a break",
    ]


def test_another_tone_is_a_reason_and_an_unread_one_is_not() -> None:
    pair = (whole("calling", 0, 5, tone_hz=123.0), whole("calling", 6, 5))
    assert "tone 123.0 Hz where tone 100.0 Hz is expected" in reasons(*pair)
    assert reasons(whole("calling", 0, 5), whole("calling", 6, 5)) == ["on a channel of priority 1"]
    right = (whole("calling", 0, 5, tone_hz=100.0), whole("calling", 6, 5, tone_hz=100.0))
    assert reasons(*right) == ["on a channel of priority 1"]


def test_being_alone_or_long_means_nothing_on_a_busy_channel() -> None:
    forecast = whole("chat", 0, 1800, snr=30)
    assert reasons(forecast) == ["nobody else was heard with it", "long: 1800 s without a break"]
    assert reasons(forecast, busy=True) == []


def test_a_carrier_that_never_came_up_nor_fell_is_no_call() -> None:
    through = {"on_at_start": True, "ended_by": EndedBy.END_OF_SAMPLES}
    assert reasons(whole("chat", 0, 60, snr=30, **through)) == []
    fell = {"on_at_start": True}
    assert reasons(whole("chat", 0, 20, snr=30, **fell)) == ["nobody else was heard with it"]


def test_a_touched_button_is_not_a_call() -> None:
    assert reasons(whole("chat", 0, 0.4, snr=20)) == []


def test_limits_belong_to_the_weak_and_the_long() -> None:
    pair = (whole("chat", 0, 30, snr=10.0), whole("chat", 31, 5, snr=30))
    assert reasons(*pair) == ["weak: 10 dB", "long: 30 s without a break"]
    pair = (whole("chat", 0, 29.9, snr=10.1), whole("chat", 31, 5, snr=30))
    assert reasons(*pair) == []


def test_most_points_come_first_then_the_earlier() -> None:
    chat_late = exchange(whole("chat", 500, 5))
    chat_early = exchange(whole("chat", 100, 5))
    call = exchange(whole("calling", 900, 5, tone_hz=None))
    found = ranked([chat_late, call, chat_early], PLAN)
    assert [one.exchange for one in found] == [call, chat_early, chat_late]
    assert [one.points for one in found] == [6, 2, 2]


def test_a_channel_in_no_plan_is_ranked_too() -> None:
    assert reasons(whole("stray", 0, 5)) == ["nobody else was heard with it"]


def test_weights_follow_what_a_reason_says() -> None:
    held = exchange(whole("chat", 0, 9, flags=("long-tone",)), whole("chat", 12, 3))
    carrier = exchange(whole("chat", 200, 9, flags=("unmodulated",)), whole("chat", 212, 3))
    other = exchange(whole("chat", 400, 9, flags=("odd",)), whole("chat", 412, 3))
    found = ranked([other, carrier, held], PLAN)
    assert [one.exchange for one in found] == [held, other, carrier]
    assert found[1].reasons[0].words == "flagged: odd"


@pytest.mark.parametrize(("severity", "points"), [(0, 0), (2, 4), (4, 8)])
def test_an_alert_weighs_what_its_severity_says(severity: float, points: int) -> None:
    alert = Finding(Sign.SAME, 0, 2, "ZCZC", "Tornado Warning, for X", figures={"severity": severity})
    heard = whole("weather", 0, 60, flags=("same",), findings=(alert,))
    (one,) = ranked([exchange(heard)], PLAN, frozenset({"weather"}))
    assert [(reason.points, reason.words) for reason in one.reasons] == [
        (points, "alert: Tornado Warning, for X")
    ]


def test_a_weak_station_on_a_calling_channel_counts_for_more() -> None:
    plan = {"open": channel("open", calling=True), "chat": channel("chat")}
    pair = (whole("open", 0, 5, snr=6), whole("open", 7, 5, snr=20))
    (one,) = ranked([exchange(*pair)], plan)
    assert [(reason.points, reason.words) for reason in one.reasons] == [
        (4, "on a calling channel"),
        (3, "weak, and on a calling channel: 6 dB"),
    ]


def lone_calls(*starts_s: float) -> list[Exchange]:
    return [exchange(whole("chat", start_s, 6)) for start_s in starts_s]


def test_calls_minutes_apart_that_nobody_answers_are_somebody_calling_in_the_blind() -> None:
    found = ranked(lone_calls(0, 200, 420), PLAN)
    words = "one of 3 calls minutes apart that nobody answered"
    assert [[reason.words for reason in one.reasons] for one in found] == [[words]] * 3
    assert found[0].points == 5


@pytest.mark.parametrize(
    "exchanges",
    [
        lone_calls(0, 200),  # two may be chance
        lone_calls(0, 200, 1200),  # and went away
        [*lone_calls(0, 200), exchange(whole("chat", 400, 5), whole("chat", 408, 5)), *lone_calls(600)],
    ],
)
def test_fewer_later_or_answered_calls_are_none(exchanges: list[Exchange]) -> None:
    found = ranked(exchanges, PLAN)
    assert not any("nobody answered" in reason.words for one in found for reason in one.reasons)


def test_a_code_is_expected_like_a_tone() -> None:
    plan = {"family": channel("family", expect_code="023N")}
    right, other, none = (CodeReading("023N", "047I"), CodeReading("114N"), CodeReading(None))
    words = [
        [
            reason.words
            for one in ranked([exchange(whole("family", 0, 5, code=code), whole("family", 7, 5))], plan)
            for reason in one.reasons
        ]
        for code in (right, other, none)
    ]
    assert words == [[], ["code 114N where code 023N is expected"], ["no code where 023N is expected"]]


def test_one_begins_with_the_flagged_transmission_else_with_the_first() -> None:
    first, second = whole("chat", 0, 5, snr=3), whole("chat", 7, 5, flags=("dtmf",))
    assert ranked([exchange(first, second)], PLAN)[0].begin_with is second
    assert ranked([exchange(first, whole("chat", 7, 5))], PLAN)[0].begin_with is first


def test_in_order_of_hearing_comes_every_entry_once() -> None:
    early, call, late = (
        whole("chat", 0, 5, entry_id=1, snr=20),
        whole("calling", 100, 5, entry_id=2, flags=("long-tone",)),
        whole("chat", 7, 5, entry_id=3, snr=20),
    )
    exchanges = [exchange(early, late), exchange(call)]
    ordered = in_order_of_hearing(ranked(exchanges, PLAN), [early, late, call])
    assert [one.entry_id for one in ordered] == [2, 1, 3]
