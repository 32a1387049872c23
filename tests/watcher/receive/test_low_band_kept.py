"""The sub-audible part is whole for two minutes and evenly thinned after that, in bounded memory."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from dsp.signalling.ctcss import decide
from watcher.receive.low_band_kept import KeptLowBand

RATE_HZ = 1250.0
STRETCH = 5000


def kept(stream: np.ndarray, piece: int) -> KeptLowBand:
    store = KeptLowBand(RATE_HZ)
    for at in range(0, len(stream), piece):
        store.push(stream[at : at + piece])
    return store


@given(st.integers(0, 120_000), st.integers(1, 9_000), st.integers(0, 130_000), st.integers(0, 130_000))
def test_everything_is_there_for_two_minutes(samples: int, piece: int, first: int, stop: int) -> None:
    stream = np.arange(samples, dtype=np.float32)
    store = kept(stream, piece)
    assert store.samples == samples
    np.testing.assert_array_equal(store.between(first, stop), stream[first : max(first, stop)])


def test_a_day_is_thinned_evenly_and_its_end_is_there() -> None:
    count = 5000  # stretches; each is its own number
    store = KeptLowBand(RATE_HZ)
    for number in range(count):
        store.push(np.full(STRETCH, number, np.float32))
    store.push(np.full(100, count, np.float32))
    left = store.between(0, count * STRETCH + 60)
    assert (left[-60:] == count).all()
    numbers = left[:-60].reshape(-1, STRETCH)
    assert (numbers == numbers[:, :1]).all()  # whole stretches only
    assert len(set(np.diff(numbers[:, 0]).tolist())) == 1  # evenly spread
    assert 16 <= len(numbers) <= 32 and numbers[-1, 0] > count * 15 / 16


def test_a_tone_is_named_although_stretches_were_let_go() -> None:
    """100.03 Hz turns 400.12 times in a stretch of 4 s: the phase jumps at every seam."""
    rng = np.random.default_rng(8)
    t = np.arange(int(400 * RATE_HZ)) / RATE_HZ
    wave = 350 * np.cos(2 * np.pi * 100.03 * t) + rng.normal(scale=150, size=len(t))
    store = kept(wave.astype(np.float32), 270)
    assert decide(store.between(0, store.samples), RATE_HZ).tone_hz == 100.0
