"""Edges are placed where the power changed."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.change_point import fall_sample, rise_sample


def carrier_from(at: int, count: int, cnr_db: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noise = (rng.standard_normal(count) + 1j * rng.standard_normal(count)) / np.sqrt(2)
    noise[at:] += 10 ** (cnr_db / 20) * np.exp(1j * rng.uniform(0, 2 * np.pi))
    return noise.astype(np.complex64)


@pytest.mark.parametrize(("cnr_db", "within"), [(3.0, 25), (10.0, 4), (30.0, 1)])
def test_rise_and_fall_are_found(cnr_db: float, within: int) -> None:
    misses = []
    for seed in range(40):
        samples = carrier_from(1200, 2000, cnr_db, seed)
        up = 1 + 10 ** (cnr_db / 10)
        misses.append(abs(rise_sample(samples, 1.0, up) - 1200))
        misses.append(abs(fall_sample(samples[::-1], up, 1.0) - 800))
    assert np.percentile(misses, 95) <= within


def test_all_low_rises_at_the_end_and_all_high_at_the_start() -> None:
    assert rise_sample(np.full(50, 0.1, np.complex64), 1.0, 10.0) == 50
    assert rise_sample(np.full(50, 9.0, np.complex64), 1.0, 10.0) == 0
    assert fall_sample(np.full(50, 9.0, np.complex64), 10.0, 1.0) == 50
    assert fall_sample(np.full(50, 0.1, np.complex64), 10.0, 1.0) == 0


def test_nothing_to_search_gives_zero() -> None:
    assert rise_sample(np.empty(0, np.complex64), 1.0, 2.0) == 0
