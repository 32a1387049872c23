"""One file of samples, read front to back in bounded memory, whatever its header was."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples, IqBlock
from watcher.errors import RadioError
from watcher.radio.sample_formats import SampleFormat, to_samples, unusable_span
from watcher.radio.source import Stretch


@dataclass(frozen=True, slots=True)
class Part:
    """Where one stretch lies in the file; its `samples` is always a number."""

    stretch: Stretch
    first_byte: int
    sample_format: SampleFormat


def block_samples(sample_rate_hz: int) -> int:
    """Samples of one block: the first power of two that lasts 0.1 s, 262144 at 2.4 MS/s."""
    return 1 << (-(-sample_rate_hz // 10) - 1).bit_length()


def open_samples(path: Path) -> tuple[FileIO, int]:
    """The opened file and its size in bytes.

    Raises
    ------
    RadioError
        The file is missing, no regular file, not readable, or empty.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            what = "a folder" if path.is_dir() else "not a regular file"
            raise RadioError(f"{path}: is {what}; give the file of a recording")
        file = FileIO(path, "r")
    except OSError as error:
        raise cannot_read(path, error) from error
    size_bytes = os.fstat(file.fileno()).st_size
    if size_bytes == 0:
        file.close()
        raise RadioError(f"{path}: is empty; a recording holds at least one sample")
    return file, size_bytes


@contextmanager
def closed_on_failure(path: Path, file: FileIO) -> Iterator[None]:
    """Within it a failure closes the file, and one of the file system is told in one sentence."""
    try:
        yield
    except OSError as error:
        file.close()
        raise cannot_read(path, error) from error
    except BaseException:
        file.close()
        raise


def cannot_read(path: Path, error: OSError) -> RadioError:
    """The sentence for a file the system does not give."""
    if isinstance(error, FileNotFoundError):
        return RadioError(f"{path}: there is no such file; check the name")
    if isinstance(error, PermissionError):
        return RadioError(f"{path}: may not be read; give yourself the right to read it")
    return RadioError(f"{path}: cannot be read ({error.strerror or error}); copy it to a sound disk")


class SampleFile:
    """A :class:`~watcher.radio.source.SampleSource` over one file.

    Parameters
    ----------
    path : Path
        Named in errors.
    file : FileIO
        Open for reading; belongs to this object from now on.
    parts : list of Part
        In order of time. Each part's bytes must lie inside the file.
    notes : list of str
        What was odd about the file, one sentence each.

    Notes
    -----
    Reads by position, so that stretches may be read in any order, again, and by turns. Memory is one
    block of raw bytes and one block of samples, whatever the length of the file.
    """

    def __init__(self, path: Path, file: FileIO, parts: list[Part], notes: list[str]) -> None:
        self._path = path
        self._file = file
        self._parts = parts
        self._notes = notes
        self._unusable_samples: dict[int, int] = {}

    def stretches(self) -> list[Stretch]:
        """What is known before the first sample is read."""
        return [part.stretch for part in self._parts]

    def notes(self) -> list[str]:
        """What was odd so far, one sentence each; complete once all blocks are read."""
        lost = sum(self._unusable_samples.values())
        if not lost:
            return list(self._notes)
        return [
            *self._notes,
            f"{self._path}: {lost} samples are not finite numbers and count as lost; "
            "check the datatype if they are many",
        ]

    def close(self) -> None:
        """Close the file; blocks cannot be read afterwards."""
        self._file.close()

    def blocks(self, stretch: int) -> Iterator[IqBlock]:
        """The blocks of one stretch.

        A run of samples that are no finite numbers is lost: the block ends before it and the next one
        carries `lost_before`. Where nothing follows, a last block without samples carries it.

        Raises
        ------
        RadioError
            The file cannot be read on, or has become shorter since it was opened.
        """
        part = self._parts[stretch]
        rate_hz, centre_hz = part.stretch.sample_rate_hz, part.stretch.centre_hz
        total = part.stretch.samples or 0
        step = block_samples(rate_hz)
        raw = np.empty(min(step, total) * part.sample_format.sample_bytes, np.uint8)
        self._unusable_samples[stretch] = 0
        lost = 0
        for first in range(0, total, step):
            room = raw[: min(step, total - first) * part.sample_format.sample_bytes]
            self._fill(room, part.first_byte + first * part.sample_format.sample_bytes)
            samples, clipped = to_samples(room, part.sample_format)
            for offset, piece, gap in _usable_pieces(samples, part.sample_format):
                lost += gap
                self._unusable_samples[stretch] += gap
                if len(piece):
                    yield IqBlock(piece, first + offset, rate_hz, centre_hz, lost, clipped)
                    lost = 0
        if lost:
            yield IqBlock(np.empty(0, np.complex64), total, rate_hz, centre_hz, lost)

    def _fill(self, room: NDArray[np.uint8], first_byte: int) -> None:
        """Fill all of `room` from the file; a file gives less at once only at its end."""
        have = 0
        while have < len(room):
            try:
                got = os.preadv(self._file.fileno(), [room[have:].data], first_byte + have)
            except OSError as error:
                raise cannot_read(self._path, error) from error
            if got == 0:
                raise RadioError(
                    f"{self._path}: ends at byte {first_byte + have}, sooner than when it was opened; "
                    "leave a recording alone while it is read"
                )
            have += got


def _usable_pieces(
    samples: ComplexSamples, sample_format: SampleFormat
) -> Iterator[tuple[int, ComplexSamples, int]]:
    """Offset, samples and the count lost just before them; the last piece may be empty."""
    hole = unusable_span(samples) if sample_format.limits is None else None
    if hole is None:
        yield 0, samples, 0
        return
    start, stop = hole
    yield 0, samples[:start], 0
    yield stop, samples[stop:], stop - start
