"""What the database says when it fails, as one sentence for whoever stands the watch."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from watcher.errors import StorageError

# By the primary part of SQLite's result codes (sqlite.org, "Result and Error Codes").
_SENTENCES = {
    sqlite3.SQLITE_FULL: "has no room left on its disk; free some space and start again",
    sqlite3.SQLITE_CORRUPT: "is damaged; put it aside, keep the clips, and start with a copy or a new folder",
    sqlite3.SQLITE_NOTADB: "is not a watch log; give the folder of a watch",
    sqlite3.SQLITE_BUSY: "is held by another program; wait for that one to end, or stop it",
    sqlite3.SQLITE_LOCKED: "is held by another program; wait for that one to end, or stop it",
    sqlite3.SQLITE_READONLY: "may not be written; give write permission on the folder and its files",
    sqlite3.SQLITE_PERM: "may not be opened; give permission on the folder and its files",
    sqlite3.SQLITE_AUTH: "may not be opened; give permission on the folder and its files",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; the folder must exist, and its files must be readable",
    sqlite3.SQLITE_IOERR: "cannot be read or written by its disk; check the disk and its cable",
    sqlite3.SQLITE_SCHEMA: "has other tables than expected; it must be one this program wrote",
    sqlite3.SQLITE_NOMEM: "needs more memory than there is; close other programs",
}


_LEAST_ROOM_BYTES = 64 * 1024  # one growth of the log's shared memory file takes 32 KiB


def _is_full(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < _LEAST_ROOM_BYTES
    except OSError:
        return False


def storage_error(path: Path, failure: sqlite3.Error | DBAPIError | OSError) -> StorageError:
    """The failure as one sentence that names the file, says what is wrong and what to do."""
    cause: BaseException | None = failure.orig if isinstance(failure, DBAPIError) else failure
    code = getattr(cause, "sqlite_errorcode", None)
    if isinstance(cause, OSError):
        reason = cause.strerror or str(cause)
        return StorageError(f"watch log {path} cannot be used ({reason}); check the folder and its disk")
    # The low byte of an extended code is the primary one.
    if code is not None and code & 0xFF == sqlite3.SQLITE_IOERR and _is_full(path):
        code = sqlite3.SQLITE_FULL  # what cannot grow for lack of room is told as a failure of the disk
    sentence = _SENTENCES.get(code & 0xFF) if code is not None else None
    if sentence is None and "no such" in str(cause):
        sentence = _SENTENCES[sqlite3.SQLITE_SCHEMA]
    if sentence is None:
        sentence = f"cannot be used ({cause}); check the folder, or start with a new one"
    return StorageError(f"watch log {path} {sentence}")


@contextmanager
def told_plainly(path: Path, *, disk_too: bool = False) -> Iterator[None]:
    """Within it every failure of the database is a :class:`StorageError`.

    A broken constraint is our own mistake and stays what it is. `disk_too` takes failures of the file system
    as well; not for a span in which the caller works with files of its own.
    """
    try:
        yield
    except DBAPIError as failure:
        if getattr(failure.orig, "sqlite_errorcode", 0) & 0xFF in {
            sqlite3.SQLITE_CONSTRAINT,
            sqlite3.SQLITE_MISUSE,
            sqlite3.SQLITE_MISMATCH,
        }:
            raise
        raise storage_error(path, failure) from failure
    except sqlite3.Error as failure:
        raise storage_error(path, failure) from failure
    except OSError as failure:
        if not disk_too:
            raise
        raise storage_error(path, failure) from failure
