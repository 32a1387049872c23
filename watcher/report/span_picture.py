"""The picture of a tuning over time from the spectra that were kept: time to the right, frequency upwards.

Grey, dark for loud, so that it prints, survives colour blindness and can be turned over on a dark page. Each
point shows the busiest moment in it, so a call of a second is seen in a day. Where nothing was kept the
picture is clear, and the page shows its hatching through it: not watched must not look like quiet.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray
from PIL import Image

from watcher.log.spans import Span
from watcher.log.spectra import rows_within, spectra_within
from watcher.receive.spectrum_file import Chunk, ChunkFacts

WIDTH = 720  # points across: 2 minutes each in a day, less than a row each in a window
MOST_HEIGHT = 480
SHOWN_FROM_DB = 1.5  # over the floor: the busiest moment of a row of noise stays under it
SHOWN_TO_DB = 36.0
GREYS = 16  # the last is clear
FLOOR_COLUMNS = 65  # 130 kHz: wider than any voice channel, narrower than the slope of a tuner's filter
MOST_FLOOR_ROWS = 400  # as many rows, evenly spaced, stand for the floor of all
LONGEST = timedelta(days=1, hours=2)  # a local day may have 25 hours
WHOLE_HZ = 1.0  # frequencies in an address are whole hertz, edges of columns need not be
MOST_ROWS = 50_000  # a day in rows of 2 s; more in one day is none of a watch's

Steps = NDArray[np.int16]
NOTHING = np.iinfo(np.int16).min


@dataclass(frozen=True, slots=True)
class TuningKept:
    """A tuning of which spectra were kept in a span.

    Parameters
    ----------
    tuned_hz, sample_rate_hz : int
    middle_hz, column_hz : float
    columns : int
    """

    tuned_hz: int
    sample_rate_hz: int
    middle_hz: float
    column_hz: float
    columns: int

    @property
    def low_hz(self) -> float:
        """The lower end of the span."""
        return self.middle_hz - self.columns * self.column_hz / 2

    @property
    def high_hz(self) -> float:
        """The upper end of the span."""
        return self.middle_hz + self.columns * self.column_hz / 2

    def columns_of(self, low_hz: float, high_hz: float) -> tuple[int, int]:
        """The half-open range of columns that shares something with these frequencies."""
        first = np.floor((low_hz + WHOLE_HZ - self.low_hz) / self.column_hz)
        stop = np.ceil((high_hz - WHOLE_HZ - self.low_hz) / self.column_hz)
        return int(np.clip(first, 0, self.columns)), int(np.clip(stop, 0, self.columns))

    def whole_columns(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """The outer edges of those columns; equal where there are none."""
        first, stop = self.columns_of(low_hz, high_hz)
        return self.low_hz + first * self.column_hz, self.low_hz + max(first, stop) * self.column_hz


@dataclass(frozen=True, slots=True, eq=False)
class SpanPicture:
    """How far each point lies over the floor.

    Parameters
    ----------
    over_db : ndarray of float32, shape (height, width)
        Highest frequency first; NaN where nothing was kept.
    low_hz, high_hz : float
        What the rows cover, whole columns.
    kept : tuple of Span
        When spectra were kept, in order of writing.
    """

    over_db: NDArray[np.float32]
    low_hz: float
    high_hz: float
    kept: tuple[Span, ...]

    def png(self) -> bytes:
        """The picture, 16 greys, clear where nothing was kept."""
        share = (self.over_db - SHOWN_FROM_DB) / (SHOWN_TO_DB - SHOWN_FROM_DB)
        greys = np.clip(np.nan_to_num(share, nan=0.0) * (GREYS - 2), 0, GREYS - 2).astype(np.uint8)
        greys[np.isnan(self.over_db)] = GREYS - 1
        picture = Image.fromarray(greys, mode="P")
        shades = [*np.linspace(255, 0, GREYS - 1).round(), 255]
        picture.putpalette([int(shade) for shade in shades for _ in range(3)])
        stream = io.BytesIO()
        picture.save(stream, "PNG", bits=4, transparency=GREYS - 1)
        return stream.getvalue()

    def strongest_db(self, low_hz: float, high_hz: float) -> float | None:
        """The most that was seen between two frequencies; None where they do not lie in it or it is empty."""
        height = len(self.over_db)
        scale = height / (self.high_hz - self.low_hz)
        first = max(0, int((self.high_hz - high_hz) * scale))
        part = self.over_db[first : min(height, int(np.ceil((self.high_hz - low_hz) * scale)))]
        return None if part.size == 0 or np.isnan(part).all() else float(np.nanmax(part))


def tunings_kept(folder: Path, span: Span) -> list[TuningKept]:
    """The tunings of which spectra were kept in a span, lowest first."""
    found = {_tuning(each.facts) for each in spectra_within(folder, span)}
    newest = {(each.tuned_hz, each.sample_rate_hz, each.columns): each for each in sorted(found, key=_order)}
    return sorted(newest.values(), key=_order)


def span_picture(
    folder: Path, tuning: TuningKept, span: Span, low_hz: float, high_hz: float
) -> SpanPicture | None:
    """The picture of a tuning between two frequencies.

    Parameters
    ----------
    folder : Path
    tuning : TuningKept
    span : Span
        A day at most.
    low_hz, high_hz : float
        Cut to what the tuning covers.

    Returns
    -------
    SpanPicture or None
        None where nothing was kept, or the frequencies lie outside.
    """
    first, stop = tuning.columns_of(low_hz, high_hz)
    chunks = _chunks(folder, tuning, span)
    if stop <= first or not chunks or span.stop_utc - span.start_utc > LONGEST:
        return None
    # One scale for all chunks; the floor is looked for around what is shown as well.
    margin = slice(max(0, first - FLOOR_COLUMNS), min(tuning.columns, stop + FLOOR_COLUMNS))
    scale = chunks[0].facts
    rows = [(chunk.facts, _on_scale(chunk, scale, margin)) for chunk in chunks]
    floor = _floor([steps for _, steps in rows])[first - margin.start : stop - margin.start]
    height = min(stop - first, MOST_HEIGHT)
    edges = np.arange(height) * (stop - first) // height
    over = np.full((height, WIDTH), NOTHING, np.int16)
    scale_x = WIDTH / span.seconds
    for facts, steps in rows:
        shown = steps[:, first - margin.start : stop - margin.start] - floor
        pooled = shown if height == stop - first else np.maximum.reduceat(shown, edges, axis=1)
        begin_s = (facts.start_utc - span.start_utc).total_seconds()
        for number, row in enumerate(pooled[:, ::-1]):
            at_s = begin_s + number * facts.row_s
            left, right = at_s * scale_x, (at_s + facts.row_s) * scale_x
            if right <= 0 or left >= WIDTH:
                continue
            points = slice(max(0, int(left + 0.01)), max(int(left + 0.01) + 1, int(np.ceil(right - 0.01))))
            over[:, points] = np.maximum(over[:, points], row[:, None])
    over_db = over * np.float32(scale.step_db)
    over_db[over == NOTHING] = np.nan
    return SpanPicture(
        over_db,
        *tuning.whole_columns(low_hz, high_hz),
        tuple(Span(facts.start_utc, facts.stop_utc) for facts, _ in rows),
    )


def _tuning(facts: ChunkFacts) -> TuningKept:
    return TuningKept(facts.tuned_hz, facts.sample_rate_hz, facts.middle_hz, facts.column_hz, facts.columns)


def _order(tuning: TuningKept) -> tuple[float, int]:
    return tuning.middle_hz, tuning.sample_rate_hz


def _chunks(folder: Path, tuning: TuningKept, span: Span) -> list[Chunk]:
    wanted = tuning.tuned_hz, tuning.sample_rate_hz, tuning.columns
    chunks, rows = [], 0
    for chunk in rows_within(folder, span):
        facts = chunk.facts
        if (facts.tuned_hz, facts.sample_rate_hz, facts.columns) != wanted or rows > MOST_ROWS:
            continue
        chunks.append(chunk)
        rows += facts.rows
    return chunks


def _on_scale(chunk: Chunk, scale: ChunkFacts, columns: slice) -> Steps:
    """The busiest moments of a chunk in the steps of another's scale."""
    facts = chunk.facts
    shift = round((facts.reference_dbfs - scale.reference_dbfs) / scale.step_db)
    steps = chunk.peak[:, columns].astype(np.int16)
    if facts.step_db != scale.step_db:
        steps = np.rint(steps * (facts.step_db / scale.step_db)).astype(np.int16)
    return steps + np.int16(np.clip(shift, -20_000, 20_000))


def _floor(rows: Sequence[Steps]) -> Steps:
    """What each column usually shows, carriers that stay left out: shape (columns,)."""
    every = max(1, sum(len(steps) for steps in rows) // MOST_FLOOR_ROWS)
    some = np.concatenate([steps[::every] for steps in rows])
    usual = np.median(some, axis=0)
    floor: Steps = np.rint(scipy.ndimage.median_filter(usual, FLOOR_COLUMNS, mode="nearest")).astype(np.int16)
    return floor
