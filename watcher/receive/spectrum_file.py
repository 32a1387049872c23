"""The form of kept spectra: files of chunks, each of which tells all about itself.

A file holds one tuning on one UTC day and only ever grows. A chunk is a few rows that follow each other
without a break. Its head is 80 bytes, little-endian, in this order::

    8 bytes  b"\\x93spectra"        marks the start of a chunk
    uint32   CRC-32 of all that follows in the chunk
    uint32   bytes of the body
    int64    start of the first row, microseconds since 1970-01-01T00:00:00Z
    uint64   length of a row in input samples
    uint32   input samples a second
    int64    centre the radio was tuned to, Hz
    float64  frequency at the middle of the span once the radio's error is taken off, Hz
    float64  width of a column, Hz
    uint16   columns, rows, slices in a row, frames in a slice
    uint16   cells of 32 bins in a column
    2 bytes  of zero
    float32  power that step 0 stands for, dBFS
    float32  dB in a step

The body is compressed (zlib, RFC 1950): for every row its mean and its peak, a byte a column, lowest
frequency first; first all means, then how far each peak lies above its mean. Each byte of the means is the
difference to the row before it, modulo 256, and in the first row to the column before it.

Whatever does not fit, a chunk cut short by a crash, a changed byte, is passed over up to the next mark; the
other chunks are not harmed. There is no end mark and no index that could be lost.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from dsp.filter_bank_design import CELL_BINS
from dsp.spectrum_rows import STEP_DB

MARK = b"\x93spectra"
SPECTRA_FOLDER = "spectra"
_HEAD = struct.Struct("<8sIIqQIqddHHHHHxxff")
_CHECKED = 12  # the check covers what follows it
_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})_(\d{1,6}\.\d{6})MHz_(\d{1,9})Sps\.spectra")
MOST_COLUMNS = 4096  # of a chunk that is believed; what is written has fewer
MOST_ROWS = 4096
FIRST_YEAR, LAST_YEAR = 1900, 9000  # a day beyond has no neighbours in the calendar
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class ChunkFacts:
    """What a chunk says of its rows.

    Parameters
    ----------
    start_utc : datetime
        Of the first row.
    row_samples, sample_rate_hz : int
    tuned_hz : int
        Where the radio was tuned to.
    middle_hz : float
        The frequency at the middle of the span, the radio's known error taken off.
    column_hz : float
    columns, rows, slices, slice_frames, cells : int
        Slices in a row, frames in a slice, cells in a column.
    reference_dbfs, step_db : float
    """

    start_utc: datetime
    row_samples: int
    sample_rate_hz: int
    tuned_hz: int
    middle_hz: float
    column_hz: float
    columns: int
    rows: int
    slices: int
    slice_frames: int
    cells: int
    reference_dbfs: float
    step_db: float = STEP_DB

    @property
    def row_s(self) -> float:
        """Length of a row."""
        return self.row_samples / self.sample_rate_hz

    @property
    def stop_utc(self) -> datetime:
        """Where the last row ends."""
        return self.start_utc + timedelta(seconds=self.rows * self.row_s)

    def frequencies_hz(self) -> NDArray[np.float64]:
        """The middle of each column, shape (columns,)."""
        place = np.arange(self.columns, dtype=np.float64) - (self.columns - 1) / 2
        # A column's bins reach from its lower edge to one bin below its upper one: their middle lies half a
        # bin under that of the edges.
        half_bin_hz = self.column_hz / (2 * CELL_BINS * self.cells)
        middles: NDArray[np.float64] = self.middle_hz + place * self.column_hz - half_bin_hz
        return middles


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """Rows of one tuning without a break.

    Parameters
    ----------
    facts : ChunkFacts
    mean, peak : ndarray of uint8, shape (rows, columns)
        Steps over the reference.
    """

    facts: ChunkFacts
    mean: NDArray[np.uint8]
    peak: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class FileName:
    """What the name of a file says: day, tuning and rate."""

    day: date
    tuned_hz: int
    sample_rate_hz: int

    @classmethod
    def read(cls, name: str) -> FileName | None:
        """The parts of a name; None where it is no such file."""
        found = _NAME.fullmatch(name)
        if found is None:
            return None
        try:
            day = date.fromisoformat(found[1])
        except ValueError:
            return None
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            return None
        return cls(day, int(found[2].replace(".", "")), int(found[3]))

    def written(self) -> str:
        """`2031-05-04_146.520000MHz_2400000Sps.spectra`."""
        megahertz, hertz = divmod(self.tuned_hz, 1_000_000)
        return f"{self.day.isoformat()}_{megahertz}.{hertz:06d}MHz_{self.sample_rate_hz}Sps.spectra"


def encode_chunk(chunk: Chunk) -> bytes:
    """The bytes of a chunk."""
    facts = chunk.facts
    steps = chunk.mean.astype(np.uint8, copy=True)
    steps[1:] -= chunk.mean[:-1]
    steps[0, 1:] -= chunk.mean[0, :-1]
    body = zlib.compress(steps.tobytes() + (chunk.peak - chunk.mean).tobytes(), 6)
    head = _HEAD.pack(
        MARK,
        0,
        len(body),
        round((facts.start_utc - _EPOCH) / timedelta(microseconds=1)),
        facts.row_samples,
        facts.sample_rate_hz,
        facts.tuned_hz,
        facts.middle_hz,
        facts.column_hz,
        facts.columns,
        facts.rows,
        facts.slices,
        facts.slice_frames,
        facts.cells,
        facts.reference_dbfs,
        facts.step_db,
    )
    check = zlib.crc32(body, zlib.crc32(head[_CHECKED:]))
    return head[:8] + struct.pack("<I", check) + head[_CHECKED:] + body


@dataclass(frozen=True, slots=True)
class Found:
    """A chunk in a file, its rows not unpacked yet."""

    facts: ChunkFacts
    body: bytes

    def unpack(self) -> Chunk | None:
        """The rows; None where the body is not what the head promised."""
        facts = self.facts
        wanted = 2 * facts.rows * facts.columns
        unpacking = zlib.decompressobj()
        try:
            plain = unpacking.decompress(self.body, wanted)
        except zlib.error:
            return None
        if len(plain) != wanted:
            return None
        steps = np.frombuffer(plain, np.uint8).reshape(2, facts.rows, facts.columns)
        mean = steps[0].copy()
        mean[0] = np.cumsum(mean[0], dtype=np.uint8)
        mean = np.cumsum(mean, axis=0, dtype=np.uint8)
        return Chunk(facts, mean, mean + steps[1])


def chunks_in(content: bytes) -> Iterator[Found]:
    """The sound chunks of a file's content, in the order in which they stand."""
    at = content.find(MARK)
    while at >= 0:
        found, after = _chunk_at(content, at)
        if found is None:
            at = content.find(MARK, at + 1)
            continue
        yield found
        at = content.find(MARK, after)


def _chunk_at(content: bytes, at: int) -> tuple[Found | None, int]:
    if len(content) - at < _HEAD.size:
        return None, at
    fields = _HEAD.unpack_from(content, at)
    _, check, length, start_us, row_samples, rate, tuned, middle, width, *counts, reference, step = fields
    columns, rows, slices, frames, cells = counts
    after = at + _HEAD.size + length
    body = content[at + _HEAD.size : after]
    head = content[at + _CHECKED : at + _HEAD.size]
    if after > len(content) or zlib.crc32(body, zlib.crc32(head)) != check:
        return None, at
    whole = 0 < columns <= MOST_COLUMNS and 0 < rows <= MOST_ROWS and slices and frames and cells
    real = np.isfinite([middle, width, reference, step]).all() and width > 0 and step > 0
    if not (whole and real and rate > 0 and row_samples > 0):
        return None, at
    try:
        start_utc = _EPOCH + timedelta(microseconds=start_us)
        facts = ChunkFacts(
            *(start_utc, row_samples, rate, tuned, middle, width),
            *(columns, rows, slices, frames, cells, reference, step),
        )
        _ = facts.stop_utc
    except OverflowError:
        return None, at
    return Found(facts, body), after
