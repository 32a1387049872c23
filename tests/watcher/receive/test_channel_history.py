"""The last second of every channel: what is there is exact, what is not there is not made up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.receive.channel_history import ChannelHistory


def block(first: int, count: int, rows: int = 2) -> np.ndarray:
    """Samples that say which they are: row in the imaginary part, count in the real one."""
    return (np.arange(first, first + count)[None] + 1j * np.arange(rows)[:, None]).astype(np.complex64)


def test_takes_what_was_appended_across_the_seams() -> None:
    history = ChannelHistory(100)
    for first, count in ((0, 10), (10, 1), (11, 29)):
        history.append(block(first, count))
    assert (history.first, history.stop) == (0, 40)
    np.testing.assert_array_equal(history.take(1, 5, 20), block(5, 15)[1])
    np.testing.assert_array_equal(history.take(0, 0, 40), block(0, 40)[0])


def test_span_is_cut_to_what_is_kept() -> None:
    history = ChannelHistory(20)
    for first in range(0, 100, 10):
        history.append(block(first, 10))
    assert history.stop == 100
    assert 100 - history.first >= 20
    np.testing.assert_array_equal(history.take(0, -5, 1000), block(history.first, 100 - history.first)[0])
    assert history.take(0, 0, history.first).size == 0
    assert history.take(0, 100, 200).size == 0
    assert history.take(0, 50, 50).dtype == np.complex64


def test_forgets_only_whole_blocks_that_are_not_needed() -> None:
    history = ChannelHistory(25)
    for first in range(0, 60, 10):
        history.append(block(first, 10))
    assert history.first == 30  # blocks 30, 40 and 50 hold the last 25


def test_cleared_history_counts_from_zero() -> None:
    history = ChannelHistory(10)
    history.append(block(0, 30))
    history.clear()
    assert (history.first, history.stop) == (0, 0)
    assert history.take(0, 0, 30).size == 0
    history.append(block(0, 4))
    np.testing.assert_array_equal(history.take(0, 0, 4), block(0, 4)[0])


@given(
    sizes=st.lists(st.integers(0, 40), max_size=30),
    wanted=st.integers(1, 60),
    start=st.integers(-10, 400),
    length=st.integers(0, 100),
)
def test_keeps_what_is_wanted_and_little_more(sizes: list[int], wanted: int, start: int, length: int) -> None:
    history = ChannelHistory(wanted)
    total = 0
    for size in sizes:
        history.append(block(total, size))
        total += size
    assert history.stop == total
    kept = total - history.first
    assert kept >= min(wanted, total)
    assert kept < wanted + max([*sizes, 1])
    first, stop = max(start, history.first), min(start + length, total)
    np.testing.assert_array_equal(
        history.take(0, start, start + length), block(first, max(stop - first, 0))[0]
    )


@pytest.mark.parametrize("rows", [1, 5])
def test_taken_samples_are_the_callers_own(rows: int) -> None:
    history = ChannelHistory(10)
    history.append(block(0, 10, rows))
    taken = history.take(0, 0, 10)
    taken[:] = 0
    np.testing.assert_array_equal(history.take(0, 0, 10), block(0, 10)[0])
