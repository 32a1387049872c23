"""Noise floor, peaks, clipping; the law of white noise and scipy beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from watcher.radio.gain_choice import quantising_floor_dbfs_hz
from watcher.radio.iq_measures import clipped_share, mean_spectrum, noise_floor_dbfs_hz, peak_dbfs
from watcher.radio.sample_formats import CU8, to_samples

RATE_HZ = 2_400_000


def noise(rng: np.random.Generator, samples: int, power_dbfs: float) -> NDArray[np.complex64]:
    scale = math.sqrt(10 ** (power_dbfs / 10) / 2)
    parts = rng.normal(0, scale, (samples, 2)).astype(np.float32)
    return parts.view(np.complex64)[:, 0]


@pytest.mark.parametrize("power_dbfs", [-20.0, -60.0])
def test_white_noise_spreads_over_the_whole_rate(rng: np.random.Generator, power_dbfs: float) -> None:
    """Density = power / rate, by definition."""
    expected = power_dbfs - 10 * math.log10(RATE_HZ)
    assert noise_floor_dbfs_hz(noise(rng, 65_536, power_dbfs), RATE_HZ) == pytest.approx(expected, abs=0.15)


def test_stations_on_half_of_the_span_do_not_raise_the_floor(rng: np.random.Generator) -> None:
    samples = noise(rng, 131_072, -50.0)
    band = scipy.signal.firwin(401, 0.5)  # the middle half
    loud = scipy.signal.lfilter(band, 1, noise(rng, 131_072, -10.0)).astype(np.complex64)
    expected = -50 - 10 * math.log10(RATE_HZ)
    assert noise_floor_dbfs_hz(samples + loud, RATE_HZ) == pytest.approx(expected, abs=0.8)


def test_the_spectrum_is_that_of_scipy(rng: np.random.Generator) -> None:
    samples = noise(rng, 10_000, -30.0) + np.exp(2j * np.pi * 0.1 * np.arange(10_000)).astype(np.complex64)
    ours = mean_spectrum(samples, RATE_HZ, 512)
    theirs = scipy.signal.welch(
        samples, RATE_HZ, "hann", 512, noverlap=0, detrend=False, return_onesided=False
    )[1]
    assert np.allclose(ours, np.fft.fftshift(theirs), rtol=1e-3)


def test_silence_has_no_floor_and_no_peak() -> None:
    silence = np.zeros(1024, np.complex64)
    assert noise_floor_dbfs_hz(silence, RATE_HZ) == -math.inf
    assert peak_dbfs(silence) == -math.inf
    assert peak_dbfs(np.array([0.5 - 0.25j, -1j], np.complex64)) == pytest.approx(0.0)


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(ValueError, match="511 samples make no spectrum of 512 bins; give at least 512"):
        noise_floor_dbfs_hz(np.zeros(511, np.complex64), RATE_HZ)


def test_an_ideal_converter_adds_what_bennett_says(rng: np.random.Generator) -> None:
    """W. R. Bennett, Bell System Technical Journal 27 (1948): step² / 12; the difference of exact and
    rounded."""
    exact = rng.uniform(20, 235, (400_000, 2))
    coarse, _ = to_samples(np.rint(exact).astype(np.uint8).reshape(-1), CU8)
    error = coarse - ((exact - 127.5) / 127.5) @ np.array([1, 1j])
    density_db = 10 * math.log10(float(np.mean(np.abs(error) ** 2)) / RATE_HZ)
    assert quantising_floor_dbfs_hz(8, RATE_HZ) == pytest.approx(density_db, abs=0.1)


def test_the_clipped_share_is_over_all_blocks() -> None:
    def block(samples: int, clipped: int) -> IqBlock:
        return IqBlock(np.zeros(samples, np.complex64), 0, RATE_HZ, 0, 0, clipped)

    assert clipped_share([block(100, 5), block(300, 15)]) == pytest.approx(0.05)
    assert clipped_share([]) == 0
