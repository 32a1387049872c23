"""The narrow radio made of a wide recording: one sub-band, at its own rate, at the right instants."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from watcher.trial.narrow_band import NarrowBand, narrow_rate_hz

RATE_HZ = 240_000


def narrowed(samples: np.ndarray, offset_hz: float, rate_hz: int, step: int = 7919) -> np.ndarray:
    band = NarrowBand(RATE_HZ, offset_hz, rate_hz)
    cut = [samples[at : at + step] for at in range(0, len(samples), step)]
    pieces = [piece for part in cut for piece in band.push(part.astype(np.complex64))]
    return np.concatenate([*pieces, *band.finish()])


def test_rates_are_whole_and_not_under_the_wanted_one() -> None:
    assert narrow_rate_hz(RATE_HZ, 48_000) == 48_000
    assert narrow_rate_hz(RATE_HZ, 41_000) == 44_000
    assert narrow_rate_hz(2_400_000, 1_024_000) == 1_024_000
    assert narrow_rate_hz(RATE_HZ, 240_000) is None
    for sample_rate_hz in (96_000, 250_000, 1_024_000, 2_048_000):
        rate_hz = narrow_rate_hz(sample_rate_hz, 30_000)
        assert rate_hz is not None and 30_000 <= rate_hz < sample_rate_hz


def test_a_line_comes_out_where_and_as_strong_as_it_went_in() -> None:
    """A line 7.3 kHz over the sub-band's middle, amplitude 0.5: a closed formula at the new rate."""
    t = np.arange(RATE_HZ) / RATE_HZ
    made = narrowed(0.5 * np.exp(2j * np.pi * 57_300 * t), 50_000, 48_000)
    assert len(made) == 48_000
    wanted = 0.5 * np.exp(2j * np.pi * 7_300 * np.arange(48_000) / 48_000)
    middle = slice(2000, -2000)
    # The phase at the band's own middle is free; it does not turn.
    turn = np.vdot(wanted[middle], made[middle])
    assert abs(turn) / np.vdot(wanted[middle], wanted[middle]).real == pytest.approx(1.0, abs=0.01)
    assert np.abs(made[middle] - wanted[middle] * turn / abs(turn)).max() < 0.01


def test_what_lies_outside_is_80_db_down() -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    made = narrowed(np.exp(2j * np.pi * (50_000 + 24_100) * t), 50_000, 48_000)
    assert 20 * np.log10(np.abs(made[2000:-2000]).max()) < -80


def test_noise_keeps_its_density() -> None:
    """Power falls with the rate: by 5, less 3 kHz of the 48 at the edges, to 1 %; scipy's Welch is flat."""
    rng = np.random.default_rng(1)
    samples = rng.standard_normal(8 * RATE_HZ).view(np.complex128) * np.sqrt(0.5)
    made = narrowed(samples, -30_000, 48_000)
    assert np.mean(np.abs(made) ** 2) == pytest.approx((48 - 1.5) / 240, rel=0.02)
    f, density = signal.welch(made, 48_000, nperseg=256, return_onesided=False, detrend=False)
    inner = density[np.abs(f) < 21_000]
    assert inner.max() / inner.min() < 1.6


def test_blocks_of_any_size_give_the_same() -> None:
    rng = np.random.default_rng(2)
    samples = rng.standard_normal(RATE_HZ).view(np.complex128)
    whole = narrowed(samples, 12_345, 60_000, step=len(samples))
    parts = narrowed(samples, 12_345, 60_000, step=101)
    np.testing.assert_allclose(parts, whole, atol=1e-5)


def test_a_band_beyond_the_edge_is_moved_inside() -> None:
    assert NarrowBand(RATE_HZ, 119_000, 48_000).offset_hz == 96_000
    assert NarrowBand(RATE_HZ, -119_000, 48_000).offset_hz == -96_000
