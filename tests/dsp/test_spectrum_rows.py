"""Rows of the running picture of the span: powers add up, steps are decibels, short things are not lost."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.channelizer import FRAMES_PER_SLICE, cell_powers
from dsp.filter_bank_design import CELL_BINS, shape_for_rate
from dsp.spectrum_rows import (
    SILENT_DBFS,
    STEP_DB,
    ColumnGrid,
    SpectrumRow,
    SpectrumRows,
    reference_for,
    to_steps,
)


@pytest.mark.parametrize("rate_hz", [20_000, 48_000, 240_000, 1_024_000, 2_400_000, 3_200_000])
def test_columns_cover_the_span_evenly(rate_hz: int) -> None:
    grid = ColumnGrid.of(shape_for_rate(rate_hz))
    assert grid.columns * grid.column_hz == pytest.approx(rate_hz)
    assert 1_500 < grid.column_hz < 4_100
    assert 0.05 < grid.slice_s < 0.4


def rows_of(slices: list[np.ndarray], per_row: int, rate_hz: int = 240_000) -> list[SpectrumRow]:
    gathering = SpectrumRows(ColumnGrid.of(shape_for_rate(rate_hz)), per_row)
    return [row for cells in slices for row in gathering.push(cells)] + list(gathering.finish())


def test_white_noise_adds_up_to_its_power() -> None:
    rng = np.random.default_rng(4)
    shape = shape_for_rate(240_000)
    count, length = FRAMES_PER_SLICE, shape.fft_length
    slices = []
    for _ in range(20):
        noise = rng.standard_normal((count, length)) + 1j * rng.standard_normal((count, length))
        slices.append(cell_powers(np.fft.fft(noise * np.sqrt(0.01 / 2)).astype(np.complex64)))
    first, second = rows_of(slices, 10)
    # 10 slices of 16 frames of 3840 samples: the sum of 600 000 squares is good to 0.13 % of its mean.
    assert first.mean.sum() == pytest.approx(0.01, rel=0.006)
    assert (first.first_slice, first.slices, second.first_slice) == (0, 10, 10)
    assert (first.peak >= first.mean).all()


def test_what_is_short_stands_in_the_peak_and_hardly_in_the_mean() -> None:
    columns = shape_for_rate(240_000).fft_length // CELL_BINS
    quiet = np.full((FRAMES_PER_SLICE, columns), 1e-6, np.float32)
    loud = quiet.copy()
    loud[:, 30] = 1e-3
    (row,) = rows_of([quiet] * 49 + [loud], 50)
    assert row.peak[30] == pytest.approx(1e-3)
    assert row.mean[30] == pytest.approx((49 * 1e-6 + 1e-3) / 50, rel=1e-4)


def test_steps_stand_for_half_a_decibel() -> None:
    power = (10 ** (np.linspace(-90, -40, 101) / 10)).astype(np.float32)
    reference = reference_for(power)
    assert reference % STEP_DB == 0
    back = reference + STEP_DB * to_steps(power, reference)
    np.testing.assert_allclose(back, np.linspace(-90, -40, 101), atol=STEP_DB / 2 + 1e-3)
    assert to_steps(np.zeros(1, np.float32), reference)[0] == 0
    assert reference_for(np.zeros(3, np.float32)) == SILENT_DBFS
