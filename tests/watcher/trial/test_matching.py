"""The matcher of true and heard transmissions: laws, a brute-force search beside it, and a case by hand."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.trial.matching import Matching, match

Span = tuple[float, float]


def spans(most: int) -> st.SearchStrategy[list[Span]]:
    """Whole seconds, so that sums are exact."""
    one = st.tuples(st.integers(0, 40), st.integers(1, 12)).map(lambda p: (float(p[0]), float(p[0] + p[1])))
    return st.lists(one, max_size=most)


def overlap(one: Span, other: Span) -> float:
    return max(0.0, min(one[1], other[1]) - max(one[0], other[0]))


def total(found: Matching, true: list[Span], heard: list[Span]) -> float:
    return sum(overlap(true[t], heard[h]) for t, h in found.pairs)


def best_by_trying_all(true: list[Span], heard: list[Span]) -> float:
    """Every assignment of the shorter list into the longer one."""
    few, many = sorted((true, heard), key=len)
    return max(
        sum(overlap(one, other) for one, other in zip(few, chosen, strict=True))
        for chosen in permutations(many, len(few))
    )


@given(spans(5), spans(5))
def test_shared_time_of_all_pairs_is_the_most_there_can_be(true: list[Span], heard: list[Span]) -> None:
    assert total(match(true, heard), true, heard) == best_by_trying_all(true, heard)


@given(spans(12), spans(12))
def test_every_true_and_every_heard_one_is_told_exactly_once(true: list[Span], heard: list[Span]) -> None:
    found = match(true, heard)
    trues = [t for t, _ in found.pairs] + [t for t, _ in found.merged] + list(found.missed)
    ones = [h for _, h in found.pairs] + [h for _, h in found.parts] + list(found.false)
    assert sorted(trues) == list(range(len(true)))
    assert sorted(ones) == list(range(len(heard)))


@given(spans(12), spans(12))
def test_only_what_shares_time_belongs_together(true: list[Span], heard: list[Span]) -> None:
    found = match(true, heard)
    for t, h in (*found.pairs, *found.merged, *found.parts):
        assert overlap(true[t], heard[h]) > 0
    for h in found.false:
        assert all(overlap(one, heard[h]) == 0 for one in true)


@given(spans(10))
def test_the_truth_heard_exactly_leaves_nothing_over(true: list[Span]) -> None:
    found = match(true, true)
    assert len(found.pairs) == len(true)
    assert not (found.merged or found.parts or found.missed or found.false)


@given(spans(8), spans(8), st.integers(-50, 50))
def test_moving_all_of_time_changes_nothing(true: list[Span], heard: list[Span], by: int) -> None:
    moved = match([(a + by, b + by) for a, b in true], [(a + by, b + by) for a, b in heard])
    assert moved == match(true, heard)


def test_a_merge_a_split_a_miss_and_a_false_opening_are_told_apart() -> None:
    true = [(0.0, 4.0), (5.0, 7.0), (20.0, 30.0), (40.0, 41.0)]
    heard = [(0.0, 7.0), (20.0, 24.0), (25.0, 30.0), (50.0, 51.0)]
    found = match(true, heard)
    assert found.pairs == ((0, 0), (2, 2))  # the longer half of the split one
    assert found.merged == ((1, 0),)
    assert found.parts == ((2, 1),)
    assert found.missed == (3,)
    assert found.false == (3,)


def test_a_touch_at_one_instant_is_no_overlap() -> None:
    found = match([(0.0, 1.0)], [(1.0, 2.0)])
    assert found.missed == (0,) and found.false == (0,)


def test_less_than_half_of_a_second_one_is_missed_not_merged() -> None:
    found = match([(0.0, 4.0), (5.0, 10.0)], [(0.0, 7.0)])
    assert found.missed == (1,)


@pytest.mark.parametrize(("true", "heard"), [([], []), ([(0.0, 1.0)], []), ([], [(0.0, 1.0)])])
def test_nothing_sent_or_nothing_heard(true: list[Span], heard: list[Span]) -> None:
    found = match(true, heard)
    assert len(found.missed) == len(true) and len(found.false) == len(heard)
