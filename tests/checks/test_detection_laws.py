"""The energy detector against its textbook laws, on samples that went through the real filter bank.

Sources: H. Urkowitz, "Energy detection of unknown deterministic signals", Proc. IEEE 55 (1967): without
a signal the energy of n complex samples follows chi-square with 2n degrees of freedom; with a constant
carrier, noncentral chi-square, whose tail is the generalized Marcum Q function (J. I. Marcum 1948). Both
laws are taken from scipy.stats, an independent implementation.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from dsp.channelizer import ChannelCut, Channelizer
from dsp.energy_law import open_ratio
from dsp.frame_measures import measure_frames

RATE_HZ = 480_000
OFFSETS_HZ = [float(offset) for offset in range(-200_000, 200_001, 25_000) if offset]


def channel_frames(cnr_db: float | None, seconds: float, seed: int) -> tuple[np.ndarray, float]:
    """Frame powers of many channels over their true noise power, and independent samples per frame."""
    rng = np.random.default_rng(seed)
    bank = Channelizer(RATE_HZ, [ChannelCut(offset, 11_000) for offset in OFFSETS_HZ])
    noise_power = bank.noise_bandwidth_hz[0] / RATE_HZ
    amplitude = 0.0 if cnr_db is None else np.sqrt(10 ** (cnr_db / 10) * noise_power)
    powers = []
    for at in range(0, round(seconds * RATE_HZ), 1 << 17):
        n = np.arange(at, at + (1 << 17))
        samples = (rng.standard_normal(1 << 17) + 1j * rng.standard_normal(1 << 17)) / np.sqrt(2)
        for offset_hz in OFFSETS_HZ if amplitude else ():
            samples += amplitude * np.exp(2j * np.pi * offset_hz * n / RATE_HZ)
        for made in bank.push(samples.astype(np.complex64)):
            powers.append(measure_frames(made.blocks[0].samples, bank.groups[0].frame_samples).power)
    everything = np.concatenate(powers, axis=1)[:, 2:] / noise_power
    # Independent samples: the power spectrum's equivalent width, (int S)^2 / int S^2, times the frame.
    width_hz = 12_000.0  # between the pass band (11 kHz) and the noise bandwidth (12.2 kHz)
    return everything, width_hz * bank.shape.hop_seconds


def test_noise_power_of_a_frame_follows_chi_square() -> None:
    ratios, n = channel_frames(None, 12.0, seed=1)
    law = scipy.stats.chi2(2 * n, scale=1 / (2 * n))
    assert ratios.mean() == pytest.approx(1, abs=0.005)
    assert ratios.std() == pytest.approx(law.std(), rel=0.04)
    for chance in (0.1, 0.01, 0.001):
        seen = float(np.mean(ratios > law.isf(chance)))
        sigma = np.sqrt(chance / ratios.size)
        assert seen == pytest.approx(chance, rel=0.25, abs=4 * sigma)


@pytest.mark.parametrize("cnr_db", [-6.0, -3.0])
def test_detection_of_a_carrier_follows_the_noncentral_law(cnr_db: float) -> None:
    ratios, n = channel_frames(cnr_db, 3.0, seed=2)
    law = scipy.stats.ncx2(2 * n, 2 * n * 10 ** (cnr_db / 10), scale=1 / (2 * n))
    for threshold in (1.15, 1.25, 1.35, 1.5, 1.65):
        expected = float(law.sf(threshold))
        seen = float(np.mean(ratios > threshold))
        assert seen == pytest.approx(expected, abs=0.03)


def test_threshold_is_the_f_law_of_the_wanted_rate() -> None:
    # Ratio of two independent mean powers: F with 2 n1 and 2 n2 degrees of freedom (any statistics text).
    rng = np.random.default_rng(3)
    n, frames, variance = 150.0, 4, 0.002
    above = rng.gamma(n * frames, 1 / (n * frames), 2_000_000)
    below = rng.gamma(frames / variance, variance / frames, 2_000_000)
    chance = 1e-3
    threshold = open_ratio(frames, n, variance, false_per_hour=chance * 3600 / 0.0125, frame_s=0.0125)
    assert np.mean(above / below > threshold) == pytest.approx(chance, rel=0.1)


def test_long_look_meets_the_design_figure_with_room() -> None:
    """At 3 dB the law says that even one 50 ms look misses less than once in a million."""
    n = 11_000 * 0.0125
    threshold = open_ratio(4, n, 0.0012, 0.001, 0.0125) * 10**0.05
    law = scipy.stats.ncx2(8 * n, 8 * n * 10**0.3, scale=1 / (8 * n))
    assert law.cdf(threshold) < 1e-6
