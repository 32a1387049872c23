"""The clip store: audio of open transmissions grows on the disk and becomes finished, tagged files.

Unfinished clips stand in `unfinished/` of the watch's folder, a `.part` of audio with a `.part.json` of
facts each; finished ones under their day. The row in the watch log is the only commit point: the
unfinished files go after it, so whatever a kill or a power cut interrupts can be done again from them.

====================================  ======================================  ==============================
a crash just after                    leaves                                  the next start
====================================  ======================================  ==============================
the first facts are written           facts without audio                     removes them
the audio file is made                audio of no frame                       removes it
some audio is written                 audio up to the last call (kill), or    finishes it as it stands, ended
                                      up to 4 s less (power cut)              by "recovered"
the final facts are written           audio, final facts, the clip's path     makes the clip from them
the FLAC is written, not renamed      the same and a `.tmp`                   removes that, makes the clip
the FLAC is renamed                   the clip, and all it was made from      finds the clip whole, returns it
the row is committed                  the same, and the row                   the same; the row is kept once
the audio is removed                  clip, row, facts without audio          removes the facts
a discard has removed the audio       facts without audio                     removes them
channel IQ is being written           samples without metadata                removes them, the clip stays
channel IQ is moved beside the clip   the IQ, and the clip without a row      makes the row; it names no IQ
====================================  ======================================  ==============================

Recovering is interrupted as safely: it takes the same steps. Facts that are lost or damaged cost what
they said, never the audio: channel, frequency, mode and start also stand in the name of the audio file.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from watcher.durable import TMP_SUFFIX, sync_folder, write_new
from watcher.errors import StorageError
from watcher.receive.clip_encoding import AUDIO_RATE_HZ, encode_clip, read_back
from watcher.receive.clip_failures import told_plainly
from watcher.receive.clip_names import clip_path, part_name, transmission_from_part_name
from watcher.receive.clip_part import (
    PART_SUFFIX,
    SIDE_SUFFIX,
    ClipPart,
    Cut,
    SideFile,
    delete_part,
    frames_of,
    part_path,
    read_audio,
    read_side,
    write_side,
)
from watcher.receive.kept_iq import remove_broken_off
from watcher.receive.records import Clip, EndedBy, Transmission

UNFINISHED_FOLDER = "unfinished"

Levelling = Callable[[NDArray[np.int16], int, int], NDArray[np.int16]]
"""From audio and the frames between which the carrier was up to audio of the same length, well to hear.
It may work in the array it is given."""


class ClipStore:
    """The clips of one watch folder. Only one store at a time may have a folder; one thread uses it.

    Parameters
    ----------
    folder : Path or str
        Made if it is not there.
    program : str
        Name and version of the program, for the clips' tags.

    Raises
    ------
    StorageError
        From every method, and from the open clips': the folder belongs to another store, or cannot be
        read or written. What was written before is kept, and the store stays usable.

    Notes
    -----
    :meth:`recover` comes first after opening. `problems` lists, one sentence each, what it could not do.
    """

    def __init__(self, folder: Path | str, *, program: str = "midwatch") -> None:
        self.folder = Path(folder)
        self.unfinished = self.folder / UNFINISHED_FOLDER
        self.problems: list[str] = []
        self._program = program
        self._open: dict[str, OpenClip] = {}
        self._unreleased: dict[Path, str] = {}
        with told_plainly(self.folder):
            self.unfinished.mkdir(parents=True, exist_ok=True)
            sync_folder(self.folder)
            self._lock = os.open(self.unfinished / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
            try:
                fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                os.close(self._lock)
                raise StorageError(
                    f"{self.folder}: another watch is writing here; end that one, or give another folder"
                ) from error
            except OSError:
                os.close(self._lock)
                raise

    def open_clip(self, facts: Transmission) -> OpenClip:
        """Begin the clip of a transmission; its first frame will be the instant `facts.clip_start_utc`."""
        with told_plainly(self.folder):
            name = part_name(facts, self.unfinished)
            part = ClipPart(self.unfinished, name, SideFile(transmission=facts))
        self._open[name] = clip = OpenClip(self, part)
        return clip

    def release(self, clip: Clip) -> None:
        """Let go what a clip was made from, once its row in the log is committed."""
        name = self._unreleased.get(clip.path)
        if name is not None:
            with told_plainly(self.folder):
                delete_part(self.unfinished, name)
            del self._unreleased[clip.path]

    def recover(self, levelling: Levelling | None = None) -> list[Clip]:
        """Finish what an earlier run left, in order of time; every clip still waits for its release.

        A clip whose row is in the log already comes too: insert by its path, which is unique. What
        cannot be finished stays for the next start and adds a sentence to `problems`. Where levelling
        fails, the audio is kept as it came.
        """
        busy = {*self._open, *self._unreleased.values()}
        clips: list[Clip] = []
        with told_plainly(self.folder):
            for leftover in sorted(self.unfinished.glob(f"*{TMP_SUFFIX}")):
                leftover.unlink(missing_ok=True)
            if not busy:
                remove_broken_off(self.unfinished)
            for side in sorted(self.unfinished.glob(f"*{SIDE_SUFFIX}")):
                if not part_path(self.unfinished, side.name.removesuffix(SIDE_SUFFIX)).exists():
                    side.unlink(missing_ok=True)
            names = sorted(
                part.name.removesuffix(PART_SUFFIX) for part in self.unfinished.glob(f"*{PART_SUFFIX}")
            )
        for name in names:
            if name in busy:
                continue
            try:
                with told_plainly(self.folder):
                    clip = self._recover_part(name, levelling)
            except StorageError as error:
                self.problems.append(f"{part_path(self.unfinished, name).name} is not finished yet: {error}")
                continue
            if clip is not None:
                clips.append(clip)
        return clips

    def close(self) -> None:
        """Leave open clips to the next recovery and let others have the folder."""
        for clip in list(self._open.values()):
            clip.abandon()
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _finalise(self, name: str, facts: Transmission, cut: Cut, levelling: Levelling | None) -> Clip:
        """Make the clip, or find it made: every step may have been taken by an earlier attempt."""
        earlier = read_side(self.unfinished, name)
        made = self._made_from(name, earlier.path) if earlier is not None else None
        if made is not None:
            path, content, frames = made
        else:
            path = clip_path(facts, self.folder)
            side = SideFile(transmission=facts, cut=cut, path=str(path))
            write_side(self.unfinished, name, side, on_disk=True)
            audio = self._levelled(name, cut, levelling)
            frames = len(audio)
            content = encode_clip(audio, facts, program=self._program, unfinished_name=name)
            del audio
            self._put_in_place(name, content, self.folder / path)
        sync_folder((self.folder / path).parent)
        clip = Clip(facts, Path(path), hashlib.sha256(content).hexdigest(), frames)
        self._unreleased[clip.path] = name
        return clip

    def _made_from(self, name: str, path: str | None) -> tuple[PurePosixPath, bytes, int] | None:
        """Path, bytes and frames of the finished file, if it is whole and made from this unfinished clip."""
        if path is None or ".." in PurePosixPath(path).parts or PurePosixPath(path).is_absolute():
            return None
        try:
            content = (self.folder / path).read_bytes()
        except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
            return None
        made = read_back(content)
        return (PurePosixPath(path), content, made[1]) if made is not None and made[0] == name else None

    def _levelled(self, name: str, cut: Cut, levelling: Levelling | None) -> NDArray[np.int16]:
        audio = read_audio(self.unfinished, name, cut.first_frame, cut.last_frame)
        if levelling is None:
            return audio
        first = cut.first_frame
        return _level(audio, cut.carrier_up_frame - first, cut.carrier_down_frame - first, levelling)

    def _put_in_place(self, name: str, content: bytes, final: Path) -> None:
        unfinished = self.unfinished / f"{name}.flac{TMP_SUFFIX}"
        try:
            write_new(unfinished, content, on_disk=True)
            if not final.parent.is_dir():
                final.parent.mkdir(exist_ok=True)
                sync_folder(self.folder)
            unfinished.replace(final)
        except OSError:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)
            raise

    def _recover_part(self, name: str, levelling: Levelling | None) -> Clip | None:
        frames = frames_of(self.unfinished, name)
        if frames == 0:
            delete_part(self.unfinished, name)
            return None
        side = read_side(self.unfinished, name)
        if side is not None and side.cut is not None:
            facts, cut = side.transmission, within(side.cut, frames)
        else:
            facts = side.transmission if side is not None else self._facts_from_name(name, frames)
            facts, cut = cut_short(facts, frames)
        return self._finalise(name, facts, cut, None if levelling is None else self._spared(levelling, name))

    def _spared(self, levelling: Levelling, name: str) -> Levelling:
        """A levelling that cannot keep the watch from starting: where it fails, the audio stays as it was."""

        def spared(audio: NDArray[np.int16], up_frame: int, down_frame: int) -> NDArray[np.int16]:
            try:
                return _level(audio.copy(), up_frame, down_frame, levelling)
            except (ValueError, TypeError, ArithmeticError) as error:
                self.problems.append(f"{name}{PART_SUFFIX} is kept as it came; levelling it failed: {error}")
                return audio

        return spared

    def _facts_from_name(self, name: str, frames: int) -> Transmission:
        last_written_s = part_path(self.unfinished, name).stat().st_mtime
        begun_utc = datetime.fromtimestamp(last_written_s - frames / AUDIO_RATE_HZ, UTC)
        return transmission_from_part_name(name, begun_utc)


class OpenClip:
    """The clip of one transmission while it is on the air; made by :meth:`ClipStore.open_clip`.

    It ends with :meth:`finish`, :meth:`discard` or :meth:`abandon`. After a :class:`StorageError` it
    holds what was written before and can still end in any of the three ways.
    """

    def __init__(self, store: ClipStore, part: ClipPart) -> None:
        self._store = store
        self._part = part

    @property
    def name(self) -> str:
        """What its unfinished files are called."""
        return self._part.name

    @property
    def frames(self) -> int:
        """Audio frames written: they survive a kill of the program."""
        return self._part.frames

    def write(self, audio: NDArray[np.int16]) -> None:
        """Add audio: 16 kHz, one track, shape (n,). All of it is written, or none."""
        if audio.dtype != np.int16 or audio.ndim != 1:
            raise TypeError(f"audio is {audio.dtype} with {audio.ndim} dimensions; it must be int16 with one")
        with told_plainly(self._store.folder):
            self._part.append(audio)

    def update(self, facts: Transmission) -> None:
        """Replace what a recovery would know of the transmission."""
        with told_plainly(self._store.folder):
            self._part.write_side(SideFile(transmission=facts))

    def discard(self) -> None:
        """It was no transmission: remove it without trace."""
        with told_plainly(self._store.folder):
            self._part.delete()
        self._forget()

    def abandon(self) -> None:
        """Leave it as it stands to the next recovery."""
        with told_plainly(self._store.folder):
            self._part.close()
        self._forget()

    def finish(
        self,
        transmission: Transmission,
        *,
        first_frame: int,
        last_frame: int,
        carrier_up_frame: int,
        carrier_down_frame: int,
        levelling: Levelling | None = None,
    ) -> Clip:
        """Make the finished file; commit its row, then call :meth:`ClipStore.release`.

        Parameters
        ----------
        transmission : Transmission
            The final facts; `clip_start_utc` is the instant of `first_frame`.
        first_frame, last_frame : int
            The frames [first, last) become the clip, as far as they were written.
        carrier_up_frame, carrier_down_frame : int
            Where in the frames written the carrier was up; levelling gets them counted from `first_frame`.
        levelling : callable or None
            None keeps the audio as it came.

        Raises
        ------
        ValueError
            Nothing was written between the two frames.
        StorageError
            A step failed. Everything is kept: call again, or abandon the clip to the next recovery.
        """
        if not 0 <= first_frame < min(last_frame, self.frames):
            raise ValueError(
                f"the clip would hold frames {first_frame} to {last_frame} of the {self.frames} written; "
                "it must hold at least one"
            )
        cut = Cut(
            first_frame=first_frame,
            last_frame=last_frame,
            carrier_up_frame=carrier_up_frame,
            carrier_down_frame=carrier_down_frame,
        )
        with told_plainly(self._store.folder):
            clip = self._store._finalise(self._part.name, transmission, within(cut, self.frames), levelling)
            self._part.close()
        self._forget()
        return clip

    def _forget(self) -> None:
        self._store._open.pop(self._part.name, None)


def _level(
    audio: NDArray[np.int16], up_frame: int, down_frame: int, levelling: Levelling
) -> NDArray[np.int16]:
    levelled = levelling(audio, up_frame, down_frame)
    if levelled.dtype != np.int16 or levelled.shape != audio.shape:
        raise ValueError(
            f"levelling gave {levelled.dtype} of shape {levelled.shape}; "
            f"it must be int16 of shape {audio.shape}"
        )
    return levelled


def within(cut: Cut, frames: int) -> Cut:
    """A cut brought inside the frames there are; one that lies outside them all becomes everything."""
    first, last = max(0, cut.first_frame), min(cut.last_frame, frames)
    if last <= first:
        first, last = 0, frames
    up = min(max(cut.carrier_up_frame, first), last)
    return Cut(
        first_frame=first,
        last_frame=last,
        carrier_up_frame=up,
        carrier_down_frame=min(max(cut.carrier_down_frame, up), last),
    )


def cut_short(facts: Transmission, frames: int) -> tuple[Transmission, Cut]:
    """The facts of a transmission that nobody saw end: it lasts as long as its audio does."""
    stop_utc = facts.clip_start_utc + timedelta(seconds=frames / AUDIO_RATE_HZ)
    up_s = (facts.start_utc - facts.clip_start_utc).total_seconds()
    ended = replace(
        facts,
        stop_sample=max(facts.start_sample, facts.stop_sample),
        end_utc=max(facts.start_utc, stop_utc),
        clip_end_utc=stop_utc,
        ended_by=EndedBy.RECOVERED,
    )
    up_frame = round(up_s * AUDIO_RATE_HZ)
    cut = Cut(first_frame=0, last_frame=frames, carrier_up_frame=up_frame, carrier_down_frame=frames)
    return ended, within(cut, frames)
