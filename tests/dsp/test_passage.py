"""Passages: every sample once, spectra in the promised scale and at the promised instants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.signalling.passage import BIN_HZ, HOP_SAMPLES, RATE_HZ, WINDOW_SAMPLES, Passage, PassageCutter


def cut(*pieces: np.ndarray) -> list[Passage]:
    cutter = PassageCutter()
    passages = [passage for piece in pieces for passage in cutter.push(piece.astype(np.float32))]
    return passages + cutter.finish()


@given(st.lists(st.integers(0, 40_000), min_size=1, max_size=6))
def test_every_sample_comes_once_and_in_order(lengths: list[int]) -> None:
    stream = np.arange(sum(lengths), dtype=np.float32) % 4099
    passages = cut(*np.split(stream, np.cumsum(lengths)[:-1]))
    joined = np.concatenate([p.audio for p in passages] or [np.empty(0)])
    np.testing.assert_array_equal(joined[: len(stream)], stream)
    assert len(joined) - len(stream) < HOP_SAMPLES and not joined[len(stream) :].any()
    firsts = np.cumsum([0, *(len(p.audio) for p in passages)])[:-1]
    assert [p.first_sample for p in passages] == firsts.tolist()
    assert all(len(p.spectra) * HOP_SAMPLES == len(p.audio) for p in passages)


@pytest.mark.parametrize("number", [20, 50, 96])
def test_a_sine_reads_its_mean_square(number: int) -> None:
    """Amplitude 3 has mean square 4.5."""
    t = np.arange(RATE_HZ) / RATE_HZ
    (passage,) = cut(3 * np.sin(2 * np.pi * number * BIN_HZ * t))
    settled = passage.spectra[4:]
    np.testing.assert_allclose(settled[:, number], 4.5, rtol=1e-3)


def test_white_noise_reads_as_stated() -> None:
    """Bias of a Hann window: 2 sum(w^2) / sum(w)^2 = 3 / 512 of the variance (Harris 1978)."""
    noise = np.random.default_rng(4).normal(scale=2, size=20 * RATE_HZ)
    read = np.concatenate([p.spectra for p in cut(noise)])[:, 5:100].mean()
    assert read == pytest.approx(4 * 3 / WINDOW_SAMPLES, rel=0.02)


def test_a_click_shows_in_the_spectra_that_hold_it_across_a_seam() -> None:
    audio = np.zeros(2 * RATE_HZ)
    audio[RATE_HZ - 20] = 1  # in the last hop of the first passage
    spectra = np.concatenate([p.spectra for p in cut(audio)])
    seen = np.flatnonzero(spectra.sum(axis=1) > 1e-12)
    assert seen.tolist() == [99, 100, 101, 102]  # 512 samples reach over 3.2 hops
