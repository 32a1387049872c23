"""Fitting one steady line: the projections, the search, the fit, the comb, and what is made of it."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.signalling.tone_evidence import WHOLE, Evidence, weigh
from dsp.signalling.tone_line import (
    Frames,
    comb_excess,
    cut_frames,
    fit_lines,
    likely_lines,
    project,
    spectrum,
    squared,
)
from dsp.signalling.tone_table import TONES_HZ

RATE_HZ = 4000 / 3
LISTED_HZ = np.array(TONES_HZ)


def line(seconds: float, hz: float, amplitude: float = 300.0, phase_rad: float = 0.4) -> np.ndarray:
    return amplitude * np.cos(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ + phase_rad)


def framed(wave: np.ndarray, stretches: int = 1, stretch_s: float | None = None) -> Frames:
    frames = cut_frames(wave.astype(np.float32), RATE_HZ, stretches, stretch_s)
    assert frames is not None
    return frames


def white(seconds: float, seed: int, scale: float = 60.0) -> np.ndarray:
    return scale * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def test_projection_of_a_line_is_its_amplitude_in_every_frame() -> None:
    frames = framed(line(1.0, 141.3))
    seen = project(frames, np.array([141.3]))[0, :, 0]
    np.testing.assert_allclose(np.abs(seen), 300.0, rtol=0.01)
    np.testing.assert_allclose(np.angle(seen), 0.4, atol=0.02)  # counted from the start of the stretch


def test_transform_and_projection_agree() -> None:
    frames = framed(white(2.0, 1), stretches=2)
    seen, bins_hz = spectrum(frames, 400.0)
    assert bins_hz[-1] >= 400.0
    np.testing.assert_allclose(seen, project(frames, bins_hz), atol=1e-3 * np.abs(seen).max())


def test_squared_is_the_squared_magnitude() -> None:
    np.testing.assert_allclose(squared(np.array([3 + 4j], np.complex64)), [25.0])


@pytest.mark.parametrize(("samples", "there"), [(0, False), (200, False), (250, True)])
def test_four_frames_are_the_least(samples: int, there: bool) -> None:
    # 64 ms every 32 ms: four frames end after 160 ms, 213 samples.
    assert (cut_frames(np.ones(samples, np.float32), RATE_HZ) is not None) == there


def test_stretches_are_spread_evenly_over_the_low_band() -> None:
    frames = framed(np.arange(40_000.0), stretches=4, stretch_s=3.0)
    assert frames.stretches == 4
    assert frames.stretch_s == pytest.approx(3.0, abs=0.07)


def test_frames_without_the_end_leave_that_much_out() -> None:
    frames = framed(line(1.0, 100.0))
    shorter = frames.without_end(0.25)
    assert shorter is not None
    assert frames.stretch_s - shorter.stretch_s == pytest.approx(0.25, abs=0.033)
    assert frames.without_end(0.95) is None


@pytest.mark.parametrize("error_hz", [-0.12, 0.0, 0.12])
def test_fit_finds_frequency_and_size_from_nearby(error_hz: float) -> None:
    fits = fit_lines(framed(line(1.5, 123.4) + white(1.5, 2)), np.array([123.4 + error_hz]))
    assert fits.frequency_hz[0] == pytest.approx(123.4, abs=5 * fits.sigma_hz[0])
    assert fits.sigma_hz[0] < 0.03
    assert fits.amplitude[0, 0] == pytest.approx(300.0, rel=0.03)
    assert fits.log_ratio[0, 0] > 40.0


def test_loud_strangers_in_a_third_of_the_frames_do_not_drag_the_fit_away() -> None:
    # A pitch twice as strong, 3 Hz beside the line, for a third of the time: a mean would be off by half.
    wave = line(2.0, 150.0) + white(2.0, 3, 20.0)
    wave[800:1700] += line(2.0, 153.0, 600.0)[800:1700]
    fits = fit_lines(framed(wave), np.array([150.0]))
    assert fits.amplitude[0, 0] == pytest.approx(300.0, rel=0.08)
    assert fits.frequency_hz[0] == pytest.approx(150.0, abs=0.1)


def test_stretches_agree_on_one_frequency() -> None:
    fits = fit_lines(framed(line(24.0, 97.43) + white(24.0, 4), stretches=6), np.array([97.4]))
    assert fits.log_ratio.shape == (6, 1)
    assert fits.frequency_hz[0] == pytest.approx(97.43, abs=0.01)


def test_search_finds_the_lines_that_are_there_and_keeps_to_its_range() -> None:
    frames = framed(line(2.0, 88.5) + line(2.0, 203.5, 200.0) + line(2.0, 300.0, 900.0) + white(2.0, 5))
    seen, bins_hz = spectrum(frames, 560.0)
    found = likely_lines(frames, seen, bins_hz, low_hz=62.0, high_hz=262.0, wanted=4)
    assert len(found) == 4
    assert found.min() >= 62.0
    assert found.max() <= 262.0
    for hz in (88.5, 203.5):
        assert np.abs(found[:2] - hz).min() < 0.3


def test_comb_sees_what_repeats_and_nothing_in_noise() -> None:
    # Any pattern that repeats every 171.1 ms has all its power at multiples of 5.84 Hz (Fourier series).
    period = 171.131e-3
    pattern = np.random.default_rng(6).standard_normal(4000) * 100
    instants = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    repeating = pattern[(instants % period * 2000).astype(int)]
    excess, size = comb_excess(framed(repeating), 1 / period, 62.0, 262.0, 100.0)
    assert excess > 2.0
    assert size > 1.0
    excess, size = comb_excess(framed(white(2.0, 7) + line(2.0, 100.0)), 1 / period, 62.0, 262.0, 100.0)
    assert abs(excess) < 1.0
    assert abs(size) < 0.1


def test_stronger_line_off_the_list_does_not_hide_the_listed_one() -> None:
    frames = framed(line(1.5, 100.0) + line(1.5, 138.0, 700.0) + white(1.5, 8))
    evidence = weigh(frames, LISTED_HZ, WHOLE, 0.0)
    assert evidence.tone_hz == 100.0
    assert evidence.log_odds > 0.0


def test_listed_odds_fall_with_the_distance_from_the_list() -> None:
    odds = [
        weigh(framed(line(1.5, hz) + white(1.5, 9)), LISTED_HZ, WHOLE, 0.0).over_unlisted
        for hz in (151.4, 151.9, 152.15, 152.4)
    ]
    assert odds == sorted(odds, reverse=True)
    assert odds[1] > 1.0  # 0.33 % off: an ordinary encoder
    assert odds[3] < -3.0  # 0.66 % off: none


def test_log_odds_are_those_over_all_rivals_together() -> None:
    # Bayes: odds = 1 / sum of exp(-odds over each rival), by hand for three rivals of even chance.
    evidence = Evidence(
        tone_hz=100.0,
        estimate_hz=100.0,
        estimate_sigma_hz=0.1,
        deviation_hz=350.0,
        deviation_sigma_hz=9.0,
        over_noise=0.0,
        over_unlisted=0.0,
        over_voice=0.0,
    )
    assert evidence.log_odds == pytest.approx(-np.log(3.0))
