"""Sets of time as arrays, held to the spans of the log, which are written another way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.watcher.report.made_records import START, at, span
from watcher.log.spans import Span, Spans
from watcher.report.intervals import (
    NOTHING,
    common,
    either,
    instant,
    intervals,
    microseconds,
    seconds_before,
    seconds_within,
    spans_of,
    total_s,
    without,
)

second_pairs = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 12)), max_size=12)


def spans_from(pairs: list[tuple[int, int]]) -> list[Span]:
    return [span(start, start + length) for start, length in pairs]


@given(second_pairs, second_pairs)
def test_the_algebra_is_that_of_the_spans_of_the_log(
    these: list[tuple[int, int]], those: list[tuple[int, int]]
) -> None:
    one, other = intervals(spans_from(these)), intervals(spans_from(those))
    first, second = Spans(spans_from(these)), Spans(spans_from(those))
    assert spans_of(one) == list(first)
    assert spans_of(either(one, other)) == list(first | second)
    assert spans_of(common(one, other)) == list(first & second)
    assert spans_of(without(one, other)) == list(first - second)
    assert total_s(one) == pytest.approx(first.seconds)


@given(second_pairs, st.integers(-5, 60))
def test_seconds_before_counts_what_lies_before(pairs: list[tuple[int, int]], moment: int) -> None:
    found = seconds_before(intervals(spans_from(pairs)), microseconds([at(moment)]))
    covered = {second for start, length in pairs for second in range(start, start + length)}
    assert found[0] == pytest.approx(sum(1 for second in covered if second < moment))


def test_seconds_within_bins() -> None:
    starts, stops = microseconds([at(0), at(10)]), microseconds([at(10), at(20)])
    assert seconds_within(intervals([span(5, 12)]), starts, stops).tolist() == [5.0, 2.0]
    assert seconds_within(NOTHING, starts, stops).tolist() == [0.0, 0.0]


def test_microseconds_come_back_as_instants() -> None:
    moment = START.replace(microsecond=123_457)
    assert instant(int(microseconds([moment])[0])) == moment


def test_nothing_is_a_set() -> None:
    assert len(intervals([])) == len(intervals([span(3, 3)])) == 0
    assert len(common(NOTHING, intervals([span(0, 1)]))) == 0
    assert np.array_equal(either(NOTHING, intervals([span(0, 1)])), intervals([span(0, 1)]))
