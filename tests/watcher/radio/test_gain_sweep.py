"""Gains measured on a running stream, and choices that are kept for a while."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from watcher.radio.block_ring import BlockRing
from watcher.radio.gain_sweep import CHOICE_LASTS_S, CLIPPED_TOO_MUCH, KeptGains, measure_step
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import Ending, RingStream
from watcher.radio.sample_formats import CU8

BLOCK_BYTES = 16_384
RATE_HZ = 1_000_000


def stream_of(ring: BlockRing, ending: Ending) -> RingStream:
    return RingStream(
        ring,
        CU8,
        sample_rate_hz=RATE_HZ,
        centre_hz=146_500_000,
        label="radio",
        ending=ending,
        end=lambda: None,
        least_loss_samples=10**9,
        clock=lambda: 0.0,
    )


def test_samples_that_waited_since_before_the_change_are_not_measured() -> None:
    """What waits is at full scale; what comes after it swings between two codes, 1 / 255 of it."""
    ring = BlockRing(BLOCK_BYTES, 64)
    for _ in range(60):
        ring.put(np.tile(np.array([0, 255], np.uint8), BLOCK_BYTES // 2), 0.0)
    rng = np.random.default_rng(3)
    ending = Ending(threading.Event())
    stream = stream_of(ring, ending)
    over = threading.Event()

    def receive() -> None:
        while not over.wait(0.001):
            ring.put(rng.integers(127, 129, BLOCK_BYTES, np.uint8), 0.0)

    thread = threading.Timer(0.05, receive)
    thread.start()
    try:
        step = measure_step(stream, "radio")
    finally:
        over.set()
        thread.join()
    assert step.peak_dbfs == pytest.approx(20 * np.log10(1 / 255), abs=0.01)
    assert step.clipped_share == 0 and step.has_room
    # White between two codes: each part has (1 / 255)² of power, spread over the rate.
    assert step.floor_dbfs_hz == pytest.approx(10 * np.log10(2 / 255**2 / RATE_HZ), abs=0.3)


def test_a_radio_that_gives_too_little_to_measure_is_lost() -> None:
    ending = Ending(threading.Event())
    ring = BlockRing(BLOCK_BYTES, 4)
    ending.ended.set()
    ring.end()
    with pytest.raises(RadioLost, match="radio stopped sending samples unasked"):
        measure_step(stream_of(ring, ending), "radio")


def test_a_choice_is_kept_for_its_frequency_and_its_time() -> None:
    now_s = 100.0
    kept = KeptGains(lambda: now_s)
    assert kept.at(146_500_000) is None
    assert kept.keep(146_500_000, 7)  # news
    assert kept.at(146_500_000) == 7 and kept.at(462_600_000) is None
    now_s += CHOICE_LASTS_S
    assert kept.at(146_500_000) is None
    assert not kept.keep(146_500_000, 7)  # the same again: no news
    assert kept.keep(146_500_000, 8)


def test_a_stream_that_clipped_has_every_gain_measured_anew() -> None:
    kept = KeptGains(lambda: 0.0)
    kept.keep(146_500_000, 7)
    kept.forget_if_clipped(CLIPPED_TOO_MUCH)
    assert kept.at(146_500_000) == 7
    kept.forget_if_clipped(2 * CLIPPED_TOO_MUCH)
    assert kept.at(146_500_000) is None
