"""The ring between the thread that reads a radio and the one that works on the samples."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.radio.block_ring import BlockRing


def block(value: int, size: int = 8) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    return np.full(size, value, np.uint8)


def test_blocks_come_out_as_they_went_in() -> None:
    ring = BlockRing(8, 3)
    ring.put(block(1), 0.5)
    ring.put(block(2, 5), 0.75)
    first, second = ring.take(0), None
    assert first is not None
    assert (first.content.tolist(), first.first_byte, first.stop_byte, first.stamp_s) == ([1] * 8, 0, 8, 0.5)
    second = ring.take(0)
    assert second is not None
    assert (second.content.tolist(), second.first_byte, second.stop_byte) == ([2] * 5, 8, 13)
    assert ring.take(0) is None
    assert (ring.first_arrival, ring.last_stamp_s, ring.overruns) == ((0.5, 8), 0.75, 0)


def test_a_full_ring_drops_the_oldest_and_never_waits() -> None:
    ring = BlockRing(8, 2)
    for value in range(5):
        ring.put(block(value), float(value))
    taken = [ring.take(0), ring.take(0)]
    assert [(each.content[0], each.first_byte) for each in taken if each] == [(3, 24), (4, 32)]
    assert ring.overruns == 3
    assert ring.first_arrival == (0.0, 8)  # also where that block itself was dropped


def test_a_taken_block_stays_while_the_producer_laps_the_ring() -> None:
    ring = BlockRing(8, 2)
    ring.put(block(1), 0.0)
    taken = ring.take(0)
    for value in range(2, 9):
        ring.put(block(value), 0.0)
    assert taken is not None and taken.content.tolist() == [1] * 8


def test_a_block_too_large_is_cut_and_its_end_counts_as_lost() -> None:
    ring = BlockRing(8, 2)
    ring.put(block(1, 12), 0.0)
    ring.put(block(2), 0.0)
    first, second = ring.take(0), ring.take(0)
    assert first is not None and second is not None
    assert (first.stop_byte, second.first_byte) == (8, 12)


def test_what_waits_can_be_dropped_without_an_overrun() -> None:
    ring = BlockRing(8, 4)
    for value in range(3):
        ring.put(block(value), 0.0)
    ring.clear()
    assert ring.take(0) is None
    ring.put(block(7), 0.0)
    taken = ring.take(0)
    assert taken is not None and (taken.content[0], taken.first_byte, ring.overruns) == (7, 24, 0)


def test_the_end_wakes_who_waits_and_what_is_left_can_be_taken() -> None:
    ring = BlockRing(8, 2)
    ring.put(block(1), 0.0)
    threading.Timer(0.05, ring.end).start()
    assert ring.take(5) is not None
    began = time.monotonic()
    assert ring.take(5) is None
    assert time.monotonic() - began < 2


@pytest.mark.parametrize(("size", "blocks"), [(0, 1), (1, 0)])
def test_a_ring_without_room_is_refused(size: int, blocks: int) -> None:
    with pytest.raises(ValueError, match="both must be at least 1"):
        BlockRing(size, blocks)


@given(st.lists(st.integers(0, 9), max_size=60), st.integers(1, 4))
def test_what_comes_out_and_what_was_dropped_is_all_that_went_in(moves: list[int], blocks: int) -> None:
    """A move below 6 puts that many bytes, any other takes."""
    ring = BlockRing(8, blocks)
    put = 0
    content = []
    for move in moves:
        if move < 6:
            ring.put(np.arange(put, put + move).astype(np.uint8), 0.0)
            put += move
        elif (taken := ring.take(0)) is not None:
            content.append((taken.first_byte, taken.content.tolist()))
    while (taken := ring.take(0)) is not None:
        content.append((taken.first_byte, taken.content.tolist()))
    for first, values in content:
        assert values == [each % 256 for each in range(first, first + len(values))]
    puts = sum(move < 6 for move in moves)
    assert len(content) + ring.overruns == puts
