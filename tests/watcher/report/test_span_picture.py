"""The picture of a tuning over time: what was loud stands at its place, what was not kept stays clear."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from watcher.log.spans import Span
from watcher.receive.spectrum_file import SPECTRA_FOLDER, Chunk, ChunkFacts, FileName, encode_chunk
from watcher.report.span_picture import (
    SHOWN_TO_DB,
    WIDTH,
    SpanPicture,
    TuningKept,
    span_picture,
    tunings_kept,
)

BEGAN = datetime(2031, 5, 4, 9, tzinfo=UTC)
RATE_HZ, MIDDLE_HZ, COLUMNS = 2_400_000, 146_000_000, 1_200
FLOOR_STEP = 64  # of a chunk whose reference lies 32 dB under its floor
SPAN = Span(BEGAN, BEGAN + timedelta(minutes=5))


def keep(
    folder: Path,
    start_s: float,
    rows: int,
    *lit: tuple[int, float, int, int],
    reference_dbfs: float = -90.0,
    slope_db: float = 0.0,
) -> None:
    """Rows of 2 s of even noise; `lit` are row, frequency, columns and steps over the floor."""
    facts = ChunkFacts(
        *(BEGAN + timedelta(seconds=start_s), 2 * RATE_HZ, RATE_HZ, MIDDLE_HZ, float(MIDDLE_HZ), 2000.0),
        *(COLUMNS, rows, 10, 16, 1, reference_dbfs),
    )
    slope = np.rint(np.linspace(0, slope_db / 0.5, COLUMNS)).astype(np.uint8)
    mean = np.full((rows, COLUMNS), FLOOR_STEP, np.uint8) + slope
    peak = mean + np.random.default_rng(round(start_s)).integers(0, 3, mean.shape, dtype=np.uint8)
    for row, frequency_hz, width, steps in lit:
        column = int((frequency_hz - (MIDDLE_HZ - RATE_HZ / 2)) // 2000)
        peak[row, column : column + width] += np.uint8(steps)
    (folder / SPECTRA_FOLDER).mkdir(exist_ok=True)
    name = FileName(facts.start_utc.date(), MIDDLE_HZ, RATE_HZ).written()
    with (folder / SPECTRA_FOLDER / name).open("ab") as file:
        file.write(encode_chunk(Chunk(facts, mean, peak)))


def whole(folder: Path, span: Span = SPAN) -> SpanPicture:
    (tuning,) = tunings_kept(folder, span)
    found = span_picture(folder, tuning, span, tuning.low_hz, tuning.high_hz)
    assert found is not None
    return found


def test_a_call_of_one_row_stands_at_its_time_and_frequency(tmp_path: Path) -> None:
    keep(tmp_path, 0, 150, (60, 146_520_000, 5, 40), slope_db=6)
    picture = whole(tmp_path)
    loud = np.argwhere(picture.over_db > 10)
    # 20 dB over the floor for 2 s at 120 s; 5 columns of 2 kHz from 146.520 MHz up, 1200 in 480 points.
    assert loud[:, 1].min() == pytest.approx(120 / 300 * WIDTH, abs=1)
    assert loud[:, 1].max() == pytest.approx(122 / 300 * WIDTH, abs=1)
    hertz = picture.high_hz - (loud[:, 0] + 0.5) / 480 * (picture.high_hz - picture.low_hz)
    assert hertz.min() > 146_520_000 - 5_000 and hertz.max() < 146_530_000 + 5_000
    assert picture.strongest_db(146_519_000, 146_531_000) == pytest.approx(20, abs=1.5)
    quiet = picture.strongest_db(145_000_000, 146_400_000)
    assert quiet is not None and quiet < 1.6


def test_what_was_not_kept_is_clear_and_not_quiet(tmp_path: Path) -> None:
    keep(tmp_path, 0, 30)
    keep(tmp_path, 120, 30)
    picture = whole(tmp_path)
    seconds = (np.arange(WIDTH) + 0.5) / WIDTH * 300
    inside = (seconds < 60) | ((seconds > 120) & (seconds < 180))
    assert np.array_equal(np.isnan(picture.over_db).all(axis=0), ~inside)
    drawn = Image.open(io.BytesIO(picture.png())).convert("RGBA")
    assert drawn.size == (WIDTH, 480)
    assert np.array_equal(np.asarray(drawn)[0, :, 3] == 0, ~inside)


def test_chunks_of_other_scales_stand_for_the_same_power(tmp_path: Path) -> None:
    keep(tmp_path, 0, 30, (10, 146_520_000, 5, 40))
    # The same noise on a scale 10 dB lower would read 20 steps more; here its floor truly lies 10 dB lower.
    keep(tmp_path, 60, 30, (10, 146_520_000, 5, 40), reference_dbfs=-100.0)
    picture = whole(tmp_path, Span(BEGAN, BEGAN + timedelta(minutes=2)))
    first, second = (np.nanmax(picture.over_db[:, part]) for part in (slice(0, 360), slice(360, None)))
    assert first - second == pytest.approx(10, abs=1.6)


def test_louder_is_never_lighter(tmp_path: Path) -> None:
    over = np.linspace(-5, SHOWN_TO_DB + 20, 100, dtype=np.float32)[None]
    greys = np.asarray(Image.open(io.BytesIO(SpanPicture(over, 0, 1, ()).png())).convert("L"))[0]
    assert (np.diff(greys.astype(int)) <= 0).all() and greys[0] == 255 and greys[-1] == 0


def test_a_part_of_the_span_is_whole_columns(tmp_path: Path) -> None:
    keep(tmp_path, 0, 30, (10, 146_520_000, 5, 40))
    (tuning,) = tunings_kept(tmp_path, SPAN)
    part = span_picture(tmp_path, tuning, SPAN, 146_471_000, 146_571_000)
    assert part is not None and len(part.over_db) == 51
    assert (part.low_hz, part.high_hz) == (146_470_000, 146_572_000)
    assert part.strongest_db(146_519_000, 146_531_000) == pytest.approx(20, abs=1.5)
    assert span_picture(tmp_path, tuning, SPAN, 150_000_000, 151_000_000) is None
    year = Span(BEGAN, BEGAN + timedelta(days=365))
    assert span_picture(tmp_path, tuning, year, tuning.low_hz, tuning.high_hz) is None


def test_nothing_kept_is_no_tuning(tmp_path: Path) -> None:
    assert tunings_kept(tmp_path, SPAN) == []
    assert span_picture(tmp_path, TuningKept(1, 2, 3.0, 4.0, 5), SPAN, 0, 9) is None
