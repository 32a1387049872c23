"""The algebra of spans, against the plainest model there is: sets of minutes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.log.spans import Span, Spans

MIDNIGHT = datetime(2031, 5, 4, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
LAST = 40


def span(start: int, stop: int) -> Span:
    return Span(MIDNIGHT + start * MINUTE, MIDNIGHT + stop * MINUTE)


PAIRS = st.tuples(st.integers(0, LAST), st.integers(0, LAST)).map(sorted)
SPANS = st.lists(PAIRS.map(lambda pair: span(*pair)), max_size=8)


def minutes(spans: Spans | list[Span]) -> set[int]:
    """The minutes whose first instant lies in any of the spans: with whole minutes, exactly their content."""
    return {
        minute for minute in range(LAST + 1) if any(part.holds(MIDNIGHT + minute * MINUTE) for part in spans)
    }


@given(SPANS)
def test_spans_hold_what_they_were_made_of_in_order_without_touching(parts: list[Span]) -> None:
    made = Spans(parts)
    assert minutes(made) == minutes(parts)
    assert all(part.start_utc < part.stop_utc for part in made)
    assert all(one.stop_utc < other.start_utc for one, other in zip(made.parts, made.parts[1:], strict=False))
    assert made == Spans(reversed(parts))
    assert made.total == len(minutes(parts)) * MINUTE
    assert made.seconds == 60 * len(minutes(parts))


@given(SPANS, SPANS)
def test_union_intersection_and_difference_are_those_of_sets(these: list[Span], those: list[Span]) -> None:
    one, other = Spans(these), Spans(those)
    assert minutes(one | other) == minutes(one) | minutes(other)
    assert minutes(one & other) == minutes(one) & minutes(other)
    assert minutes(one - other) == minutes(one) - minutes(other)


@given(SPANS, SPANS, SPANS)
def test_the_laws_of_sets_hold(first: list[Span], second: list[Span], third: list[Span]) -> None:
    a, b, c = Spans(first), Spans(second), Spans(third)
    assert a | b == b | a
    assert a & b == b & a
    assert a & (b | c) == (a & b) | (a & c)
    assert a - (b | c) == (a - b) & (a - c)
    assert (a & b) | (a - b) == a
    assert a.total + b.total == (a | b).total + (a & b).total


@given(SPANS, PAIRS)
def test_outside_is_the_rest_of_the_whole(parts: list[Span], pair: list[int]) -> None:
    made, whole = Spans(parts), span(*pair)
    rest = made.outside(whole)
    assert rest & made == Spans()
    assert rest | (made & Spans([whole])) == Spans([whole])


@given(SPANS, st.integers(0, LAST))
def test_an_instant_is_held_by_one_part_at_most(parts: list[Span], minute: int) -> None:
    made = Spans(parts)
    instant = MIDNIGHT + minute * MINUTE
    assert (
        made.holds(instant) == (minute in minutes(made)) == (sum(part.holds(instant) for part in made) == 1)
    )


def test_spans_are_half_open() -> None:
    assert span(1, 2).holds(MIDNIGHT + MINUTE)
    assert not span(1, 2).holds(MIDNIGHT + 2 * MINUTE)
    assert len(Spans([span(1, 2), span(2, 3)])) == 1
    assert Spans([span(1, 2)]) & Spans([span(2, 3)]) == Spans()
    assert span(1, 2).seconds == 60


def test_a_span_that_runs_backwards_or_knows_no_zone_is_refused() -> None:
    with pytest.raises(ValueError, match=r"stops at .* before it starts at"):
        span(2, 1)
    with pytest.raises(ValueError, match="no time zone"):
        Span(datetime(2031, 5, 4), MIDNIGHT)  # noqa: DTZ001 - the naive datetime is what is tested
