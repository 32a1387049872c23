"""Small spectra of everything a watch receives, kept beside its log.

They are a picture, not a record: whatever fails here costs rows of the picture and a sentence, never the
watch. No file is held open and nothing is waited for; a kill costs the rows of the last minute, and a power
cut what the system had not brought to the disk yet.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.channelizer import FRAMES_PER_SLICE
from dsp.filter_bank_design import BankShape
from dsp.spectrum_rows import ColumnGrid, SpectrumRow, SpectrumRows, reference_for, to_steps
from watcher.durable import write_all
from watcher.receive.spectrum_file import SPECTRA_FOLDER, Chunk, ChunkFacts, FileName, encode_chunk
from watcher.receive.stream_clock import StreamClock

FINE_ROW_S = 2.0
COARSE_ROW_S = 10.0
FINE_FOR_S = 600.0
"""So much of each hour of UTC is kept in fine rows: a short window whole, and of a watch without end what
follows the full hour, when callers call."""

CHUNK_S = 60.0  # what a kill may cost
BYTES_PER_GB = 1e9

FreeBytes = Callable[[Path], int]


def free_on_disk(folder: Path) -> int:
    """The room on the disk of a folder, bytes."""
    return shutil.disk_usage(folder).free


class SpectrumStore:
    """Where the spectra of one watch's folder go; one thread uses it.

    Parameters
    ----------
    folder : Path
        Of the watch.
    least_free_gb : float
        Nothing is written while the disk has less room.
    tell : callable
        Told a sentence where spectra could not be kept, each one once.
    free_bytes : callable
        How much room the disk of a folder has.
    """

    def __init__(
        self,
        folder: Path,
        *,
        least_free_gb: float = 0.0,
        tell: Callable[[str], None] = lambda sentence: None,
        free_bytes: FreeBytes = free_on_disk,
    ) -> None:
        self._folder = folder / SPECTRA_FOLDER
        self._least_free_bytes = least_free_gb * BYTES_PER_GB
        self._least_free_gb = least_free_gb
        self._tell = tell
        self._free_bytes = free_bytes
        self._told: set[str] = set()
        self._hour: datetime | None = None
        self._fine_s = 0.0

    def row_s(self, start_utc: datetime) -> float:
        """How long a row that begins now shall be."""
        hour = start_utc.replace(minute=0, second=0, microsecond=0)
        if hour != self._hour:
            self._hour, self._fine_s = hour, 0.0
        if self._fine_s >= FINE_FOR_S:
            return COARSE_ROW_S
        self._fine_s += FINE_ROW_S
        return FINE_ROW_S

    def write(self, chunk: Chunk) -> None:
        """Append a chunk to its day's file; never raises for what a disk does."""
        facts = chunk.facts
        name = FileName(facts.start_utc.date(), facts.tuned_hz, facts.sample_rate_hz).written()
        try:
            self._folder.mkdir(exist_ok=True)
            if self._free_bytes(self._folder) < self._least_free_bytes:
                self._lost(
                    f"the disk has less than {self._least_free_gb:g} GB free, the least_free_gb of [keep]"
                )
                return
            _append(self._folder / name, encode_chunk(chunk))
        except OSError as failure:
            self._lost(failure.strerror or str(failure))

    def _lost(self, why: str) -> None:
        if why not in self._told:
            self._told.add(why)
            self._tell(f"the picture of the spectrum is not kept: {why}; the watch goes on without it")


class SpectrumPicture:
    """One tuning's picture as it grows.

    Parameters
    ----------
    store : SpectrumStore or None
        None keeps nothing.
    shape : BankShape
    tuned_hz : int
    middle_hz : float
        The frequency that sits at the middle of the span.
    """

    def __init__(
        self, store: SpectrumStore | None, shape: BankShape, tuned_hz: int, middle_hz: float
    ) -> None:
        self._store = store
        self._tuned_hz, self._middle_hz = tuned_hz, middle_hz
        self._grid = ColumnGrid.of(shape)
        self._rows = SpectrumRows(self._grid, 1)
        self._chunk: list[SpectrumRow] = []
        self._clock: StreamClock | None = None
        self._row_due = True

    def begin(self, clock: StreamClock) -> None:
        """A run of samples without a break begins."""
        self._clock = clock
        self._rows.reset()
        self._row_due = True
        self._next_slice = 0

    def take(self, cells: NDArray[np.float32]) -> None:
        """The coarse spectrum of the next slice, shape (frames, cells)."""
        if self._store is None or self._clock is None:
            return
        if self._row_due:
            self._rows.row_slices = self._grid.slices_in(self._store.row_s(self._utc(self._next_slice)))
            self._row_due = False
        self._next_slice += 1
        for row in self._rows.push(cells):
            self._add(row)
            self._row_due = True

    def end(self) -> None:
        """The run is over: what has been gathered is written."""
        for row in self._rows.finish():
            self._add(row)
        self._write()

    def _add(self, row: SpectrumRow) -> None:
        day_turns = bool(self._chunk) and self._day(row) != self._day(self._chunk[0])
        if day_turns or (self._chunk and row.slices != self._chunk[0].slices):
            self._write()
        self._chunk.append(row)
        if sum(each.slices for each in self._chunk) * self._grid.slice_s >= CHUNK_S:
            self._write()

    def _write(self) -> None:
        rows, self._chunk = self._chunk, []
        if not rows or self._store is None or self._clock is None:
            return
        mean = np.stack([row.mean for row in rows])
        reference = reference_for(mean)
        facts = ChunkFacts(
            start_utc=self._utc(rows[0].first_slice),
            row_samples=rows[0].slices * self._grid.slice_samples,
            sample_rate_hz=self._clock.sample_rate_hz,
            tuned_hz=self._tuned_hz,
            middle_hz=self._middle_hz,
            column_hz=self._grid.column_hz,
            columns=self._grid.columns,
            rows=len(rows),
            slices=rows[0].slices,
            slice_frames=FRAMES_PER_SLICE,
            cells=self._grid.cells,
            reference_dbfs=reference,
        )
        peak = np.stack([row.peak for row in rows])
        self._store.write(Chunk(facts, to_steps(mean, reference), to_steps(peak, reference)))

    def _day(self, row: SpectrumRow) -> object:
        return self._utc(row.first_slice).date()

    def _utc(self, number: int) -> datetime:
        assert self._clock is not None
        return self._clock.utc(self._clock.run_first + number * self._grid.slice_samples)


def _append(path: Path, content: bytes) -> None:
    """Put the bytes at the end of a file, all of them or none where the disk lets us choose."""
    how = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
    descriptor = os.open(path, how, 0o666)
    try:
        before = os.fstat(descriptor).st_size
        try:
            write_all(descriptor, content)
        except OSError:
            os.ftruncate(descriptor, before)
            raise
    finally:
        os.close(descriptor)
