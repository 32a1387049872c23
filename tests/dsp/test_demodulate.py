"""The FM discriminator against numpy's own angle in double precision, and its edge cases."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.demodulate import instantaneous_frequency

RATE_HZ = 16_000.0
# 1e-6 rad at 16 kHz
TOLERANCE_HZ = 1e-6 * RATE_HZ / (2 * np.pi)


def noise(rows: int, m: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return (rng.standard_normal((rows, m)) + 1j * rng.standard_normal((rows, m))).astype(np.complex64)


def exact_frequency(samples: np.ndarray, previous: np.ndarray) -> np.ndarray:
    """The definition, by numpy.angle in float64."""
    joined = np.concatenate([previous[:, None], samples], axis=1).astype(np.complex128)
    return np.angle(joined[:, 1:] * np.conj(joined[:, :-1])) * RATE_HZ / (2 * np.pi)


def error_hz(got: np.ndarray, wanted: np.ndarray) -> float:
    """Greatest difference on the circle of frequencies: -rate/2 and rate/2 are one."""
    return float(np.abs((got - wanted + RATE_HZ / 2) % RATE_HZ - RATE_HZ / 2).max())


@pytest.mark.parametrize(("rows", "m"), [(1, 1), (128, 1), (1, 70_000), (32, 1600), (7, 1001), (3, 33_000)])
def test_agrees_with_numpy_angle_at_any_phase(rows: int, m: int) -> None:
    samples, previous = noise(rows, m), noise(rows, 1, seed=2)[:, 0]
    got = instantaneous_frequency(samples, previous, RATE_HZ)
    assert got.dtype == np.float32 and got.shape == (rows, m)
    assert error_hz(got, exact_frequency(samples, previous)) <= TOLERANCE_HZ


@pytest.mark.parametrize("offset_hz", [0.1, 1.0, 999.5, 4000.0, 5000.0, 7999.9, -0.1, -3.0, -4000.0, -7999.9])
@pytest.mark.parametrize("amplitude", [1e-9, 1e-4, 1.0, 1e4])
def test_exact_at_any_offset_and_amplitude(offset_hz: float, amplitude: float) -> None:
    wave = amplitude * np.exp(2j * np.pi * offset_hz / RATE_HZ * np.arange(4001))
    samples = wave.astype(np.complex64)[None]
    got = instantaneous_frequency(samples[:, 1:], samples[:, 0], RATE_HZ)
    # complex64 itself rounds each phase by up to 1.2e-7 rad
    assert error_hz(got, np.full_like(got, offset_hz)) <= TOLERANCE_HZ + 2.4e-7 * RATE_HZ / (2 * np.pi)


def test_reaches_half_the_rate_either_way() -> None:
    turned = np.array([[1, -1, 1]], np.complex64)
    got = instantaneous_frequency(turned, np.array([-1], np.complex64), RATE_HZ)
    assert np.abs(got) == pytest.approx(np.full((1, 3), RATE_HZ / 2), abs=TOLERANCE_HZ)


def test_a_wave_of_constant_phase_is_exactly_0_hz() -> None:
    for phase in np.linspace(-3, 3, 13):
        wave = np.full((2, 100), 0.3 * np.exp(1j * phase), np.complex64)
        assert not instantaneous_frequency(wave[:, 1:], wave[:, 0], RATE_HZ).any()


def test_zero_samples_give_0_hz_and_no_warning() -> None:
    samples = noise(3, 50)
    samples[1, 10:20] = 0
    samples[2] = 0
    got = instantaneous_frequency(samples, np.zeros(3, np.complex64), RATE_HZ)
    assert np.isfinite(got).all()
    assert not got[:, 0].any()  # nothing before the first sample
    assert not got[1, 10:21].any() and got[1, 9] != 0 and got[1, 21] != 0
    assert not got[2].any()


def test_a_sample_that_is_not_a_number_spoils_only_its_neighbours() -> None:
    samples, previous = noise(2, 40), noise(2, 1, seed=2)[:, 0]
    clean = instantaneous_frequency(samples, previous, RATE_HZ)
    samples[0, 7] = np.nan
    got = instantaneous_frequency(samples, previous, RATE_HZ)
    spoiled = ~np.isfinite(got)
    assert np.argwhere(spoiled).tolist() == [[0, 7], [0, 8]]
    assert np.array_equal(got[~spoiled], clean[~spoiled])


@settings(deadline=None, max_examples=40)
@given(st.lists(st.integers(1, 400), min_size=1, max_size=12), st.integers(1, 5))
def test_any_cut_into_blocks_gives_the_same_frequencies(sizes: list[int], rows: int) -> None:
    samples, previous = noise(rows, sum(sizes)), noise(rows, 1, seed=2)[:, 0]
    whole = instantaneous_frequency(samples, previous, RATE_HZ)
    parts, at, before = [], 0, previous
    for size in sizes:
        block = samples[:, at : at + size]
        parts.append(instantaneous_frequency(block, before, RATE_HZ))
        at, before = at + size, block[:, -1]
    assert np.array_equal(np.concatenate(parts, axis=1), whole)


def test_rates_scale_and_out_is_used() -> None:
    samples, previous = noise(2, 30), noise(2, 1, seed=2)[:, 0]
    out = np.empty((2, 30), np.float32)
    assert instantaneous_frequency(samples, previous, Fraction(50_000, 3), out) is out
    assert out == pytest.approx(
        instantaneous_frequency(samples, previous, RATE_HZ) * (50 / 48), rel=1e-6, abs=1e-2
    )


@pytest.mark.parametrize(("rows", "m"), [(5, 1600), (1, 40_000), (40, 1)])
def test_pair_power_is_the_squared_product_of_magnitudes(rows: int, m: int) -> None:
    samples, previous = noise(rows, m), noise(rows, 1, seed=2)[:, 0]
    power = np.empty((rows, m), np.float32)
    got = instantaneous_frequency(samples, previous, RATE_HZ, pair_power=power)
    assert np.array_equal(got, instantaneous_frequency(samples, previous, RATE_HZ))
    magnitude = np.abs(np.concatenate([previous[:, None], samples], axis=1).astype(np.complex128))
    assert power == pytest.approx((magnitude[:, 1:] * magnitude[:, :-1]) ** 2, rel=1e-5)


def test_every_second_row_and_column_of_a_larger_array_will_do() -> None:
    samples = noise(8, 60)
    view = samples[::2, ::3]
    previous = noise(4, 1, seed=2)[:, 0]
    got = instantaneous_frequency(view, previous, RATE_HZ)
    assert error_hz(got, exact_frequency(view, previous)) <= TOLERANCE_HZ


def test_no_rows_or_no_samples_give_an_empty_answer() -> None:
    assert instantaneous_frequency(noise(0, 5), noise(0, 1)[:, 0], RATE_HZ).shape == (0, 5)
    assert instantaneous_frequency(noise(3, 0), noise(3, 1)[:, 0], RATE_HZ).shape == (3, 0)


def test_refuses_what_does_not_fit() -> None:
    samples, previous = noise(2, 5), noise(2, 1)[:, 0]
    with pytest.raises(TypeError, match="samples are complex128, previous complex64; both must be complex64"):
        instantaneous_frequency(samples.astype(np.complex128), previous, RATE_HZ)
    with pytest.raises(ValueError, match=r"samples have shape \(2, 5\) and previous \(1,\)"):
        instantaneous_frequency(samples, previous[:1], RATE_HZ)
    with pytest.raises(ValueError, match=r"sample_rate_hz is 0\.0; it must be positive"):
        instantaneous_frequency(samples, previous, 0.0)
    with pytest.raises(ValueError, match=r"out is float64 \(2, 5\); it must be float32 \(2, 5\)"):
        instantaneous_frequency(samples, previous, RATE_HZ, np.empty((2, 5)))  # type: ignore[arg-type]
