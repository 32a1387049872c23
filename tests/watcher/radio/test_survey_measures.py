"""Carriers, ppm and lines from made-up air: where each stands is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from watcher.radio.iq_measures import mean_spectrum
from watcher.radio.survey_measures import (
    CRYSTAL_HZ,
    CarrierError,
    carrier_error,
    crystal_harmonic,
    estimate_ppm,
    find_carrier,
    mean_frequency_hz,
    steady_lines,
)

RATE_HZ = 240_000
CENTRE_HZ = 162_475_000
BINS = 2048
FLOOR = 10 ** (-60 / 10) / RATE_HZ


def noise(rng: np.random.Generator, samples: int) -> NDArray[np.complex64]:
    """White, -60 dBFS."""
    parts = rng.normal(0, math.sqrt(1e-6 / 2), (samples, 2)).astype(np.float32)
    return parts.view(np.complex64)[:, 0]


def voiced(samples: int, offset_hz: float, amplitude: float = 0.01) -> NDArray[np.complex64]:
    """FM with a peak deviation of 5 kHz by tones in the voice band; 20 dB over the noise at 0.01."""
    t = np.arange(samples) / RATE_HZ
    swing = sum(
        1_250 / tone * np.sin(2 * np.pi * tone * t + tone) for tone in (310.0, 730.0, 1_490.0, 2_630.0)
    )
    return (amplitude * np.exp(1j * (2 * np.pi * offset_hz * t + swing))).astype(np.complex64)


@pytest.mark.parametrize("off_hz", [-9_000, -1_234, 0, 11_000])
def test_a_modulated_carrier_is_found_and_its_mean_frequency_measured(
    rng: np.random.Generator, off_hz: int
) -> None:
    """The phase swings by less than 6 rad, so that the mean over a second is true within 2 × 6 / 2π Hz."""
    known_hz = 162_450_000
    samples = voiced(RATE_HZ, known_hz - CENTRE_HZ + off_hz) + noise(rng, RATE_HZ)
    rough = find_carrier(mean_spectrum(samples, RATE_HZ, BINS), RATE_HZ, known_hz - CENTRE_HZ)
    assert rough is not None and abs(rough - (known_hz - CENTRE_HZ + off_hz)) < 2_000
    looks = [mean_frequency_hz(piece, RATE_HZ, rough) for piece in np.split(samples, 10)]
    error = carrier_error(known_hz, CENTRE_HZ, looks, FLOOR)
    assert error is not None
    assert abs(error.offset_hz - off_hz) < 2 * 6 / (2 * math.pi) + 4 * error.sigma_hz
    assert error.sigma_hz < 15
    # Carrier 1e-4 over noise 1e-6 × 16 / 240; the filter's skirt takes a little more noise.
    assert error.snr_db == pytest.approx(10 * math.log10(1e-4 / (1e-6 * 16 / 240)), abs=0.5)


def test_a_neighbour_is_not_taken_for_the_carrier(rng: np.random.Generator) -> None:
    for neighbour_hz in (-25_000, 25_000):
        samples = voiced(RATE_HZ, neighbour_hz, 0.1) + noise(rng, RATE_HZ)
        assert find_carrier(mean_spectrum(samples, RATE_HZ, BINS), RATE_HZ, 0.0) is None


def test_noise_and_what_is_outside_have_no_carrier(rng: np.random.Generator) -> None:
    density = mean_spectrum(noise(rng, RATE_HZ), RATE_HZ, BINS)
    assert find_carrier(density, RATE_HZ, 0.0) is None
    assert find_carrier(density, RATE_HZ, 115_000.0) is None
    looks = [mean_frequency_hz(piece, RATE_HZ, 0.0) for piece in np.split(noise(rng, RATE_HZ), 10)]
    assert carrier_error(CENTRE_HZ, CENTRE_HZ, looks, FLOOR) is None


def test_looks_while_the_carrier_was_down_are_left_out(rng: np.random.Generator) -> None:
    samples = voiced(RATE_HZ, 3_000.0)
    samples[: RATE_HZ // 2] = 0
    looks = [
        mean_frequency_hz(piece, RATE_HZ, 3_000.0) for piece in np.split(samples + noise(rng, RATE_HZ), 10)
    ]
    error = carrier_error(CENTRE_HZ, CENTRE_HZ, looks, FLOOR)
    assert error is not None and abs(error.offset_hz - 3_000) < 30


def test_too_few_samples_have_no_frequency() -> None:
    with pytest.raises(ValueError, match="10 samples are too few"):
        mean_frequency_hz(np.ones(10, np.complex64), RATE_HZ, 0.0)


def test_a_fast_reference_shows_a_station_too_low() -> None:
    """As the plan says it: at +10 ppm a station on 100 MHz shows 1 kHz too low."""
    assert CarrierError(100_000_000, -1_000.0, 50.0, 20.0).ppm() == pytest.approx((10.0, 0.5))


def test_carriers_are_weighted_by_how_sure_they_are() -> None:
    """Weights 1/σ²: (10 / 1 + 14 / 4) / (1 / 1 + 1 / 4) = 10.8 ppm, σ = (1 / 1 + 1 / 4)^-½ = 0.894."""
    errors = [CarrierError(10**8, -1_000.0, 100.0, 20.0), CarrierError(10**8, -1_400.0, 200.0, 20.0)]
    together = estimate_ppm(errors, station_sigma_ppm=0.0)
    assert together is not None
    # chi-square is (0.8 / 1)² + (3.2 / 2)² = 3.2 for one degree of freedom: σ grows by √3.2.
    assert (together.ppm, together.sigma_ppm) == pytest.approx((10.8, 0.8944 * math.sqrt(3.2)), rel=1e-3)
    assert (together.carriers, together.agree) == (2, True)


def test_carriers_that_contradict_are_said_to() -> None:
    errors = [CarrierError(10**8, offset_hz, 10.0, 20.0) for offset_hz in (-1_000.0, 1_000.0)]
    together = estimate_ppm(errors, station_sigma_ppm=0.5)
    assert together is not None and not together.agree and together.sigma_ppm > 5


def test_one_carrier_gives_its_own_ppm_with_the_stations_uncertainty() -> None:
    together = estimate_ppm([CarrierError(10**8, 300.0, 40.0, 20.0)], station_sigma_ppm=0.3)
    assert together is not None
    assert (together.ppm, together.sigma_ppm, together.agree) == (
        pytest.approx(-3.0),
        pytest.approx(0.5),
        True,
    )
    assert estimate_ppm([], 1.0) is None


def pieces_of(samples: NDArray[np.complex64], count: int = 10) -> NDArray[np.float64]:
    return np.array([mean_spectrum(piece, RATE_HZ, BINS) for piece in np.split(samples, count)])


ALL = [(CENTRE_HZ - 100_000.0, CENTRE_HZ + 100_000.0)]
SPECTRA = RATE_HZ // 10 // BINS


@pytest.mark.parametrize("amplitude", [10 ** (-72 / 20), 10 ** (-20 / 20)])
def test_a_line_is_found_where_it_stands(rng: np.random.Generator, amplitude: float) -> None:
    """In a bin of 117 Hz the noise is -93 dBFS: the weak line stands some 18 dB over it, the other 70."""
    t = np.arange(RATE_HZ) / RATE_HZ
    samples = noise(rng, RATE_HZ) + (amplitude * np.exp(2j * np.pi * 31_416 * t)).astype(np.complex64)
    (line,) = steady_lines(pieces_of(samples), SPECTRA, RATE_HZ, CENTRE_HZ, ALL)
    assert abs(line.frequency_hz - (CENTRE_HZ + 31_416)) < 60
    enbw_db, scallop_db = 10 * math.log10(1.5), 1.42  # Hann, F. J. Harris, Proc. IEEE 66 (1978), table 1
    over = 20 * math.log10(amplitude) + 60 + 10 * math.log10(BINS) - enbw_db
    assert over - scallop_db - 0.7 < line.above_floor_db < over + 0.7
    assert line.harmonic is None


def test_a_voice_a_keyed_carrier_and_noise_are_no_lines(rng: np.random.Generator) -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    keyed = (0.01 * np.exp(2j * np.pi * 5_000 * t) * (t > 0.5)).astype(np.complex64)
    for samples in (voiced(RATE_HZ, 5_000.0), keyed, np.zeros(RATE_HZ, np.complex64)):
        pieces = pieces_of(samples + noise(rng, RATE_HZ))
        assert steady_lines(pieces, SPECTRA, RATE_HZ, CENTRE_HZ, ALL) == []


def test_lines_outside_the_listed_bands_are_not_told(rng: np.random.Generator) -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    samples = noise(rng, RATE_HZ) + (0.01 * np.exp(2j * np.pi * 31_416 * t)).astype(np.complex64)
    bands = [(CENTRE_HZ - 5_500.0, CENTRE_HZ + 5_500.0)]
    assert steady_lines(pieces_of(samples), SPECTRA, RATE_HZ, CENTRE_HZ, bands) == []


def test_harmonics_of_the_crystal_are_named() -> None:
    assert crystal_harmonic(5 * CRYSTAL_HZ + 100, 150) == 5
    assert crystal_harmonic(5 * CRYSTAL_HZ + 200, 150) is None
    assert crystal_harmonic(1_000.0, 150) is None
