"""What to hear first, and the reasons that are given."""

from __future__ import annotations

from tests.watcher.report.made_records import channel, whole
from watcher.receive.records import EndedBy
from watcher.report.exchanges import Exchange, WholeTransmission
from watcher.report.ranking import ranked

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
        "flagged: long-tone",
        "on a channel of priority 1",
        "nobody else was heard with it",
        "no tone where 100.0 Hz is expected",
        "weak: 6 dB",
        "long: 40 s without a break",
    ]


def test_another_tone_is_a_reason_and_an_unread_one_is_not() -> None:
    pair = (whole("calling", 0, 5, tone_hz=123.0), whole("calling", 6, 5))
    assert "tone 123.0 Hz where 100.0 Hz is expected" in reasons(*pair)
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


def test_one_begins_with_the_flagged_transmission_else_with_the_first() -> None:
    first, second = whole("chat", 0, 5, snr=3), whole("chat", 7, 5, flags=("dtmf",))
    assert ranked([exchange(first, second)], PLAN)[0].begin_with is second
    assert ranked([exchange(first, whole("chat", 7, 5))], PLAN)[0].begin_with is first
