"""The card for the person at the radio."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from watcher.watch.cue_card import ANSWER_S, CALL_S, NEVER_TRANSMITS, card, cues

NINE = datetime(2031, 5, 4, 9, tzinfo=UTC)
TEN_MINUTES = timedelta(minutes=10)


def at(seconds: float) -> tuple[str, ...]:
    return card(NINE, TEN_MINUTES, NINE + timedelta(seconds=seconds))


def test_the_order_is_listen_four_minutes_call_listen_call_listen() -> None:
    assert [(cue.start_s, cue.stop_s) for cue in cues(600)] == [
        (0, 240),
        (240, 255),
        (255, 285),
        (285, 300),
        (300, 330),
        (330, 600),
    ]
    words = [cue.todo.split()[0].rstrip(".") for cue in cues(600)]
    assert words == ["Listen", "Call", "Listen", "Call", "Listen", "Listen"]


def test_the_card_says_what_now_for_how_long_and_what_then() -> None:
    assert at(0) == (
        "NOW   4:00  Listen. Do not call yet: somebody weak may be calling.",
        "then  0:15  Call for traffic: say who you are, ask for anybody who needs help, "
        "then let go of the key.",
        "then  0:30  Listen for an answer.",
        "then  0:15  Call again.",
        "then  0:30  Listen for an answer.",
        "then  4:30  Listen on until the window closes.",
        NEVER_TRANSMITS,
    )
    assert at(239.5)[0] == "NOW   0:01  Listen. Do not call yet: somebody weak may be calling."
    assert at(240)[0].startswith("NOW   0:15  Call for traffic")
    assert at(300)[0] == "NOW   0:30  Listen for an answer."
    assert at(599.2)[:2] == ("NOW   0:01  Listen on until the window closes.", NEVER_TRANSMITS)


def test_before_and_after_the_window() -> None:
    assert at(-61) == ("1:01 until the window. Be ready to listen.",)
    assert at(600) == ("The window is over.",)


def test_a_short_window_keeps_the_calls_and_cuts_the_first_listening() -> None:
    rest_s = 2 * (CALL_S + ANSWER_S)
    first, *others = cues(rest_s + 20)
    assert (first.start_s, first.stop_s) == (0, 20)
    assert len(others) == 4
    assert cues(rest_s)[0].todo.startswith("Call for traffic")
    assert [cue.stop_s for cue in cues(10)] == [10]


@given(st.floats(min_value=0.5, max_value=86_400))
def test_every_window_is_filled_without_hole_or_overlap(length_s: float) -> None:
    found = cues(length_s)
    assert found[0].start_s == 0
    assert math.isclose(found[-1].stop_s, length_s)
    assert all(one.stop_s == following.start_s for one, following in pairwise(found))
    assert all(cue.start_s < cue.stop_s for cue in found)
