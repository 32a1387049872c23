"""Frames to judge: each once whatever the passages; lines measured where they are."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.modulate.tones import tone
from dsp.signalling.passage import Passage
from dsp.signalling.tone_frames import FrameJoiner, fine_frequency, line_frequency_hz, runs
from tests.tones_on_air import RATE_HZ, passages


@given(st.integers(1, 400))
def test_every_frame_is_judged_once_and_in_order(hops: int) -> None:
    audio = np.random.default_rng(hops).normal(size=160 * hops)
    cut = passages(audio)
    spectra = np.concatenate([p.spectra for p in cut])
    joiner = FrameJoiner()
    pieces = [joiner.push(p) for p in cut]
    pieces.append(joiner.finish())
    judged = np.concatenate([f.power[f.begin : f.stop] for f in pieces])
    first = pieces[0].first_frame + pieces[0].begin
    assert first <= 0
    np.testing.assert_array_equal(judged[-first : len(spectra) - first], spectra)
    assert not judged[:-first].any()


def test_windows_that_reach_over_the_end_hold_the_last_audio() -> None:
    """The last frames are those that a longer silence after the audio would have given."""
    audio = np.random.default_rng(1).normal(size=16_000)
    joiner = FrameJoiner()
    joiner.push(passages(audio)[0])
    frames = joiner.finish()
    longer = passages(np.concatenate([audio, np.zeros(16_000)]))
    expected = np.concatenate([p.spectra for p in longer])
    last = frames.power[: frames.stop]
    at = frames.first_frame
    np.testing.assert_allclose(last, expected[at : at + len(last)], rtol=1e-4, atol=1e-9)


@given(st.lists(st.sampled_from([np.nan, np.inf, -np.inf, 1e30, -1e25]), min_size=1, max_size=5))
def test_what_is_no_number_becomes_silence(broken: list[float]) -> None:
    audio = np.zeros(1600, np.float32)
    audio[: len(broken)] = broken
    spectra = np.full((10, 105), np.nan, np.float32)
    spectra[5:] = np.float32(3e38)
    joiner = FrameJoiner()
    frames = joiner.push(Passage(audio, 0, spectra))
    assert np.isfinite(frames.power).all() and not frames.total.any()
    assert np.isfinite(frames.span(0, 1)).all()


def test_a_span_reaches_over_a_seam() -> None:
    audio = np.arange(32_000, dtype=np.float32)
    joiner = FrameJoiner()
    frames = [joiner.push(p) for p in passages(audio)][-1]
    np.testing.assert_array_equal(frames.span(0.9, 1.1), audio[14_400:17_600])
    assert frames.span(0.0, 0.4).size == 0  # no longer kept
    np.testing.assert_array_equal(frames.span(0.0, 2.0, longest_s=0.25), audio[28_000:])


@pytest.mark.parametrize("tone_hz", [350.0, 697.0, 1050.0, 1234.5, 2917.3])
def test_a_line_between_bins_is_measured(tone_hz: float) -> None:
    (passage,) = passages(tone(tone_hz=tone_hz, seconds=1, rate_hz=RATE_HZ))
    rows = np.arange(4, 100)
    measured = line_frequency_hz(passage.spectra, rows, passage.spectra[rows].argmax(axis=1))
    np.testing.assert_allclose(measured, tone_hz, atol=0.6)


def test_fine_frequency_reaches_its_bound() -> None:
    """Variance for a real sine: 12 / (snr n) / (2 pi T)^2 at best (Kay, Estimation Theory, 1993, 3.11).

    A Hann taper costs up to a factor of 3.1 (its variance ratio, Offelli and Petri 1992, from memory).
    """
    rng = np.random.default_rng(3)
    seconds, snr = 0.1, 10.0  # power of the sine over that of the noise, sample by sample
    errors = []
    for _ in range(200):
        sent_hz = 1050 + rng.uniform(-5, 5)
        made = tone(tone_hz=sent_hz, seconds=seconds, rate_hz=RATE_HZ, amplitude=1.0)
        found = fine_frequency(made + rng.normal(scale=np.sqrt(0.5 / snr), size=made.size), 1050, 10)
        assert found is not None
        errors.append(found[0] - sent_hz)
        assert found[1] == pytest.approx(0.5, rel=0.1)
    bound_hz = np.sqrt(12 / (snr * seconds * RATE_HZ)) / (2 * np.pi * seconds)
    assert bound_hz * 0.8 < np.std(errors) < bound_hz * np.sqrt(3.1) * 1.2
    assert abs(np.mean(errors)) < 0.3 * np.std(errors)


def test_too_little_or_empty_audio_has_no_frequency() -> None:
    assert fine_frequency(np.ones(100, np.float32), 1000, 10) is None
    assert fine_frequency(np.zeros(1600, np.float32), 1000, 10) is None


@given(st.lists(st.booleans(), max_size=30))
def test_runs_are_where_the_mask_is_true(mask: list[bool]) -> None:
    found = runs(np.array(mask, dtype=np.bool_))
    rebuilt = [any(a <= n < b for a, b in found) for n in range(len(mask))]
    assert rebuilt == mask
    assert all(b < c for (_, b), (c, _) in itertools.pairwise(found))
