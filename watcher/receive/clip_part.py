"""The two files of an unfinished clip: the audio as it comes, and beside it the facts as known.

The audio is a WAV file whose header leaves the length open, so that any player can open it as it
stands. It is appended without buffering: what a call has written survives a kill of the program at
once, and a power cut from the next fsync on.
"""

from __future__ import annotations

import contextlib
import os
import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from watcher.durable import sync_file, sync_folder, write_all, write_whole
from watcher.receive.clip_encoding import AUDIO_RATE_HZ
from watcher.receive.records import Transmission

PART_SUFFIX = ".part"
SIDE_SUFFIX = ".part.json"
SYNC_S = 4.0
"""Audio that a power cut may cost. An fsync took 4 ms on the development machine, far longer on a card."""

_FRAME_BYTES = 2
_OPEN_LENGTH = 0xFFFFFFFF
WAV_HEADER = struct.pack(
    "<4sI4s4sIHHIIHH4sI",
    *(b"RIFF", _OPEN_LENGTH, b"WAVE"),
    *(b"fmt ", 16, 1, 1, AUDIO_RATE_HZ, AUDIO_RATE_HZ * _FRAME_BYTES, _FRAME_BYTES, 8 * _FRAME_BYTES),
    *(b"data", _OPEN_LENGTH - 36),
)


class Cut(BaseModel):
    """What of the audio becomes the clip, and where in it the carrier was up; half-open, in frames."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    first_frame: int
    last_frame: int
    carrier_up_frame: int
    carrier_down_frame: int


class SideFile(BaseModel):
    """The facts beside the audio; `cut` and `path` come with the final ones, once it is finished."""

    model_config = ConfigDict(frozen=True, extra="forbid", ser_json_inf_nan="constants")

    transmission: Transmission
    cut: Cut | None = None
    path: str | None = None


class ClipPart:
    """One unfinished clip on the disk, open for appending.

    Parameters
    ----------
    folder : Path
        Where unfinished clips stand.
    name : str
        Free in that folder.
    side : SideFile
        Facts at the opening.

    Raises
    ------
    OSError
        From any method: a step failed. What was written before stays as it was.
    """

    def __init__(self, folder: Path, name: str, side: SideFile) -> None:
        self.name = name
        self.frames = 0
        self._folder = folder
        self._unsynced_frames = 0
        self._descriptor: int | None = None
        self._side_on_disk = False
        try:
            self.write_side(side)
            self._descriptor = os.open(
                self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666
            )
            write_all(self._descriptor, WAV_HEADER)
        except OSError:
            with contextlib.suppress(OSError):
                self.delete()
            raise

    @property
    def path(self) -> Path:
        """The audio file."""
        return part_path(self._folder, self.name)

    def append(self, audio: NDArray[np.int16]) -> None:
        """Add frames; on an error the file is cut back to the last whole call."""
        if self._descriptor is None:
            raise ValueError("the clip is closed; nothing can be added")
        try:
            write_all(self._descriptor, np.ascontiguousarray(audio, "<i2").data)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, len(WAV_HEADER) + self.frames * _FRAME_BYTES)
            raise
        self.frames += len(audio)
        self._unsynced_frames += len(audio)
        if self._unsynced_frames >= SYNC_S * AUDIO_RATE_HZ:
            self.sync()

    def sync(self) -> None:
        """Bring audio and facts to the disk."""
        if self._descriptor is not None:
            os.fsync(self._descriptor)
        if not self._side_on_disk:
            sync_file(side_path(self._folder, self.name))
            sync_folder(self._folder)
            self._side_on_disk = True
        self._unsynced_frames = 0

    def write_side(self, side: SideFile, *, on_disk: bool = False) -> None:
        """Replace the facts."""
        self._side_on_disk = False
        write_side(self._folder, self.name, side, on_disk=on_disk)
        self._side_on_disk = on_disk

    def close(self) -> None:
        """Give the file back; it stays on the disk."""
        if self._descriptor is not None:
            descriptor, self._descriptor = self._descriptor, None
            os.close(descriptor)

    def delete(self) -> None:
        """Close and remove both files."""
        self.close()
        delete_part(self._folder, self.name)


def part_path(folder: Path, name: str) -> Path:
    """The audio file of an unfinished clip."""
    return folder / (name + PART_SUFFIX)


def side_path(folder: Path, name: str) -> Path:
    """The facts of an unfinished clip."""
    return folder / (name + SIDE_SUFFIX)


def write_side(folder: Path, name: str, side: SideFile, *, on_disk: bool) -> None:
    """Put the facts beside the audio, whole or not at all."""
    write_whole(side_path(folder, name), side.model_dump_json(indent=1).encode(), on_disk=on_disk)


def read_side(folder: Path, name: str) -> SideFile | None:
    """The facts beside the audio, or None where they are missing or damaged."""
    try:
        return SideFile.model_validate_json(side_path(folder, name).read_bytes())
    except (FileNotFoundError, ValidationError):
        return None


def frames_of(folder: Path, name: str) -> int:
    """Whole frames of audio in an unfinished clip; half a frame at its end does not count."""
    return max(0, part_path(folder, name).stat().st_size - len(WAV_HEADER)) // _FRAME_BYTES


def read_audio(folder: Path, name: str, first_frame: int, last_frame: int) -> NDArray[np.int16]:
    """The frames [first, last) of an unfinished clip, as an array of the caller's own."""
    audio = np.empty(last_frame - first_frame, "<i2")
    room = audio.data.cast("B")
    with part_path(folder, name).open("rb", buffering=0) as file:
        file.seek(len(WAV_HEADER) + first_frame * _FRAME_BYTES)
        while room:
            got = file.readinto(room)
            if not got:
                raise OSError(f"{name}{PART_SUFFIX} ends before frame {last_frame}")
            room = room[got:]
    return audio


def delete_part(folder: Path, name: str) -> None:
    """Remove an unfinished clip; audio first, for facts alone are nothing to recover."""
    part_path(folder, name).unlink(missing_ok=True)
    side_path(folder, name).unlink(missing_ok=True)
