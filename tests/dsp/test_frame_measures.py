"""The measures of a frame against the laws they claim."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.frame_estimates import carrier_to_noise_of_frames, frequency_error_of_frames
from dsp.frame_measures import measure_frames


def noise(rows: int, count: int, seed: int = 5) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return (
        (rng.standard_normal((rows, count)) + 1j * rng.standard_normal((rows, count))) / np.sqrt(2)
    ).astype(np.complex64)


def test_envelope_of_noise_is_two_and_of_a_carrier_one() -> None:
    assert measure_frames(noise(1, 200_000), 200_000).envelope[0, 0] == pytest.approx(2, rel=0.02)
    carrier = np.exp(1j * np.linspace(0, 900, 4000))[None].astype(np.complex64)
    assert measure_frames(carrier, 200).envelope == pytest.approx(1, abs=1e-5)


@pytest.mark.parametrize("cnr_db", [-3.0, 0.0, 3.0, 10.0])
def test_envelope_of_a_carrier_in_noise_follows_the_rice_law(cnr_db: float) -> None:
    # Moments of the Rice law: E|y|^4 = S^2 + 4 S N + 2 N^2 (J. G. Proakis, Digital Communications, 2.3).
    carrier = 10 ** (cnr_db / 10)
    samples = noise(1, 400_000) + np.complex64(np.sqrt(carrier))
    expected = (carrier**2 + 4 * carrier + 2) / (carrier + 1) ** 2
    assert measure_frames(samples, 400_000).envelope[0, 0] == pytest.approx(expected, rel=0.02)


def test_silence_measures_as_noise_of_no_power() -> None:
    measures = measure_frames(np.zeros((2, 400), np.complex64), 200)
    assert not measures.power.any()
    assert (measures.envelope == 2).all()


def test_last_frame_may_be_short() -> None:
    assert measure_frames(noise(3, 450), 200).power.shape == (3, 3)
    assert measure_frames(noise(3, 0), 200).power.shape == (3, 0)


def test_carrier_to_noise_of_frames_is_unbiased_and_states_its_width() -> None:
    rng = np.random.default_rng(3)
    power = (3 * rng.gamma(150, 1 / 150, 400)).astype(np.float32)  # signal twice the noise
    floor = rng.gamma(600, 1 / 600, 400).astype(np.float32)
    reading = carrier_to_noise_of_frames(power, floor, 150, 1 / 600)
    assert reading is not None
    assert reading.value == pytest.approx(10 * np.log10(2), abs=4 * reading.sigma)
    assert reading.sigma < 0.1
    narrower = carrier_to_noise_of_frames(power, floor, 150, 1 / 600, width_share=0.5)
    assert narrower is not None
    assert narrower.value - reading.value == pytest.approx(10 * np.log10(2))


def test_no_carrier_gives_no_ratio() -> None:
    ones = np.ones(10, np.float32)
    assert carrier_to_noise_of_frames(0.9 * ones, ones, 100, 0.001) is None
    assert carrier_to_noise_of_frames(ones[:0], ones[:0], 100, 0.001) is None


@pytest.mark.parametrize("cnr_db", [0.0, 3.0, 20.0])
@pytest.mark.parametrize("offset_hz", [-2500.0, 0.0, 700.0])
def test_frequency_error_is_not_drawn_to_the_centre_by_noise(cnr_db: float, offset_hz: float) -> None:
    rate_hz, count = 16_000, 64_000
    n = np.arange(count)
    samples = noise(1, count) + (10 ** (cnr_db / 20) * np.exp(2j * np.pi * offset_hz * n / rate_hz)).astype(
        np.complex64
    )
    measures = measure_frames(samples, 200)
    floor = np.ones(measures.power.shape[1], np.float32)
    reading = frequency_error_of_frames(measures.lag_one[0], floor, 0.0, rate_hz)  # white: no correlation
    assert reading is not None
    assert reading.value == pytest.approx(offset_hz, abs=4 * reading.sigma + 1)


def test_measures_of_the_clear_instants_are_those_of_the_rest_alone() -> None:
    samples = noise(2, 4_000)
    clear = np.ones((20, 200), dtype=bool)
    clear[:, 50:120] = False
    struck = samples.reshape(2, 20, 200).copy()
    struck[:, :, 50:120] *= 100
    masked = measure_frames(struck.reshape(2, -1), 200, clear)
    for part, first in (
        (samples.reshape(2, 20, 200)[:, :, :50], 50),
        (samples.reshape(2, 20, 200)[:, :, 120:], 80),
    ):
        assert part.shape[2] == first
    kept = np.concatenate(
        [samples.reshape(2, 20, 200)[:, :, :50], samples.reshape(2, 20, 200)[:, :, 120:]], axis=2
    )
    power = np.mean(np.abs(kept) ** 2, axis=2)
    np.testing.assert_allclose(masked.power, power, rtol=1e-5)
    np.testing.assert_allclose(masked.envelope, np.mean(np.abs(kept) ** 4, axis=2) / power**2, rtol=1e-5)
    assert masked.clear_share == pytest.approx(0.65)


def test_lag_one_of_the_clear_instants_joins_no_two_that_were_apart() -> None:
    turn = np.exp(2j * np.pi * 0.1 * np.arange(400)).astype(np.complex64)[None]
    clear = np.ones((2, 200), dtype=bool)
    clear[:, 30:33] = clear[:, 100:150] = False
    lag = measure_frames(turn, 200, clear).lag_one
    np.testing.assert_allclose(lag, np.exp(2j * np.pi * 0.1), rtol=1e-5)
