"""What comes and goes in a picture of the span: the laws of noise, and signals put there on purpose."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from dsp.span_activity import (
    FALSE_RATE,
    LEAST_RISE_DB,
    Habits,
    least_rise_db,
    lit_runs,
    places_in,
    row_floors,
    steady_lines,
)
from dsp.spectrum_rows import STEP_DB, to_steps

COLUMNS, SLICES, LOOKS = 1200, 10, 200  # of 2 kHz and 0.2 s, half of the product taken as independent
REFERENCE_DB = -90.0
FLOOR_DB = -60.0

Powers = NDArray[np.float64]


def pictured(power: Powers) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Mean and peak steps of powers of shape (rows, slices, columns)."""
    mean, peak = power.mean(axis=1), power.max(axis=1)
    return to_steps(mean.astype("f4"), REFERENCE_DB), to_steps(peak.astype("f4"), REFERENCE_DB)


def noise(rows: int, seed: int) -> Powers:
    """Powers of white noise, each a mean of `LOOKS` exponential ones; FLOOR_DB in the mean."""
    rng = np.random.default_rng(seed)
    return 10 ** (FLOOR_DB / 10) * rng.gamma(LOOKS, 1 / LOOKS, (rows, SLICES, COLUMNS))


def usual_of(mean: NDArray[np.uint8]) -> NDArray[np.float32]:
    habits = Habits(mean.shape[1])
    habits.add(mean, row_floors(mean), 1)
    return habits.usual_db()


def test_the_threshold_follows_from_the_law_where_there_is_little_to_average() -> None:
    # Chi-square by scipy: the rise that a mean of 20 powers takes once in 1e12; half a step for rounding.
    law = scipy.stats.chi2.isf(FALSE_RATE, 40) / 40
    assert least_rise_db(2_000, 0.02) == pytest.approx(10 * np.log10(law) + STEP_DB, rel=1e-6)
    assert least_rise_db(2_000, 0.2) == LEAST_RISE_DB


def test_noise_lights_nothing() -> None:
    mean, peak = pictured(noise(300, 1))
    runs = lit_runs(mean, peak, usual_of(mean), 2_000.0, 0.2)
    assert len(runs.row) == 0
    assert steady_lines(usual_of(mean)) == []


def test_the_floor_follows_the_slope_of_a_filter_and_a_rise_of_all() -> None:
    slope_db = np.linspace(-6, 6, COLUMNS) + np.linspace(0, 20, 40)[:, None]
    power = noise(40, 2) * 10 ** (slope_db / 10)[:, None, :]
    mean, peak = pictured(power)
    floors = row_floors(mean) + REFERENCE_DB
    assert np.abs(floors[:, 32:-32] - (FLOOR_DB + slope_db)[:, 32:-32]).max() < 0.8
    assert len(lit_runs(mean, peak, usual_of(mean), 2_000.0, 0.2).row) == 0


def test_a_short_signal_is_lit_with_its_place_strength_and_share_of_the_row() -> None:
    power = noise(60, 3)
    power[20, 2:6, 700:706] += 10 ** ((FLOOR_DB + 12) / 10)  # 12 dB over the floor in 4 slices
    mean, peak = pictured(power)
    runs = lit_runs(mean, peak, usual_of(mean), 2_000.0, 0.2)
    assert (runs.row.tolist(), runs.first.tolist(), runs.stop.tolist()) == ([20], [700], [706])
    assert runs.middle[0] == pytest.approx(702.5, abs=0.1)
    # 6 columns of 2 kHz at 12 dB hold 12 + 10 log10(12 / 11) = 12.4 dB over the noise of 11 kHz.
    assert runs.snr_db[0] == pytest.approx(12.4, abs=0.7)
    assert runs.duty[0] == pytest.approx(0.4, abs=0.06)


def test_a_mirrored_weak_copy_is_an_image_and_a_strong_one_a_station() -> None:
    power = noise(60, 4)
    for row, mirrored_db in ((10, 15.0), (30, 35.0)):
        power[row, :, 300:306] += 10 ** ((FLOOR_DB + 45) / 10)
        power[row, :, COLUMNS - 306 : COLUMNS - 300] += 10 ** ((FLOOR_DB + mirrored_db) / 10)
    mean, peak = pictured(power)
    runs = lit_runs(mean, peak, usual_of(mean), 2_000.0, 0.2)
    assert list(zip(runs.row.tolist(), runs.first.tolist(), strict=True)) == [(10, 300), (30, 300), (30, 894)]


def test_what_never_stops_is_a_habit_and_what_rises_over_it_is_lit() -> None:
    power = noise(80, 5)
    power[:, :, 500] += 10 ** ((FLOOR_DB + 15) / 10)
    power[50, :, 498:504] += 10 ** ((FLOOR_DB + 30) / 10)
    mean, peak = pictured(power)
    (line,) = steady_lines(usual_of(mean))
    assert (line.first, line.stop) == (500, 501)
    assert line.over_db == pytest.approx(15, abs=1.0)
    runs = lit_runs(mean, peak, usual_of(mean), 2_000.0, 0.2)
    assert runs.row.tolist() == [50]


@given(st.lists(st.floats(0, 60_000), max_size=60))
def test_each_frequency_stands_in_one_place_near_its_middle(hz: list[float]) -> None:
    ordered = np.sort(np.array(hz, np.float64))
    places = places_in(ordered, np.ones(len(ordered)), 4_000.0)
    assert sorted(np.concatenate([np.empty(0, np.intp), *places]).tolist()) == list(range(len(ordered)))
    assert all(np.ptp(ordered[place]) <= 8_000.0 for place in places)


def test_what_is_seen_between_two_stations_does_not_join_them() -> None:
    rng = np.random.default_rng(7)
    one, other = rng.normal(0, 900, 300), rng.normal(12_500, 900, 200)
    hz = np.concatenate([one, other, rng.uniform(0, 12_500, 60)])
    order = np.argsort(hz)
    first, second, *_ = places_in(hz[order], np.ones(len(hz)), 4_000.0)
    assert abs(np.median(hz[order][first])) < 300 and abs(np.median(hz[order][second]) - 12_500) < 300
    assert len(first) >= 290 and len(second) >= 190
