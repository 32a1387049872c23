"""Connections to the database file: for the one who writes, and for any number who read.

Writing: write-ahead log, every commit synced to the disk (`synchronous=FULL`), foreign keys enforced, and
`BEGIN IMMEDIATE`, so that two writers queue at the start of a unit of work and never meet in its middle.

Reading leaves the folder as it is. A database in the write-ahead mode makes side files for whoever opens it,
so the way in depends on what lies in the folder:

============================  =======================================================================
what lies there               how it is read
============================  =======================================================================
no `-wal`                     nobody writes: opened as unchanging, which makes no side files
`-wal` and `-shm`             somebody writes, or was killed while writing: opened beside the writer
`-wal` alone                  a copy of a folder: read from a copy in the temporary folder
a schema of an older version  read from a copy in the temporary folder, brought up to date there
============================  =======================================================================
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool, Pool, StaticPool

from watcher.errors import StorageError
from watcher.log.schema import FILE_NAME


class _Reader(sqlite3.Connection):
    """A connection that remembers what the file looked like when it was opened as unchanging."""

    stamp: tuple[int, int] | None = None


def writing_engine(path: Path, patience_s: float) -> Engine:
    """One connection that writes; `patience_s` is how long it waits for another writer."""

    def connect() -> sqlite3.Connection:
        opened = sqlite3.connect(path, timeout=patience_s, isolation_level=None, check_same_thread=False)
        opened.execute("PRAGMA synchronous = FULL")
        opened.execute("PRAGMA foreign_keys = ON")
        return opened

    return _engine(connect, "BEGIN IMMEDIATE", StaticPool)


def write_ahead(engine: Engine) -> None:
    """Turn to the write-ahead mode. Once the database is known to be ours: the mode is kept in its file."""
    with engine.connect() as connection:
        driver_connection(connection).execute("PRAGMA journal_mode = WAL")


class ReadingDoor:
    """A way to read a database file that changes nothing in its folder."""

    def __init__(self, path: Path, patience_s: float, *, beside_writer: bool = False) -> None:
        self._path = path
        self._beside_writer = beside_writer  # this program writes it, so it is never at rest
        self._patience_s = patience_s
        self._copies: list[tempfile.TemporaryDirectory[str]] = []
        self._copy: Path | None = None  # read instead of the file itself
        self._engine = _engine(self._connect, "BEGIN", NullPool)

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A connection that sees one state of the log from its first query to its last.

        Raises
        ------
        StorageError
            A watch began writing while the file was read as unchanging, so what was read may be torn.
        """
        with self._engine.connect() as connection, connection.begin():
            yield connection
            below = driver_connection(connection)
            if isinstance(below, _Reader) and below.stamp not in (None, _stamp(self._path)):
                raise StorageError(f"watch log {self._path} was written while it was read; read it again")

    def move_to_copy(self, change: Callable[[Engine], None]) -> None:
        """Read from a copy from now on, which `change` may change first."""
        copy = self._new_copy()
        with self._engine.connect() as connection, closing(sqlite3.connect(copy)) as target:
            driver_connection(connection).backup(target)
        engine = writing_engine(copy, self._patience_s)
        try:
            change(engine)
        finally:
            engine.dispose()
        self._copy = copy

    def close(self) -> None:
        """Give up the connections and the copies."""
        self._engine.dispose()
        for folder in self._copies:
            folder.cleanup()

    def _connect(self) -> sqlite3.Connection:
        path, stamp = self._path, None
        wal, shm = (path.with_name(path.name + suffix) for suffix in ("-wal", "-shm"))
        if not self._beside_writer and self._copy is None and wal.exists() and not shm.exists():
            self._copy = self._new_copy()
            shutil.copyfile(path, self._copy)
            shutil.copyfile(wal, self._copy.with_name(self._copy.name + "-wal"))
        if self._copy is not None:
            path, options = self._copy, "mode=rw"
        elif self._beside_writer or wal.exists():
            options = "mode=ro"
        else:
            stamp = _stamp(path)
            options = "mode=ro&immutable=1"
        opened = sqlite3.connect(
            f"file:{quote(str(path.absolute()))}?{options}",
            uri=True,
            timeout=self._patience_s,
            isolation_level=None,
            check_same_thread=False,
            factory=_Reader,
        )
        opened.stamp = stamp
        opened.create_function("folded", 1, folded, deterministic=True)
        return opened

    def _new_copy(self) -> Path:
        folder = tempfile.TemporaryDirectory(prefix="watch-log-")
        self._copies.append(folder)
        return Path(folder.name) / FILE_NAME


def folded(text: str | None) -> str | None:
    """A text as a search compares it, capitals aside: SQLite's own `lower` knows those of ASCII alone."""
    return None if text is None else unicodedata.normalize("NFKC", text).casefold()


def driver_connection(connection: Connection) -> sqlite3.Connection:
    """The connection of Python's own sqlite3 below a connection of SQLAlchemy."""
    below = connection.connection.driver_connection
    if not isinstance(below, sqlite3.Connection):
        raise TypeError(f"the watch log needs SQLite and got {type(below).__name__}")
    return below


def _engine(connect: Callable[[], sqlite3.Connection], begin: str, pool: type[Pool]) -> Engine:
    engine = create_engine("sqlite://", creator=connect, poolclass=pool)
    # The driver must not begin transactions itself (isolation_level=None), or it would begin deferred ones.
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql(begin))
    return engine


def _stamp(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_mtime_ns, status.st_size
