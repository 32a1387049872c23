"""Two-track WAV, RF64 and W64 files: I on the left track, Q on the right.

The sound library tells what kind of file it is; where the samples lie is found here, because the
library reads a plain WAV no further than its 32-bit size goes, and recorders write on regardless.

References
----------
RIFF and its chunks: Multimedia Programming Interface and Data Specifications 1.0, 1991.
RF64 and its ds64 chunk: EBU Tech 3306, 2009. W64: the published Sony Wave64 layout, as libsndfile
reads it.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Mapping
from io import FileIO
from pathlib import Path
from types import MappingProxyType

import soundfile

from watcher.errors import RadioError
from watcher.radio.facts import (
    RawFacts,
    check_sample_rate,
    missing_facts,
    note_unknown_start,
    note_unused,
    start_or_unknown,
)
from watcher.radio.raw_recording import format_of_option, note_odd_bytes, too_short
from watcher.radio.sample_file import Part, SampleFile, closed_on_failure, open_samples
from watcher.radio.sample_formats import CF32, CI16, CI24, CU8, SampleFormat
from watcher.radio.source import Stretch

_SUBTYPES: Mapping[str, SampleFormat] = MappingProxyType(
    {"PCM_U8": CU8, "PCM_16": CI16, "PCM_24": CI24, "FLOAT": CF32}
)
_RIFF_SIZE_SPAN = 1 << 32
_TRAILING_BYTES = (
    1 << 20
)  # titles and cue lists behind the samples are far shorter; common practice, no source
_STUCK_BYTES = 1 << 12  # sizes this near the end of 32 bits are writers' ways to say they cannot tell
_W64_HEADER_BYTES = 24  # a 16-byte name and a 64-bit size that counts them both
_MAX_CHUNKS = 1000


def open_wav(path: Path, facts: RawFacts) -> SampleFile:
    """The samples of a two-track sound file.

    Raises
    ------
    RadioError
        The file cannot be opened, is no such file, has not two tracks, stores its samples in a way
        that is not read, holds none, or nobody told its centre frequency.
    """
    file, size_bytes = open_samples(path)
    with closed_on_failure(path, file):
        sample_rate_hz, sample_format = _header(path)
        notes: list[str] = []
        first_byte, sample_bytes = _find_samples(path, file, size_bytes, notes)
        samples, odd_bytes = divmod(sample_bytes, sample_format.sample_bytes)
        if samples == 0:
            raise too_short(path, sample_bytes, sample_format)
        if odd_bytes:
            notes.append(note_odd_bytes(path, odd_bytes, sample_format))
        if facts.centre_hz is None:
            raise missing_facts(path, ["centre_hz"])
        if facts.datatype is not None and format_of_option(facts.datatype) != sample_format:
            notes.append(note_unused(path, "datatype"))
        if facts.sample_rate_hz not in (None, sample_rate_hz):
            notes.append(note_unused(path, "sample_rate_hz"))
        start_utc, time_is_known = start_or_unknown(facts.start_utc)
        if not time_is_known:
            notes.append(note_unknown_start(path))
        stretch = Stretch(start_utc, time_is_known, sample_rate_hz, facts.centre_hz, samples, path.name)
    return SampleFile(path, file, [Part(stretch, first_byte, sample_format)], notes)


def _header(path: Path) -> tuple[int, SampleFormat]:
    """Sample rate and format, as the sound library understands the header."""
    try:
        header = soundfile.info(str(path))
    except soundfile.LibsndfileError as error:
        raise RadioError(f"{path}: is not a WAV, RF64 or W64 file, or its header is broken") from error
    if header.format not in ("WAV", "WAVEX", "RF64", "W64"):
        raise RadioError(f"{path}: is a {header.format} file; it must be WAV, RF64 or W64")
    if header.channels != 2:
        tracks = "one track" if header.channels == 1 else f"{header.channels} tracks"
        raise RadioError(f"{path}: has {tracks}; it needs two, I on the left and Q on the right")
    sample_format = _SUBTYPES.get(header.subtype)
    if sample_format is None:
        raise RadioError(
            f"{path}: stores its samples as {header.subtype}; "
            "they must be PCM of 8, 16 or 24 bits, or 32-bit float"
        )
    check_sample_rate(header.samplerate, str(path))
    return int(header.samplerate), sample_format


def _find_samples(path: Path, file: FileIO, size_bytes: int, notes: list[str]) -> tuple[int, int]:
    """First byte and number of bytes of the samples; what is odd about them goes to `notes`."""
    kind = os.pread(file.fileno(), 4, 0)
    if kind == b"riff":
        first_byte, stated = _find_in_w64(path, file, size_bytes)
    elif kind in (b"RIFF", b"RF64"):
        first_byte, stated = _find_in_riff(path, file, size_bytes)
    else:
        raise RadioError(f"{path}: begins with {kind!r}; a WAV file that is read begins with RIFF or RF64")
    present = size_bytes - first_byte
    if stated == 0 or (kind == b"RIFF" and stated >= _RIFF_SIZE_SPAN - _STUCK_BYTES):
        if present >= _RIFF_SIZE_SPAN and kind == b"RIFF":
            notes.append(_note_oversize(path))
        return first_byte, present  # the recorder did not come to write the size, or could not say it
    if present < stated:
        notes.append(
            f"{path}: ends {stated - present} bytes before its header says; what is there is read, "
            "copy it again if more was recorded"
        )
        return first_byte, present
    if kind == b"RIFF" and present >= _RIFF_SIZE_SPAN:
        return first_byte, _wrapped(path, present, stated, notes)
    return first_byte, stated


def _wrapped(path: Path, present: int, stated: int, notes: list[str]) -> int:
    """Bytes of samples in a plain WAV longer than its 32-bit size can say, which started again from 0.

    The whole spans of 2**32 that fit into the file give it back, if little else stands behind the samples.
    """
    spans = (present - stated) // _RIFF_SIZE_SPAN
    if present - stated - spans * _RIFF_SIZE_SPAN > _TRAILING_BYTES:
        notes.append(
            f"{path}: is a plain WAV beyond 4 GiB whose header accounts for {stated} of {present} bytes; "
            "what lies past them cannot be read: record to RF64 or W64"
        )
        return stated
    if spans:
        notes.append(_note_oversize(path))
    return stated + spans * _RIFF_SIZE_SPAN


def _note_oversize(path: Path) -> str:
    return (
        f"{path}: is a plain WAV beyond 4 GiB, which its header cannot say; its size tells how far to read: "
        "record to RF64 or W64"
    )


def _find_in_riff(path: Path, file: FileIO, size_bytes: int) -> tuple[int, int]:
    position = 12  # behind RIFF, its size, and WAVE
    long_size: int | None = None
    for _ in range(_MAX_CHUNKS):
        header = os.pread(file.fileno(), 8, position)
        if len(header) < 8 or position >= size_bytes:
            break
        name, chunk_bytes = struct.unpack("<4sI", header)
        if name == b"data":
            is_long = long_size is not None and chunk_bytes == _RIFF_SIZE_SPAN - 1
            return position + 8, long_size if is_long and long_size is not None else chunk_bytes
        if name == b"ds64":
            (long_size,) = struct.unpack("<8xQ", _exactly(path, file, 16, position + 8))
        position += 8 + chunk_bytes + chunk_bytes % 2
    raise RadioError(f"{path}: has no data chunk; it must hold samples")


def _find_in_w64(path: Path, file: FileIO, size_bytes: int) -> tuple[int, int]:
    position = 40  # behind riff with its size, and wave
    for _ in range(_MAX_CHUNKS):
        header = os.pread(file.fileno(), _W64_HEADER_BYTES, position)
        if len(header) < _W64_HEADER_BYTES or position >= size_bytes:
            break
        name, chunk_bytes = struct.unpack("<4s12xQ", header)
        if name == b"data":
            return position + _W64_HEADER_BYTES, max(0, chunk_bytes - _W64_HEADER_BYTES)
        position += max(_W64_HEADER_BYTES, (chunk_bytes + 7) // 8 * 8)
    raise RadioError(f"{path}: has no data chunk; it must hold samples")


def _exactly(path: Path, file: FileIO, count: int, position: int) -> bytes:
    found = os.pread(file.fileno(), count, position)
    if len(found) < count:
        raise RadioError(f"{path}: ends inside its header; copy it again")
    return found
