"""Modulation depth of AM channels: exact for known depths, without thump, whatever the blocks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.demodulate import AmDetector

RATE_HZ = 16_000.0
ROW = np.array([0])


def am_wave(seconds: float, depth: float, tone_hz: float = 1000.0, amplitude: float = 0.1) -> np.ndarray:
    """Carrier 700 Hz off centre, modulated by one tone; float64 arithmetic."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    envelope = amplitude * (1 + depth * np.sin(2 * np.pi * tone_hz * t))
    return (envelope * np.exp(2j * np.pi * 700 * t)).astype(np.complex64)[None]


@pytest.mark.parametrize("depth", [0.05, 0.3, 0.9, 1.0])
@pytest.mark.parametrize("amplitude", [1e-6, 0.1, 30.0])
def test_depth_is_exact_at_any_amplitude(depth: float, amplitude: float) -> None:
    got = AmDetector(RATE_HZ, 1).push(am_wave(1.0, depth, amplitude=amplitude), ROW)[0]
    t = np.arange(len(got)) / RATE_HZ
    wanted = depth * np.sin(2 * np.pi * 1000 * t)
    # The average follows the tone by 1 / (2 pi 1000 Hz 0.15 s) of its depth, twice that while it settles;
    # an error of the carrier tells on envelope / carrier, which reaches 1 + depth.
    follows = depth / (2 * np.pi * 1000 * 0.15)
    assert np.abs(got - wanted)[3200:].max() <= 2 * follows * (1 + depth) + 1e-6


def test_a_bare_carrier_is_zero_from_the_first_sample() -> None:
    got = AmDetector(RATE_HZ, 1).push(np.full((1, 4000), 0.02 - 0.01j, np.complex64), ROW)
    assert np.abs(got).max() <= 1e-6


def test_no_thump_at_the_start_of_a_modulated_carrier() -> None:
    got = AmDetector(RATE_HZ, 1).push(am_wave(0.5, 0.5), ROW)[0]
    # the running mean needs a few periods of the tone; until then the error is at most the depth itself
    assert np.abs(got).max() <= 1.0
    periods = got[: 16 * 30].reshape(30, 16).mean(axis=1)
    assert np.abs(periods[4:]).max() < 0.05


def test_a_carrier_that_rises_out_of_noise_is_followed_at_once() -> None:
    rng = np.random.default_rng(3)
    samples = am_wave(1.0, 0.5)
    samples[:, :8000] = 0.0
    samples += (0.002 * (rng.standard_normal(16_000) + 1j * rng.standard_normal(16_000))).astype(np.complex64)
    got = AmDetector(RATE_HZ, 1).push(samples, ROW)[0]
    after = got[8000 + 160 :]  # 10 ms later
    assert np.abs(after).max() < 0.7
    assert np.abs(got[8000:8160]).max() < 4.0


def test_a_slow_fade_leaves_the_depth() -> None:
    samples = am_wave(4.0, 0.5)
    fade = 10 ** (
        -6 / 20 * (1 - np.cos(2 * np.pi * np.arange(64_000) / 64_000)) / 2
    )  # 6 dB down and up in 4 s
    got = AmDetector(RATE_HZ, 1).push((samples * fade).astype(np.complex64), ROW)[0, 16_000:]
    # at most 5.4 dB a second, times 0.15 s, is 10 % of gain error
    assert np.abs(got[:-1600].reshape(-1, 16)).max(axis=1).min() > 0.5 * 0.88
    assert np.abs(got).max() < 0.5 * 1.12 + 0.12


def test_silence_is_zero() -> None:
    detector = AmDetector(RATE_HZ, 2)
    assert not detector.push(np.zeros((2, 100), np.complex64), np.array([0, 1])).any()


def test_rows_do_not_know_each_other_and_reset_forgets() -> None:
    detector = AmDetector(RATE_HZ, 3)
    strong, weak = am_wave(0.5, 0.3, amplitude=1.0), am_wave(0.5, 0.6, amplitude=1e-3)
    both = detector.push(np.concatenate([strong, weak]), np.array([2, 0]))
    assert np.array_equal(both[0], AmDetector(RATE_HZ, 1).push(strong, ROW)[0])
    assert np.array_equal(both[1], AmDetector(RATE_HZ, 1).push(weak, ROW)[0])
    detector.reset(np.array([2]))
    assert np.array_equal(detector.push(weak, np.array([2])), both[1:])
    detector.reset()
    assert np.array_equal(detector.push(strong, np.array([0])), both[:1])


@settings(deadline=None, max_examples=30)
@given(st.lists(st.integers(1, 900), min_size=1, max_size=15), st.booleans())
def test_any_cut_into_blocks_gives_the_same_depth(sizes: list[int], rises: bool) -> None:
    m = sum(sizes)
    rng = np.random.default_rng(m)
    samples = am_wave(m / RATE_HZ, 0.5)
    if rises:
        samples[:, : m // 2] = 0.0
    samples = samples + 1e-3 * (rng.standard_normal((1, m)) + 1j * rng.standard_normal((1, m)))
    samples = samples.astype(np.complex64)
    whole = AmDetector(RATE_HZ, 1).push(samples, ROW)
    detector, at, parts = AmDetector(RATE_HZ, 1), 0, []
    for size in sizes:
        parts.append(detector.push(samples[:, at : at + size], ROW))
        at += size
    assert np.abs(np.concatenate(parts, axis=1) - whole).max() <= 1e-5


def test_refuses_what_does_not_fit() -> None:
    with pytest.raises(ValueError, match="rows is 0; it must be at least 1"):
        AmDetector(RATE_HZ, 0)
    with pytest.raises(ValueError, match="is less than one sample"):
        AmDetector(RATE_HZ, 1, carrier_time_s=0.0)
    with pytest.raises(ValueError, match=r"samples have shape \(2, 5\) and rows \(1,\)"):
        AmDetector(RATE_HZ, 2).push(np.zeros((2, 5), np.complex64), ROW)
    assert AmDetector(RATE_HZ, 2).push(np.zeros((1, 0), np.complex64), ROW).shape == (1, 0)
    assert AmDetector.delay_samples == 0
