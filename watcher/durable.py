"""Files that are either whole or not there, also after a power cut.

The order is always the same: write beside, fsync, rename, fsync the folder. Until the rename the old
file stands; after the last fsync the new one does. Every function lets the OSError of a step through.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from pathlib import Path

TMP_SUFFIX = ".tmp"
"""Ends the name of a file that is not finished; whoever finds one alone may delete it."""


def write_whole(path: Path, content: bytes, *, on_disk: bool = True) -> None:
    """Put `content` under `path`; what was there stands until all of it is written.

    Who may read the file stays as it was: a plan with a password is not opened up by being written anew.

    Parameters
    ----------
    path : Path
    content : bytes
    on_disk : bool
        Return only when a power cut cannot undo it. False still survives a kill of the program.

    Raises
    ------
    OSError
        A step failed; the old file stands as it was and the unfinished one is removed.
    """
    unfinished = path.with_name(path.name + TMP_SUFFIX)
    try:
        write_new(unfinished, content, on_disk=on_disk, permissions=_permissions(path))
        unfinished.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
        raise
    if on_disk:
        sync_folder(path.parent)


def write_new(path: Path, content: bytes, *, on_disk: bool, permissions: int | None = None) -> None:
    """Write a file from its beginning, and fsync it if asked; the folder is left to the caller."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o666)
    try:
        if permissions is not None:
            os.fchmod(descriptor, permissions)  # before there is anything to read
        write_all(descriptor, content)
        if on_disk:
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _permissions(path: Path) -> int | None:
    """Who may read and write a file; None where there is none."""
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except FileNotFoundError:
        return None


def write_all(descriptor: int, content: bytes | memoryview) -> None:
    """Write every byte; the system may take fewer at once."""
    rest = memoryview(content).cast("B")
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def sync_file(path: Path) -> None:
    """Bring what stands in a file to the disk."""
    _sync(path, os.O_RDONLY)


def sync_folder(folder: Path) -> None:
    """Bring a folder's own entries, hence renames and deletions in it, to the disk.

    File systems of other makers, and such over a network, know no such thing and say EINVAL; they take care
    of it in their own way, and nothing better can be had of them.
    """
    try:
        _sync(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise


def _sync(path: Path, how: int) -> None:
    descriptor = os.open(path, how | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
