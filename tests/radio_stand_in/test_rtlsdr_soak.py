"""A receiver that fails again and again in no order, used in no order: nothing hangs, leaks or lies."""

from __future__ import annotations

import time

import numpy as np
import pytest

from tests.radio_stand_in.placing import COUNTER_MODULUS, StandIn
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import RingStream
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.rtlsdr_settings import RtlSdrSettings

SECONDS = 60
FAULTS: tuple[dict[str, float], ...] = (
    {"present": 0},
    {"busy": 1},
    {"tune_fails": 1},
    {"gain_fails": 1},
    {"unplug_after_ms": 40, "unplug_code": 0},
    {"unplug_after_ms": 0, "unplug_code": -5},
    {"stall_after_ms": 30},
    {"stall_after_ms": 0},
    {"short_every": 2},
    {"open_hangs_ms": 80},
)
WELL = {
    **dict.fromkeys(("busy", "tune_fails", "gain_fails", "short_every", "open_hangs_ms"), 0.0),
    **dict.fromkeys(("unplug_after_ms", "stall_after_ms"), -1.0),
    "present": 1.0,
}


@pytest.mark.soak
def test_a_minute_of_faults_in_no_order(stand_in: StandIn, rng: np.random.Generator) -> None:
    stand_in.set(pace=8, overflows=0)
    began = time.monotonic()
    losses = blocks = 0
    for automatic in (False, True):
        settings = RtlSdrSettings(gain_db="auto" if automatic else 28.0)
        radio = RtlSdrRadio(settings, stall_s=0.1, driver_wait_s=0.5)
        stream: RingStream | None = None
        stop = 0
        while time.monotonic() - began < SECONDS * (1 + automatic) / 2:
            stand_in.set(**WELL)
            if rng.random() < 0.3:
                stand_in.set(**FAULTS[rng.integers(len(FAULTS))])
            move = rng.integers(12)
            moved = time.monotonic()
            try:
                if move == 0:
                    radio.close()
                    stream = None
                elif move == 1 and stream is not None:
                    stream.stop()
                    stream = None
                elif move <= 3 or stream is None:
                    stream = None
                    radio.open()
                    stream, stop = radio.tune(146_500_000 + 1000 * int(rng.integers(3))), 0
                elif (block := stream.read(0.2)) is not None:
                    blocks += 1
                    assert block.first_sample - stop == block.lost_before
                    stop = block.stop_sample
                    low = np.rint(block.samples.real * 127.5 + 127.5).astype(np.int64)
                    counter = low + 256 * np.rint(block.samples.imag * 127.5 + 127.5).astype(np.int64)
                    steps = np.diff(counter) % COUNTER_MODULUS
                    assert np.all(steps == 1)
            except RadioLost:
                losses += 1
                stream = None
                radio.close()
            assert time.monotonic() - moved < 3
        radio.close()
    assert losses > 50 and blocks > 200
