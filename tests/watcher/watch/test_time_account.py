"""Heard, quiet and gaps add up to the windows, whatever the radios do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from watcher.log.spans import Span, Spans
from watcher.receive.records import Gap, GapCause, Watched
from watcher.watch.time_account import TimeAccount

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


def at(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def spans(*pairs: tuple[float, float]) -> Spans:
    return Spans(Span(at(start), at(stop)) for start, stop in pairs)


def told(gaps: list[Gap]) -> list[tuple[str, float, float, GapCause]]:
    seconds = [((g.start_utc - NOON).total_seconds(), (g.stop_utc - NOON).total_seconds()) for g in gaps]
    return [(gap.channel, *pair, gap.cause) for gap, pair in zip(gaps, seconds, strict=True)]


def test_each_cause_is_told_for_the_time_it_held() -> None:
    account = TimeAccount(["a", "b"], at(10))
    account.radio_idles(0, at(10), GapCause.OPENING)
    account.radio_streams(0, at(12), ["a"])
    account.take(Watched("a", at(12.5), at(30)))
    account.radio_streams(0, at(30), ["b"])
    account.take(Watched("b", at(30.5), at(45)))
    account.radio_idles(0, at(45), GapCause.RADIO_LOST)
    gaps = account.settle(spans((0, 60)), at(60))
    assert told(gaps) == [
        ("a", 0, 10, GapCause.NOT_BEGUN),
        ("a", 10, 12, GapCause.OPENING),
        ("a", 12, 12.5, GapCause.TUNING),
        ("a", 30, 45, GapCause.OTHER_TUNING),
        ("a", 45, 60, GapCause.RADIO_LOST),
        ("b", 0, 10, GapCause.NOT_BEGUN),
        ("b", 10, 12, GapCause.OPENING),
        ("b", 12, 30, GapCause.OTHER_TUNING),
        ("b", 30, 30.5, GapCause.TUNING),
        ("b", 45, 60, GapCause.RADIO_LOST),
    ]


def test_between_windows_nothing_is_missing() -> None:
    account = TimeAccount(["a"], at(0))
    account.radio_idles(0, at(0), GapCause.RADIO_LOST)
    gaps = account.settle(spans((0, 10), (20, 30)), at(40))
    assert [(gap.start_utc, gap.stop_utc) for gap in gaps] == [(at(0), at(10)), (at(20), at(30))]


def test_a_second_radio_that_hears_the_channel_leaves_no_gap() -> None:
    account = TimeAccount(["a"], at(0))
    account.radio_idles(0, at(0), GapCause.RADIO_LOST)
    account.radio_streams(1, at(0), ["a"])
    account.take(Watched("a", at(0), at(10)))
    assert account.settle(spans((0, 10)), at(10)) == []


WHEN = st.floats(0, 1000).map(lambda seconds: round(seconds, 3))
PAIRS = st.lists(st.tuples(WHEN, WHEN).map(sorted), max_size=8)


@given(windows=PAIRS, watched=PAIRS, doings=st.lists(st.tuples(WHEN, st.booleans())), steps=st.lists(WHEN))
def test_watched_and_gaps_make_up_the_windows(
    windows: list[list[float]],
    watched: list[list[float]],
    doings: list[tuple[float, bool]],
    steps: list[float],
) -> None:
    """To the microsecond, however often it is settled on the way."""
    account = TimeAccount(["a"], at(5))
    for since, streams in sorted(doings):
        if streams:
            account.radio_streams(0, at(since), ["a"])
        else:
            account.radio_idles(0, at(since), GapCause.RADIO_LOST)
    for start, stop in watched:
        account.take(Watched("a", at(start), at(stop)))
    opened = spans(*((start, stop) for start, stop in windows))
    gaps = [gap for step in [*sorted(steps), 1000] for gap in account.settle(opened, at(step))]
    missing = Spans(Span(gap.start_utc, gap.stop_utc) for gap in gaps)
    heard = spans(*((start, stop) for start, stop in watched)) & opened
    assert (missing | heard) == opened
    assert len(missing & heard) == 0
    assert sum((gap.stop_utc - gap.start_utc for gap in gaps), timedelta()) == missing.total
