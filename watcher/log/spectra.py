"""The small spectra that lie beside a log: which there are, what they show, and what has had its time.

They are files and no rows: a picture of what was received, for the eye and for hints, never for accounts.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.spectrum_rows import RANGE_STEPS
from watcher.log.spans import Span
from watcher.receive.spectrum_file import SPECTRA_FOLDER, Chunk, ChunkFacts, FileName, Found, chunks_in

MOST_FILE_BYTES = 1 << 30
"""What is larger is none of ours: a day of one tuning takes some megabytes."""

MOST_JOINED_ROWS = 400
MOST_SHIFT_DB = 20.0  # far less than the 32 dB under the floor that a scale has room for
# Rows follow each other to the microsecond; a gap is a frame at least.
LITTLE_APART = timedelta(milliseconds=1)


@dataclass(frozen=True, slots=True)
class SpectraFile:
    """One tuning on one UTC day."""

    path: Path
    name: FileName


def spectra_files(folder: Path) -> list[SpectraFile]:
    """The files of a watch's folder, oldest first; none where no spectra were kept."""
    found = []
    with contextlib.suppress(OSError):
        for path in (folder / SPECTRA_FOLDER).iterdir():
            name = FileName.read(path.name)
            if name is not None and path.is_file() and not path.is_symlink():
                found.append(SpectraFile(path, name))
    return sorted(found, key=lambda each: (each.name.day, each.name.tuned_hz, each.name.sample_rate_hz))


def spectra_within(folder: Path, span: Span | None = None) -> Iterator[Found]:
    """The chunks that share time with a span (None: all), file by file, in the order of writing."""
    for file in spectra_files(folder):
        if span is not None and not _touches(file.name.day, span):
            continue
        with contextlib.suppress(OSError):
            if file.path.stat().st_size > MOST_FILE_BYTES:
                continue
            for found in chunks_in(file.path.read_bytes()):
                facts = found.facts
                if span is None or (facts.start_utc < span.stop_utc and facts.stop_utc > span.start_utc):
                    yield found


def latest_utc(folder: Path) -> datetime | None:
    """Where the newest spectra end; None where there are none."""
    files = spectra_files(folder)
    for day in sorted({file.name.day for file in files}, reverse=True):
        begins = datetime.combine(day, datetime.min.time(), UTC)
        of_day = Span(begins, begins + timedelta(days=1))
        ends = [found.facts.stop_utc for found in spectra_within(folder, of_day)]
        if ends:
            return max(ends)
    return None


def remove_aged_spectra(folder: Path, days: float, now_utc: datetime) -> tuple[int, int]:
    """Remove the files of days that ended longer ago than this; returns how many, and their bytes."""
    aged = (file for file in spectra_files(folder) if _end_of(file) + timedelta(days=days) <= now_utc)
    return _remove(aged, math.inf)


def remove_oldest_spectra(folder: Path, wanted_bytes: float, now_utc: datetime) -> tuple[int, int]:
    """Remove files of past days, the oldest first, until so much is free; how many, and their bytes."""
    return _remove((file for file in spectra_files(folder) if _end_of(file) <= now_utc), wanted_bytes)


def _remove(files: Iterable[SpectraFile], wanted_bytes: float) -> tuple[int, int]:
    removed = freed = 0
    for file in files:
        if freed >= wanted_bytes:
            break
        with contextlib.suppress(OSError):
            size = file.path.stat().st_size
            file.path.unlink()
            removed, freed = removed + 1, freed + size
    return removed, freed


def _end_of(file: SpectraFile) -> datetime:
    return datetime.combine(file.name.day, datetime.min.time(), UTC) + timedelta(days=1)


def _touches(day: date, span: Span) -> bool:
    """A file holds rows that begin on its day; the last may reach into the next."""
    begins = datetime.combine(day, datetime.min.time(), UTC)
    return begins < span.stop_utc and begins + timedelta(days=1, minutes=5) > span.start_utc


def rows_within(folder: Path, span: Span | None = None) -> Iterator[Chunk]:
    """The rows of those chunks, unpacked, with what follows without a break joined into longer chunks.

    Numbers are cheaper by the hour than by the minute. A chunk whose scale lies too far from the first one
    begins another.
    """
    waiting: list[Chunk] = []
    for found in spectra_within(folder, span):
        chunk = found.unpack()
        if chunk is None:
            continue
        if waiting and not _follows(waiting, chunk.facts):
            yield _joined(waiting)
            waiting = []
        waiting.append(chunk)
    if waiting:
        yield _joined(waiting)


def _follows(waiting: list[Chunk], facts: ChunkFacts) -> bool:
    first, last = waiting[0].facts, waiting[-1].facts
    rows = sum(chunk.facts.rows for chunk in waiting) + facts.rows
    alike = replace(facts, start_utc=first.start_utc, rows=first.rows, reference_dbfs=first.reference_dbfs)
    return (
        rows <= MOST_JOINED_ROWS
        and alike == first
        and abs(facts.start_utc - last.stop_utc) <= LITTLE_APART
        and abs(facts.reference_dbfs - first.reference_dbfs) <= MOST_SHIFT_DB
    )


def _joined(chunks: list[Chunk]) -> Chunk:
    first = chunks[0].facts
    if len(chunks) == 1:
        return chunks[0]
    facts = replace(first, rows=sum(chunk.facts.rows for chunk in chunks))
    shifts = [round((c.facts.reference_dbfs - first.reference_dbfs) / first.step_db) for c in chunks]
    mean, peak = (
        np.concatenate([_shifted(part, by) for part, by in zip(parts, shifts, strict=True)])
        for parts in ([c.mean for c in chunks], [c.peak for c in chunks])
    )
    return Chunk(facts, mean, peak)


def _shifted(steps: NDArray[np.uint8], by: int) -> NDArray[np.uint8]:
    if by == 0:
        return steps
    moved: NDArray[np.uint8] = np.clip(steps.astype(np.int16) + by, 0, RANGE_STEPS).astype(np.uint8)
    return moved
