"""Every minute is heard, quiet, or not watched and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.watcher.report.made_records import channel, gap, span, watch
from watcher.log.reading import LoggedWatch, LoggedWindow
from watcher.log.spans import Span
from watcher.receive.records import Gap, GapCause
from watcher.report.accounting import BETWEEN_WINDOWS, NO_RECORD, NO_WATCH, NOT_LISTED, Account, account
from watcher.report.intervals import common, either, intervals, spans_of, total_s

HOUR = span(0, 3600)


def account_of(
    heard: Sequence[Span],
    watched: Sequence[Span],
    gaps: Sequence[Gap] = (),
    watches: Sequence[LoggedWatch] = (),
) -> Account:
    return account("calling", HOUR, heard=heard, watched=watched, gaps=gaps, watches=watches)


def test_plain_hour() -> None:
    found = account_of([span(600, 660)], [span(0, 3000)], [gap("calling", 3000, 3600)])
    assert spans_of(found.heard) == [span(600, 660)]
    assert spans_of(found.quiet) == [span(0, 600), span(660, 3000)]
    assert found.unwatched_by_cause() == {"lost samples": 600.0}
    assert total_s(found.watched) == 3000
    assert found.unwatched_s == 600


def test_heard_outweighs_a_gap_and_a_gap_outweighs_quiet() -> None:
    found = account_of([span(100, 110)], [span(0, 3600)], [gap("calling", 90, 130)])
    assert total_s(found.heard) == 10
    assert found.unwatched_by_cause() == {"lost samples": 30.0}


def test_heard_without_a_watched_record_is_heard() -> None:
    """A receiver that is killed leaves the clip it had finished, and no record of having watched."""
    found = account_of([span(100, 110)], [])
    assert total_s(found.heard) == total_s(found.watched) == 10


def test_why_there_is_no_record() -> None:
    listed = watch(channel("calling"), start_s=0, stop_s=1000)
    unlisted = watch(channel("other"), start_s=1000, stop_s=2000)
    found = account_of([], [span(0, 900)], watches=[listed, unlisted])
    assert found.unwatched_by_cause() == {NO_WATCH: 1600.0, NOT_LISTED: 1000.0, NO_RECORD: 100.0}


def test_between_the_windows_of_a_watch_nothing_was_to_be_heard() -> None:
    windows = tuple(LoggedWindow(span(start, start + 300), "hourly", "") for start in (0, 1800))
    found = account_of([], [span(0, 200)], watches=[watch(channel("calling"), windows=windows)])
    assert found.unwatched_by_cause() == {BETWEEN_WINDOWS: 3000.0, NO_RECORD: 400.0}


def test_a_watch_without_an_end_reaches_to_the_next() -> None:
    killed = watch(channel("calling"), start_s=0, stop_s=None)
    again = watch(channel("calling"), start_s=1000, stop_s=3600)
    found = account_of([], [span(1000, 3600)], watches=[killed, again])
    assert found.unwatched_by_cause() == {NO_RECORD: 1000.0}


def test_overlapping_gaps_of_two_causes_count_once() -> None:
    gaps = [gap("calling", 0, 20), gap("calling", 10, 40, GapCause.STORAGE)]
    found = account_of([], [span(40, 3600)], gaps)
    assert found.unwatched_by_cause() == {"lost samples": 20.0, "storage failed": 20.0}


pairs = st.lists(st.tuples(st.integers(-300, 4000), st.integers(0, 900)), max_size=8)


@given(
    pairs, pairs, st.lists(st.tuples(st.integers(-300, 4000), st.integers(0, 900), st.sampled_from(GapCause)))
)
def test_every_microsecond_is_accounted_for_once(
    heard: list[tuple[int, int]], watched: list[tuple[int, int]], gaps: list[tuple[int, int, GapCause]]
) -> None:
    found = account_of(
        [span(start, start + length) for start, length in heard],
        [span(start, start + length) for start, length in watched],
        [gap("calling", start, start + length, cause) for start, length, cause in gaps],
    )
    parts = [found.heard, found.quiet, *found.unwatched.values()]
    everything = intervals([])
    for part in parts:
        assert len(common(everything, part)) == 0
        everything = either(everything, part)
    assert np.array_equal(everything, intervals([HOUR]))
    assert sum(map(total_s, parts)) == pytest.approx(3600, abs=1e-9)
