"""What one alert may send and when: limits, quiet hours, retries."""

from __future__ import annotations

from datetime import UTC, datetime

from watcher.receive.records import EndedBy, Transmission
from watcher.watch.alert_outbox import BACK_OFF_S, GIVE_UP_S, HOUR_S, MERGE_S, MOST_PENDING, Outbox
from watcher.watch.alert_texts import Item

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
HEARD = Transmission("a", 1, "nfm", 0, 1, NOON, NOON, NOON, NOON, EndedBy.CARRIER_DROP)


def call() -> Item:
    return Item(HEARD, None, ("beacon",), True)


def lesser() -> Item:
    return Item(HEARD, None, ("calling",), False)


def send_all(box: Outbox, now_s: float) -> int:
    """Send what is due at this instant; how many transmissions the message told of."""
    due_s = box.due_at_s(now_s)
    if due_s is None or due_s > now_s:
        return 0
    items = box.items()
    box.sent(items, box.untold, now_s)
    return len(items)


def test_what_comes_may_go_at_once() -> None:
    box = Outbox(1)
    assert box.due_at_s(0) is None
    box.add(lesser(), 5, quiet=False)
    assert box.due_at_s(5) == 5
    assert send_all(box, 5) == 1
    assert box.due_at_s(6) is None


def test_the_limit_holds_back_what_asks_for_no_help() -> None:
    box = Outbox(2)
    for second in range(5):
        box.add(lesser(), second, quiet=False)
        send_all(box, second)
    assert (box.held_back, box.untold, len(box.pending)) == (3, 3, 0)
    box.add(lesser(), HOUR_S, quiet=False)  # the first message is an hour old
    assert send_all(box, HOUR_S) == 1
    assert box.untold == 0


def test_calls_for_help_over_the_limit_go_together_and_none_is_lost() -> None:
    box, told, messages = Outbox(1), 0, 0
    for second in range(1200):  # one each second for twenty minutes
        box.add(call(), second, quiet=False)
        if number := send_all(box, second):
            told, messages = told + number, messages + 1
    told += send_all(box, 1200 + MERGE_S)
    assert told == 1200
    # The first at once, then at most one in five minutes.
    assert messages <= 1 + 1200 // MERGE_S


def test_no_call_for_help_waits_longer_than_the_merge() -> None:
    box = Outbox(1)
    box.add(call(), 0, quiet=False)
    assert send_all(box, 0) == 1
    box.add(call(), 1, quiet=False)
    assert box.due_at_s(1) == MERGE_S


def test_quiet_hours_silence_everything_but_calls_for_help() -> None:
    box = Outbox(6)
    box.add(lesser(), 0, quiet=True)
    assert (box.due_at_s(0), box.held_back) == (None, 1)
    box.add(call(), 1, quiet=True)
    assert send_all(box, 1) == 1


def test_pauses_between_attempts_grow_and_stay() -> None:
    box, now_s, pauses = Outbox(6), 0.0, []
    box.add(call(), now_s, quiet=False)
    for _ in range(6):
        pauses.append(box.failed(now_s))
        assert box.due_at_s(now_s) == now_s + pauses[-1]
        now_s += pauses[-1]
    assert tuple(pauses[:4]) == BACK_OFF_S == (5.0, 30.0, 120.0, 600.0)
    assert pauses[4:] == [600.0, 600.0]
    assert send_all(box, now_s) == 1
    box.add(call(), now_s, quiet=False)
    assert box.failed(now_s) == 5.0  # a success begins anew


def test_what_comes_while_a_service_fails_goes_in_the_same_message() -> None:
    box = Outbox(1)
    box.add(call(), 0, quiet=False)
    box.failed(0)
    box.add(call(), 1, quiet=False)
    box.add(lesser(), 2, quiet=False)
    assert box.due_at_s(2) == 5.0
    assert send_all(box, 5.0) == 3


def test_old_news_is_given_up_and_calls_for_help_are_not() -> None:
    box = Outbox(6)
    box.add(lesser(), 0, quiet=False)
    box.add(call(), 0, quiet=False)
    box.failed(0)
    assert box.due_at_s(GIVE_UP_S) is not None
    assert [item.distress for item in box.items()] == [True]
    assert box.untold == 1


def test_a_full_outbox_keeps_the_calls_for_help() -> None:
    box = Outbox(6)
    for _ in range(MOST_PENDING):
        box.add(lesser(), 0, quiet=False)
    for _ in range(10):
        box.add(call(), 1, quiet=False)
    assert len(box.pending) == MOST_PENDING
    assert sum(item.distress for item in box.items()) == 10
    for _ in range(2 * MOST_PENDING):
        box.add(call(), 2, quiet=False)
    assert len(box.pending) == MOST_PENDING
    assert box.untold == 10 + 2 * MOST_PENDING


def test_what_was_held_back_while_a_message_went_is_told_by_the_next() -> None:
    box = Outbox(1)
    box.add(call(), 0, quiet=False)
    items, untold = box.items(), box.untold
    late = call()
    box.add(late, 1, quiet=False)
    box.add(lesser(), 1, quiet=True)
    box.sent(items, untold, 2)
    assert box.items() == (late,)
    assert box.untold == 1
