"""What is unusual for an hour, by the log's own history."""

from __future__ import annotations

from datetime import timedelta

import pytest
from scipy import stats

from tests.watcher.report.made_records import START, at
from watcher.log.spans import Span, Spans
from watcher.report.local_time import LocalClock
from watcher.report.usual import UsualActivity

DAY_S = 86_400.0


def usual(heard_s: list[float], days: int = 8) -> UsualActivity:
    """A channel watched in the hour after the start on so many days, heard for 5 s at each instant."""
    watched = Spans([Span(at(day * DAY_S), at(day * DAY_S + 3600)) for day in range(days)])
    times = [(at(start), at(start + 5)) for start in sorted(heard_s)]
    return UsualActivity({"ridge": times}, {"ridge": watched}, LocalClock("UTC"))


TODAY = START + timedelta(days=7, minutes=1)


def test_a_call_at_an_hour_that_was_always_quiet_is_no_surprise_alone_but_two_are() -> None:
    """Half an exchange in seven hours: one is met with chance 1 - exp(-1/14), 6.9 %; two with 0.24 %."""
    assert stats.poisson.sf(0, 0.5 / 7) > 0.01 > stats.poisson.sf(1, 0.5 / 7)
    assert usual([7 * DAY_S + 60]).surprise("ridge", TODAY) is None
    words = usual([7 * DAY_S + 60, 7 * DAY_S + 600]).surprise("ridge", TODAY)
    assert words == "unusual for this hour: 2 exchanges, where none was heard in 7 such hours"


def test_a_channel_that_is_talked_on_every_day_is_no_surprise() -> None:
    every_day = [day * DAY_S + minute * 60 for day in range(8) for minute in (1, 20, 40)]
    assert usual(every_day).surprise("ridge", TODAY) is None


def test_overs_of_one_exchange_count_once() -> None:
    overs = [7 * DAY_S + 60 + 8 * n for n in range(10)]
    assert usual(overs).surprise("ridge", TODAY) is None


@pytest.mark.parametrize("channel", ["ridge", "stray"])
def test_too_little_history_says_nothing(channel: str) -> None:
    few = usual([3 * DAY_S + 60 + 100 * n for n in range(9)], days=4)
    assert few.surprise(channel, START + timedelta(days=3, minutes=1)) is None
