"""What the file system says when a clip cannot be kept, as one sentence."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from watcher.errors import StorageError

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})


def storage_error(folder: Path, failure: OSError) -> StorageError:
    """The failure as one sentence that names the folder of the watch and says what to do."""
    if failure.errno in _FULL:
        return StorageError(
            f"{folder}: has no room left for clips; free some space: what was heard until now is kept "
            "and finished at the next start"
        )
    if failure.errno in _FORBIDDEN:
        return StorageError(f"{folder}: may not be written; give permission on the folder and its files")
    if isinstance(failure, FileExistsError | NotADirectoryError):
        return StorageError(f"{folder}: is no folder; give a folder for the clips, or a name that is free")
    reason = failure.strerror or str(failure)
    return StorageError(f"{folder}: cannot be read or written ({reason}); check the disk and its cable")


@contextmanager
def told_plainly(folder: Path) -> Iterator[None]:
    """Within it every failure of the file system is a :class:`StorageError`."""
    try:
        yield
    except OSError as failure:
        raise storage_error(folder, failure) from failure
