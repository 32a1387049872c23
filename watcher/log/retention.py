"""Clips that the plan's limits ask to remove: oldest first, those without a reason to hear them first.

Where the disk is short of room the spectra of past days go before any clip.

A flagged clip is never removed before its time, and one with an operator's mark never. The rows of the log
stay and say when the clip went; the database itself is never touched by a limit.

The order is: the intent in the row, the files, the folder brought to the disk, then the row's path. A crash
in between leaves a row that says so, and the next run finishes it; never a file that nobody knows of.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath

from sqlalchemy import or_, select

from watcher.durable import sync_folder
from watcher.log.marks import marked
from watcher.log.rows import instant_of
from watcher.log.schema import transmission
from watcher.log.spectra import remove_aged_spectra, remove_oldest_spectra
from watcher.log.writing import WatchLog
from watcher.plan.duties import KeepRules

BYTES_PER_GB = 1e9
CLIPS_AT_ONCE = 50  # one fsync a folder and one commit for so many; an interruption costs no more
MOST_SENTENCES_OF_FAILURE = 5
_DATA_SUFFIX, _META_SUFFIX = ".sigmf-data", ".sigmf-meta"


@dataclass(slots=True)
class Retained:
    """What retention did: clips removed, bytes freed, whether every limit holds now, and sentences of it."""

    removed: int = 0
    freed_bytes: int = 0
    limits_hold: bool = True
    sentences: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Kept:
    entry_id: int
    end_utc: datetime
    flagged: bool
    begun: bool  # an earlier run began to remove it
    files: tuple[PurePosixPath, ...]  # the clip last: while it is there, so is the entry's claim to it


def apply_limits(
    log: WatchLog,
    rules: KeepRules,
    now_utc: datetime,
    *,
    is_marked: Callable[[int], bool] | None = None,
    free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
) -> Retained:
    """Remove spectra and clips until the limits hold, or nothing may be removed any more.

    Parameters
    ----------
    log : WatchLog
        Open to write.
    rules : KeepRules
        Without `flagged_days` a flagged clip is never removed.
    now_utc : datetime
    is_marked : callable or None
        Whether an operator has marked the entry of this number; such a clip stays. None asks the log.
    free_bytes : callable
        How much room the disk of a folder has.

    Returns
    -------
    Retained

    Raises
    ------
    StorageError
        The log cannot be read or written.
    """
    work = _Work(log, now_utc, Retained())
    is_marked = marked(log).__contains__ if is_marked is None else is_marked
    kept = [each for each in _entries(log) if not is_marked(each.entry_id)]
    kept = work.remove_aged(kept, rules)
    loose = [each for each in kept if not each.flagged]
    if rules.most_gb is not None:
        loose = work.remove_over(loose, rules.most_gb)
    work.remove_spectra(rules, free_bytes)
    work.remove_for_room(loose, rules.least_free_gb, free_bytes)
    return work.done


@dataclass(slots=True)
class _Work:
    log: WatchLog
    now_utc: datetime
    done: Retained
    failures: int = 0

    def remove_aged(self, kept: list[_Kept], rules: KeepRules) -> list[_Kept]:
        """Remove what has had its time, and what an earlier run began to remove; returns what stays."""
        aged = {each.entry_id for each in kept if each.begun}
        aged |= {
            each.entry_id
            for each in kept
            if (days := rules.flagged_days if each.flagged else rules.days) is not None
            and each.end_utc + timedelta(days=days) <= self.now_utc
        }
        before = self.done.removed
        self._remove([each for each in kept if each.entry_id in aged])
        if number := self.done.removed - before:
            self._say(f"removed {_clips(number)} whose time was over")
        return [each for each in kept if each.entry_id not in aged]

    def remove_over(self, loose: list[_Kept], most_gb: float) -> list[_Kept]:
        """Remove the oldest until all clips together take no more than this; returns what stays."""
        excess = sum(self._bytes(each) for each in _entries(self.log)) - most_gb * BYTES_PER_GB
        if excess <= 0:
            return loose
        chosen = self._oldest(loose, excess)
        freed = self._remove_and_say(chosen, f"so that clips take no more than {most_gb:g} GB")
        if freed < excess:
            over_gb = (excess - freed) / BYTES_PER_GB
            self._cannot(f"clips take {over_gb:.3g} GB more than the {most_gb:g} GB of most_gb")
        return loose[len(chosen) :]

    def remove_spectra(self, rules: KeepRules, free_bytes: Callable[[Path], int]) -> None:
        """Remove spectra that have had their time, and those of past days while the disk lacks room."""
        folder = self.log.folder
        self._say_spectra(
            remove_aged_spectra(folder, rules.spectra_days, self.now_utc), "whose time was over"
        )
        with contextlib.suppress(OSError):  # a disk that cannot be asked is told where clips make room
            lacking = rules.least_free_gb * BYTES_PER_GB - free_bytes(folder)
            if lacking > 0:
                gone = remove_oldest_spectra(folder, lacking, self.now_utc)
                self._say_spectra(gone, f"so that {rules.least_free_gb:g} GB of the disk are free")

    def _say_spectra(self, removed: tuple[int, int], why: str) -> None:
        count, freed = removed
        self.done.freed_bytes += freed
        if count:
            files = "1 file" if count == 1 else f"{count:,} files"
            self._say(f"removed {files} of spectra {why}")

    def remove_for_room(
        self, loose: list[_Kept], least_free_gb: float, free_bytes: Callable[[Path], int]
    ) -> None:
        """Remove the oldest until the disk has this much room; asks the disk anew after each batch."""
        folder = self.log.folder
        try:
            while (lacking := least_free_gb * BYTES_PER_GB - free_bytes(folder)) > 0 and loose:
                chosen = self._oldest(loose, lacking)
                self._remove_and_say(chosen, f"so that {least_free_gb:g} GB of the disk are free")
                loose = loose[len(chosen) :]
        except OSError as failure:
            self._say(f"the room on the disk of {folder} cannot be asked ({failure.strerror})")
            return
        if lacking > 0:
            free_gb = max(0.0, least_free_gb - lacking / BYTES_PER_GB)
            self._cannot(f"the disk has {free_gb:.3g} GB free and least_free_gb is {least_free_gb:g}")

    def _oldest(self, loose: Sequence[_Kept], wanted_bytes: float) -> list[_Kept]:
        chosen: list[_Kept] = []
        for each in loose:
            if wanted_bytes <= 0:
                break
            chosen.append(each)
            wanted_bytes -= self._bytes(each)
        return chosen

    def _remove_and_say(self, chosen: Sequence[_Kept], why: str) -> int:
        clips, freed = self.done.removed, self.done.freed_bytes
        self._remove(chosen)
        clips, freed = self.done.removed - clips, self.done.freed_bytes - freed
        if clips:
            size = f"{freed / 1e6:.3g} MB"
            self._say(f"removed {_clips(clips)} ({size}), the oldest without a flag or a mark, {why}")
        return freed

    def _remove(self, chosen: Sequence[_Kept]) -> None:
        for first in range(0, len(chosen), CLIPS_AT_ONCE):
            batch = chosen[first : first + CLIPS_AT_ONCE]
            self.log.remove_clips([each.entry_id for each in batch], self.now_utc, gone=False)
            gone = [each for each in batch if self._remove_files(each)]
            folders = {self.log.folder / file.parent for each in gone for file in each.files}
            for folder in folders:
                with contextlib.suppress(OSError):  # the folder may be gone with all that was in it
                    sync_folder(folder)
            self.log.remove_clips([each.entry_id for each in gone], self.now_utc, gone=True)
            self.done.removed += len(gone)
            for folder in folders - {self.log.folder}:
                with contextlib.suppress(OSError):  # others are still in it
                    folder.rmdir()

    def _remove_files(self, each: _Kept) -> bool:
        size = self._bytes(each)
        for file in each.files:
            try:
                (self.log.folder / file).unlink(missing_ok=True)
            except OSError as failure:
                self.failures += 1
                if self.failures <= MOST_SENTENCES_OF_FAILURE:
                    self._say(f"{file} cannot be removed ({failure.strerror}); it stays in the log")
                return False
        self.done.freed_bytes += size
        return True

    def _bytes(self, each: _Kept) -> int:
        total = 0
        for file in each.files:
            with contextlib.suppress(OSError):
                total += (self.log.folder / file).stat().st_size
        return total

    def _cannot(self, what: str) -> None:
        self.done.limits_hold = False
        self._say(
            f"{what}; nothing more may be removed, what is left is flagged or marked: "
            "make room, or change [keep]"
        )

    def _say(self, sentence: str) -> None:
        self.done.sentences.append(sentence)


def _entries(log: WatchLog) -> list[_Kept]:
    """Every entry that has a file, the oldest first."""
    columns = (
        *(transmission.c.entry_id, transmission.c.end_utc_ms, transmission.c.flags),
        *(transmission.c.clip_path, transmission.c.iq_path, transmission.c.clip_removed_utc_ms),
    )
    chosen = (
        select(*columns)
        .where(or_(transmission.c.clip_path.is_not(None), transmission.c.iq_path.is_not(None)))
        .order_by(transmission.c.start_utc_ms, transmission.c.entry_id)
    )
    with log.snapshot() as connection:
        rows = connection.execute(chosen).all()
    return [
        _Kept(
            entry_id=row.entry_id,
            end_utc=instant_of(row.end_utc_ms),
            flagged=bool(json.loads(row.flags)),
            begun=row.clip_removed_utc_ms is not None,
            files=files,
        )
        for row in rows
        if (files := tuple(_inside(_files(row.clip_path, row.iq_path))))
    ]


def _files(clip: str | None, iq: str | None) -> Iterable[str]:
    if iq is not None:
        yield iq
        yield iq.removesuffix(_META_SUFFIX) + _DATA_SUFFIX
    if clip is not None:
        yield clip


def _inside(paths: Iterable[str]) -> Iterable[PurePosixPath]:
    """A log from elsewhere must not name files of this computer that are none of its clips."""
    for path in map(PurePosixPath, paths):
        if not path.is_absolute() and ".." not in path.parts and path.suffix in _SUFFIXES:
            yield path


_SUFFIXES = {".flac", _DATA_SUFFIX, _META_SUFFIX}


def _clips(number: int) -> str:
    return f"{number:,} clip" if number == 1 else f"{number:,} clips"
