"""Frequency estimates of a tone against the Cramér-Rao bound, and standard errors against real errors.

Source: D. C. Rife and R. R. Boorstyn, "Single tone parameter estimation from discrete-time observations",
IEEE Trans. Information Theory 20, 1974 (formula from memory, derived again here): a sine of amplitude A in
white noise of one-sided density N0, watched for T, leaves any unbiased estimate a variance of at least

    var(f) = 3 N0 / (pi² A² T³),        var(A) = N0 / T.

No estimate may be better, and this one should not be far worse. It gives away 1/6 or so by tapering its
first and last half frame and some per cent by mistrusting outliers that white noise does not have.
"""

from __future__ import annotations

import numpy as np
import pytest

from dsp.signalling.ctcss import decide, first_word
from tests.dsp.test_ctcss_air import LOW_RATE_HZ, received, tone

TRIALS = 150
DEVIATION_HZ = 350.0
DENSITY = 90.0  # Hz²/Hz, about what a carrier at 3 dB in 11 kHz leaves between 60 and 260 Hz


def errors(seconds: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequency error, its stated standard error, and deviation of a tone in white noise, trial by trial."""
    rng = np.random.default_rng(seed)
    instants = np.arange(round(seconds * LOW_RATE_HZ)) / LOW_RATE_HZ
    off, sigma, size = [], [], []
    for _ in range(TRIALS):
        sent_hz = 141.3 * (1 + rng.uniform(-0.004, 0.004))
        noise = rng.standard_normal(len(instants)) * np.sqrt(DENSITY * LOW_RATE_HZ / 2)
        wave = DEVIATION_HZ * np.cos(2 * np.pi * sent_hz * instants + rng.uniform(0, 6.28)) + noise
        piece = decide(wave.astype(np.float32), LOW_RATE_HZ)
        assert piece.tone_hz == 141.3
        assert piece.estimate_hz is not None
        off.append(piece.estimate_hz - sent_hz)
        sigma.append(piece.estimate_sigma_hz)
        size.append(piece.deviation_hz)
    return np.array(off), np.array(sigma), np.array(size)


@pytest.mark.parametrize("seconds", [0.5, 1.0, 3.0])
def test_frequency_error_is_near_the_bound_and_never_under_it(seconds: float) -> None:
    off, sigma, size = errors(seconds, seed=round(seconds * 10))
    bound = np.sqrt(3 * DENSITY / (np.pi**2 * DEVIATION_HZ**2 * seconds**3))
    scatter = 1 / np.sqrt(2 * TRIALS)  # relative standard error of a root mean square
    ratio = np.sqrt(np.mean(off**2)) / bound
    assert ratio > 1 - 3 * scatter
    assert ratio < (1.7 if seconds < 1 else 1.45)
    assert np.sqrt(np.mean((off / sigma) ** 2)) == pytest.approx(1.0, abs=0.35)
    assert np.std(size) / np.sqrt(DENSITY / seconds) < 1.5
    assert np.mean(size) == pytest.approx(DEVIATION_HZ, rel=0.02)


def test_three_tenths_of_a_second_at_3_db_give_the_frequency_to_a_third_of_a_hertz() -> None:
    # The first word can rest on it: the closest listed tones are 2.3 Hz apart (config/ctcss.csv).
    off = []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        sent_hz = rng.uniform(0.996, 1.004) * 118.8
        word = first_word(received(tone(0.3, sent_hz), rng, cnr_db=3.0), LOW_RATE_HZ)
        if word.estimate_hz is not None:
            off.append(word.estimate_hz - sent_hz)
    assert len(off) == 80
    assert np.sqrt(np.mean(np.square(off))) < 0.3
