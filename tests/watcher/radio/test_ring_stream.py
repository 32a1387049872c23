"""From bytes in any portions, with any of them dropped, to samples at their true counts."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.radio.block_ring import BlockRing
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import Ending, RingStream, block_bytes_for, ring_for
from watcher.radio.sample_formats import CU8

RATE_HZ = 1_000_000
NOW_UTC = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)


class Made:
    """A stream over a ring that the test fills; the clock stands where the bytes put it."""

    def __init__(self, blocks: int = 3, block_bytes: int = 64, stall_s: float = 2.0) -> None:
        self.ring = BlockRing(block_bytes, blocks)
        self.ending = Ending(threading.Event())
        self.now_s = 50.0
        self.sent = 0
        self.ends = 0
        self.stream = RingStream(
            self.ring,
            CU8,
            sample_rate_hz=RATE_HZ,
            centre_hz=146_500_000,
            label="radio",
            ending=self.ending,
            end=self.end,
            least_loss_samples=1_000,
            stall_s=stall_s,
            clock=lambda: self.now_s,
            now=lambda: NOW_UTC + timedelta(seconds=self.now_s - 50.0),
        )

    def end(self) -> None:
        self.ends += 1

    def send(self, size: int) -> None:
        """The next bytes of a stream whose sample k is the bytes (k mod 251, k mod 241)."""
        at = np.arange(self.sent, self.sent + size)
        values = np.where(at % 2, at // 2 % 241, at // 2 % 251).astype(np.uint8)
        self.sent += size
        self.now_s = 50.0 + self.sent / 2 / RATE_HZ
        self.ring.put(values, self.now_s)


@given(st.lists(st.one_of(st.integers(1, 64), st.just(0)), max_size=60))
def test_every_sample_stands_at_its_count(moves: list[int]) -> None:
    """A number sends that many bytes, odd ones too; 0 reads once."""
    made = Made()
    stop = 0
    for move in [*moves, 0, 0, 0, 0]:
        if move:
            made.send(move)
            continue
        block = made.stream.read(0)
        if block is None:
            continue
        assert block.first_sample - stop == block.lost_before
        stop = block.stop_sample
        counts = block.first_sample + np.arange(len(block.samples))
        assert np.array_equal(np.rint(block.samples.real * 127.5 + 127.5), counts % 251)
        assert np.array_equal(np.rint(block.samples.imag * 127.5 + 127.5), counts % 241)
    assert made.sent // 2 - stop <= 0 or made.ring.overruns  # nothing is kept back but half a sample


def test_the_anchor_is_the_instant_of_the_first_sample() -> None:
    made = Made()
    with pytest.raises(RuntimeError, match="known once its first block was read"):
        _ = made.stream.facts
    for _ in range(5):
        made.send(64)  # the first two are dropped; sample 0 is still theirs
    assert made.stream.read(0) is not None
    assert made.stream.facts.anchor_utc == NOW_UTC
    assert (made.stream.facts.sample_rate_hz, made.stream.facts.centre_hz) == (RATE_HZ, 146_500_000)


def test_a_stall_ends_the_stream_once_and_for_all() -> None:
    made = Made()
    made.send(64)
    made.now_s += 1.99
    assert made.stream.read(0) is not None
    assert made.stream.read(0) is None
    made.now_s += 0.02
    for _ in range(2):
        with pytest.raises(RadioLost, match="radio sent no samples for 2 s"):
            made.stream.read(0)
    assert made.ends == 1


def test_what_came_before_the_end_is_given_first() -> None:
    made = Made()
    made.send(64)
    made.ending.cause = "fell into the water"
    made.ending.ended.set()
    made.ring.end()
    assert made.stream.read(0) is not None
    with pytest.raises(RadioLost, match="radio fell into the water"):
        made.stream.read(0)


def test_a_stopped_stream_gives_nothing_and_complains_of_nothing() -> None:
    made = Made()
    made.send(64)
    made.stream.stop()
    made.ending.ended.set()
    assert made.stream.read(0) is None
    assert made.stream.notes() == []


def test_clipping_is_counted_and_told() -> None:
    made = Made()
    made.ring.put(np.array([0, 100, 100, 255, 100, 100], np.uint8), 50.0)
    block = made.stream.read(0)
    assert block is not None and block.clipped == 2
    assert made.stream.clipped_share == pytest.approx(2 / 3)
    assert made.stream.notes() == ["radio: 67 % of the samples clipped; a lower gain_db is needed"]


@pytest.mark.parametrize("rate_hz", [8_000, 225_001, 1_024_000, 2_400_000, 3_200_000, 20_000_000])
def test_blocks_suit_usb_and_the_ring_holds_seconds(rate_hz: int) -> None:
    size = block_bytes_for(rate_hz, 2)
    assert size % 512 == 0 and 16_384 <= size <= 262_144
    if 225_001 <= rate_hz <= 3_200_000:  # what an RTL-SDR has
        assert 0.03 < size / 2 / rate_hz < 0.12
    ring = ring_for(rate_hz, 2, size)
    for _ in range(max(4, round(3.4 * rate_hz * 2 / size))):
        ring.put(np.zeros(2, np.uint8), 0.0)
    assert ring.overruns == 0
