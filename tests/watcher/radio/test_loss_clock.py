"""Losses that nobody tells, found by the clock."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from watcher.radio.loss_clock import FOLLOWED_PPM, LOOK_BLOCKS, LossClock

RATE_HZ = 2_400_000
BLOCK = 131_072
BLOCK_S = BLOCK / RATE_HZ


def told(stamps_s: Iterable[float], counts: Iterable[int]) -> list[int]:
    """What the clock says at each block; `counts` are the samples that really came."""
    clock = LossClock(RATE_HZ, BLOCK // 2)
    return [clock.push(stamp_s, count) for stamp_s, count in zip(stamps_s, counts, strict=True)]


def arrivals(blocks: int, rng: np.random.Generator, jitter_s: float = 0.004) -> np.ndarray:
    """Each block a little late, never early."""
    return BLOCK_S * np.arange(1, blocks + 1) + rng.exponential(jitter_s, blocks)


def test_jitter_is_no_loss(rng: np.random.Generator) -> None:
    assert sum(told(arrivals(2000, rng), BLOCK * np.arange(1, 2001))) == 0


@pytest.mark.parametrize("ppm", [-FOLLOWED_PPM, -100, 100, FOLLOWED_PPM])
def test_clocks_that_differ_are_no_loss(rng: np.random.Generator, ppm: float) -> None:
    """Ten minutes at the given slope."""
    stamps_s = arrivals(11_000, rng) * (1 + ppm * 1e-6)
    assert sum(told(stamps_s, BLOCK * np.arange(1, 11_001))) == 0


def test_a_burst_after_a_delay_is_no_loss(rng: np.random.Generator) -> None:
    """The driver queues 15 blocks of 54.6 ms: a thread held up for 0.8 s gets them all at once."""
    stamps_s = arrivals(200, rng)
    stamps_s[100:115] = np.maximum(stamps_s[100:115], stamps_s[100] + 0.8)
    assert sum(told(stamps_s, BLOCK * np.arange(1, 201))) == 0


@pytest.mark.parametrize("lost", [BLOCK, 3 * BLOCK, 1_505_280])
def test_an_overflow_is_told_in_full_and_soon(rng: np.random.Generator, lost: int) -> None:
    """15 blocks queue up, the rest overflows, then the 15 come at once and the next ones at their time."""
    blocks = 400
    stamps_s = arrivals(blocks, rng)
    stamps_s[200:] += lost / RATE_HZ
    stamps_s[200:215] = stamps_s[215] - 0.01
    found = told(stamps_s, BLOCK * np.arange(1, blocks + 1))
    assert abs(sum(found) - lost) < 0.005 * RATE_HZ
    (place,) = np.flatnonzero(found)
    assert 215 <= place <= 215 + LOOK_BLOCKS


def test_two_losses_are_told_apart(rng: np.random.Generator) -> None:
    stamps_s = arrivals(300, rng)
    stamps_s[100:] += BLOCK_S
    stamps_s[200:] += 2 * BLOCK_S
    found = told(stamps_s, BLOCK * np.arange(1, 301))
    assert np.count_nonzero(found) == 2
    assert abs(sum(found) - 3 * BLOCK) < 0.01 * RATE_HZ


def test_what_is_counted_as_dropped_elsewhere_is_not_told_again(rng: np.random.Generator) -> None:
    """The consumer's ring dropped ten blocks: their samples stand in the count, their stamps do not come."""
    stamps_s = np.delete(arrivals(300, rng), slice(100, 110))
    counts = np.delete(BLOCK * np.arange(1, 301), slice(100, 110))
    assert sum(told(stamps_s, counts)) == 0
