"""A steady carrier is told from everything that moves."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.steady_carrier import is_unmodulated, split_carrier

RATE_HZ = 16_000.0
FRAME = 200


def frames_of(samples: np.ndarray) -> np.ndarray:
    return samples[: len(samples) // FRAME * FRAME].reshape(-1, FRAME).astype(np.complex64)


def in_noise(phase: np.ndarray, cnr_db: float, seed: int = 11) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noise = (rng.standard_normal(len(phase)) + 1j * rng.standard_normal(len(phase))) / np.sqrt(2)
    return noise + 10 ** (cnr_db / 20) * np.exp(1j * phase)


@pytest.mark.parametrize("frequency_hz", [-4000.0, -37.3, 0.0, 1234.5])
def test_line_is_found_and_taken_out(frequency_hz: float) -> None:
    n = np.arange(4000)
    parts = split_carrier(frames_of(in_noise(2 * np.pi * frequency_hz * n / RATE_HZ, 20.0)), RATE_HZ)
    assert np.abs(parts.frequency_hz - frequency_hz).max() < 8
    assert parts.carrier_power.mean() == pytest.approx(100, rel=0.05)
    assert parts.rest_power.mean() == pytest.approx(1, rel=0.05)


def test_powers_add_up() -> None:
    frames = frames_of(in_noise(np.zeros(2000), 3.0))
    parts = split_carrier(frames, RATE_HZ)
    np.testing.assert_allclose(
        parts.carrier_power + parts.rest_power, np.mean(np.abs(frames) ** 2, axis=1), rtol=1e-4
    )


@pytest.mark.parametrize("cnr_db", [0.0, 6.0, 30.0, 50.0])
def test_idle_carrier_is_unmodulated_even_when_it_drifts(cnr_db: float) -> None:
    n = np.arange(3200)
    phase = 2 * np.pi * (500 * n / RATE_HZ + 0.5 * 100 * (n / RATE_HZ) ** 2)  # 100 Hz a second
    parts = split_carrier(frames_of(in_noise(phase, cnr_db)), RATE_HZ)
    assert is_unmodulated(parts.carrier_power, parts.rest_power, np.ones(len(parts.rest_power)))


@pytest.mark.parametrize(("tone_hz", "deviation_hz"), [(67.0, 350.0), (250.3, 350.0), (1000.0, 1500.0)])
def test_a_tone_is_modulation(tone_hz: float, deviation_hz: float) -> None:
    n = np.arange(3200)
    phase = deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * n / RATE_HZ)
    parts = split_carrier(frames_of(in_noise(phase, 3.0)), RATE_HZ)
    assert not is_unmodulated(parts.carrier_power, parts.rest_power, np.ones(len(parts.rest_power)))


def test_too_short_a_frame_is_refused_with_the_number() -> None:
    with pytest.raises(ValueError, match="a frame has 7 samples; a line needs at least 8"):
        split_carrier(np.zeros((1, 7), np.complex64), RATE_HZ)
