"""The watch log as one folder: opened, written in units of work, and closed.

The row of a clip is the last thing written about it. What a crash leaves behind before the row is for the
receiver's recovery to finish; a transmission whose row is committed is in the log for good.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Engine, Table, insert, select, update

from watcher.errors import StorageError
from watcher.log.facts import WatchEnd, WatchFacts
from watcher.log.failures import told_plainly
from watcher.log.rows import (
    TOO_WEAK,
    channel_row,
    condition_row,
    gap_row,
    stretch_row,
    transmission_row,
    utc_ms,
    watch_end_row,
    watch_row,
    watched_row,
)
from watcher.log.schema import (
    FILE_NAME,
    condition,
    gap,
    stretch,
    transmission,
    watch,
    watch_channel,
    watched,
    window,
)
from watcher.log.spans import Span
from watcher.log.storage import ReadingDoor, driver_connection, write_ahead, writing_engine
from watcher.log.upgrade import (
    STEPS,
    Step,
    bring_up_to_date,
    newest_version,
    refuse_newer,
    run_steps,
    version_of,
)
from watcher.receive.records import Clip, Condition, Gap, Transmission, Watched

PATIENCE_S = 10.0  # how long to wait for another writer; the longest unit of a healthy one takes milliseconds


class WatchLog:
    """The watch log of one folder. Use :meth:`open` to write, :meth:`open_to_read` to read only.

    Any thread may write; units of work of different threads wait for one another.

    Examples
    --------
    >>> import tempfile
    >>> from watcher.log.reading import watches
    >>> with tempfile.TemporaryDirectory() as folder, WatchLog.open(Path(folder), create=True) as log:
    ...     list(watches(log))
    []
    """

    def __init__(self, path: Path, writing: Engine | None, reading: ReadingDoor) -> None:
        self.path = path
        self._writing = writing
        self._reading = reading
        self._turn = threading.RLock()
        self._unit: Connection | None = None

    @classmethod
    def open(
        cls,
        folder: Path | str,
        *,
        create: bool,
        patience_s: float = PATIENCE_S,
        steps: Sequence[Step] = STEPS,
    ) -> Self:
        """Open the log of a folder for writing, and bring an older one up to date after a backup of it.

        Parameters
        ----------
        folder : path-like
            Where the clips lie too.
        create : bool
            Make the folder and the log where they are not there.
        patience_s : float
            How long any unit of work waits for another writer before it fails.
        steps : sequence of Step
            What brings older versions up to date.

        Raises
        ------
        StorageError
            The folder or the log is not there and shall not be made, cannot be read or written, is damaged,
            of something else, or of a later program.
        """
        path = Path(folder) / FILE_NAME
        with told_plainly(path, disk_too=True):
            if create:
                path.parent.mkdir(parents=True, exist_ok=True)
            else:
                _refuse_absent(path)
            engine = writing_engine(path, patience_s)
            try:
                bring_up_to_date(engine, path, steps)
                write_ahead(engine)
                return cls(path, engine, ReadingDoor(path, patience_s, beside_writer=True))
            except BaseException:
                engine.dispose()
                raise

    @classmethod
    def open_to_read(
        cls, folder: Path | str, *, patience_s: float = PATIENCE_S, steps: Sequence[Step] = STEPS
    ) -> Self:
        """Open the log of a folder for reading; nothing in the folder is made or changed.

        Raises
        ------
        StorageError
            There is no log, or it cannot be read, is damaged, of something else, or of a later program.
        """
        path = Path(folder) / FILE_NAME
        with told_plainly(path, disk_too=True):
            _refuse_absent(path)
            door = ReadingDoor(path, patience_s)
            try:
                with door.snapshot() as connection:
                    version = version_of(connection, path)
                if version is None:
                    raise StorageError(f"watch log {path} is empty; no watch has been written into it")
                refuse_newer(version, path, steps)
                if version < newest_version(steps):
                    door.move_to_copy(lambda engine: run_steps(engine, steps))
                return cls(path, None, door)
            except BaseException:
                door.close()
                raise

    @property
    def folder(self) -> Path:
        """Where the clips lie; their paths in the log are relative to it."""
        return self.path.parent

    def close(self) -> None:
        """Close the log. What a unit of work committed is on the disk already."""
        with self._turn, told_plainly(self.path):
            self._reading.close()
            if self._writing is not None:
                self._writing.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def unit(self) -> Iterator[None]:
        """A unit of work: everything added within it is committed at its end, or nothing is.

        A unit within a unit belongs to the outer one. What is added outside any unit is a unit of its own.

        Raises
        ------
        StorageError
            The log was opened to read, or cannot be written; nothing of the unit is in it.
        """
        with self._writable():
            yield

    @contextmanager
    def _writable(self) -> Iterator[Connection]:
        if self._writing is None:
            raise StorageError(f"watch log {self.path} was opened to read; open it to write")
        with self._turn, told_plainly(self.path):
            if self._unit is not None:
                self._refuse_undone(self._unit)
                yield self._unit
                return
            with self._writing.connect() as connection, connection.begin():
                self._unit = connection
                try:
                    yield connection
                    self._refuse_undone(connection)
                finally:
                    self._unit = None

    def _refuse_undone(self, connection: Connection) -> None:
        """A full disk makes SQLite undo the whole unit; what would follow must not be committed alone."""
        if not driver_connection(connection).in_transaction:
            raise StorageError(
                f"watch log {self.path} undid this unit of work at its first failure; begin another one"
            )

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A connection that sees the committed state of the log at its first query, and keeps seeing it.

        For the functions of `watcher.log.reading`; others have no need of it.

        Raises
        ------
        StorageError
            The log cannot be read, or changed under a reader that found it at rest.
        """
        with told_plainly(self.path), self._reading.snapshot() as connection:
            yield connection

    def begin_watch(self, facts: WatchFacts) -> int:
        """Write down that a watch begins; returns its id."""
        with self._writable() as connection:
            watch_id = _insert(connection, watch, watch_row(facts))
            for number, channel in enumerate(facts.channels, 1):
                connection.execute(insert(watch_channel), channel_row(watch_id, number, channel))
            for number, part in enumerate(facts.stretches, 1):
                connection.execute(insert(stretch), stretch_row(watch_id, number, part))
            return watch_id

    def end_watch(self, watch_id: int, end: WatchEnd) -> None:
        """Write down that a watch has ended, and how. Its notes follow those of the beginning."""
        with self._writable() as connection:
            before = connection.execute(
                select(watch.c.notes).where(watch.c.watch_id == watch_id)
            ).scalar_one()
            row = watch_end_row(end, before)
            connection.execute(update(watch).where(watch.c.watch_id == watch_id).values(row))

    def add_transmission(self, watch_id: int, heard: Transmission, clip: Clip | None) -> int:
        """Add a transmission; returns the id of its entry.

        A clip has one entry. Adding the same clip again changes nothing and returns that entry; adding a clip
        of other content under its path makes the entry describe what now lies there.
        """
        row = transmission_row(watch_id, heard, clip)
        with self._writable() as connection:
            if clip is not None:
                there = connection.execute(
                    select(transmission.c.entry_id, transmission.c.clip_sha256).where(
                        transmission.c.clip_path == row["clip_path"]
                    )
                ).one_or_none()
                if there is not None:
                    if there.clip_sha256 != clip.sha256:
                        where = transmission.c.entry_id == there.entry_id
                        connection.execute(update(transmission).where(where).values(row))
                    return int(there.entry_id)
            return _insert(connection, transmission, row)

    def add_window(self, watch_id: int, span: Span, name: str, reason: str = "") -> int:
        """Log that a window of the watch has opened; `reason` where it is none of the plan's own.

        Returns
        -------
        int
            Its row, for :meth:`move_window_end`.
        """
        with self._writable() as connection:
            row = {
                "watch_id": watch_id,
                "start_utc_ms": utc_ms(span.start_utc),
                "stop_utc_ms": utc_ms(span.stop_utc),
                "name": name,
                "reason": reason,
            }
            return _insert(connection, window, row)

    def move_window_end(self, window_id: int, stop_utc: datetime) -> None:
        """A window ends earlier or later than was thought when it opened."""
        with self._writable() as connection:
            chosen = update(window).where(window.c.window_id == window_id)
            connection.execute(chosen.values(stop_utc_ms=utc_ms(stop_utc)))

    def set_possible_words(self, entry_id: int, words: Sequence[tuple[str, float]] | None) -> None:
        """Keep what a model guessed at in a clip, phrase and seconds; None says that it is too weak."""
        said = TOO_WEAK if words is None else json.dumps([[phrase, start_s] for phrase, start_s in words])
        with self._writable() as connection:
            chosen = update(transmission).where(transmission.c.entry_id == entry_id)
            connection.execute(chosen.values(possible_words=said))

    def unguessed(self) -> list[int]:
        """Entries with a clip that no model has looked at yet, the latest first."""
        chosen = (
            select(transmission.c.entry_id)
            .where(transmission.c.possible_words.is_(None), transmission.c.clip_path.is_not(None))
            .order_by(transmission.c.start_utc_ms.desc())
        )
        with self.snapshot() as connection:
            return list(connection.execute(chosen).scalars())

    def remove_clips(self, entry_ids: Sequence[int], removed_utc: datetime, *, gone: bool) -> None:
        """Clips and channel IQ of these entries are about to be removed, then `gone`; the rest stays."""
        row: dict[str, Any] = {"clip_removed_utc_ms": utc_ms(removed_utc)}
        if gone:
            row |= {"clip_path": None, "iq_path": None}
        with self._writable() as connection:
            for entry_id in entry_ids:
                where = transmission.c.entry_id == entry_id
                connection.execute(update(transmission).where(where).values(row))

    def add_gap(self, watch_id: int, gap_found: Gap) -> int:
        """Add a span in which a channel was not watched; returns its id."""
        with self._writable() as connection:
            return _insert(connection, gap, gap_row(watch_id, gap_found))

    def add_watched(self, watch_id: int, span: Watched) -> int:
        """Add a span in which a channel was watched; returns its id. Spans may touch and overlap."""
        with self._writable() as connection:
            return _insert(connection, watched, watched_row(watch_id, span))

    def extend_watched(self, watched_id: int, stop_utc: datetime) -> None:
        """Let a watched span reach to a later instant: a long watch stays one row a channel."""
        with self._writable() as connection:
            row = {"stop_utc_ms": utc_ms(stop_utc)}
            connection.execute(update(watched).where(watched.c.watched_id == watched_id).values(row))

    def add_condition(self, watch_id: int, found: Condition) -> int:
        """Add a state of a channel that is nobody's transmission; returns its id."""
        with self._writable() as connection:
            return _insert(connection, condition, condition_row(watch_id, found))


def _insert(connection: Connection, table: Table, row: Mapping[str, Any]) -> int:
    inserted = connection.execute(insert(table), dict(row)).inserted_primary_key
    if inserted is None:
        raise RuntimeError(f"{table.name} gave its new row no key")
    return int(inserted[0])


def _refuse_absent(path: Path) -> None:
    if not path.parent.is_dir():
        raise StorageError(f"folder {path.parent} does not exist; give the folder of a watch")
    if not path.exists():
        raise StorageError(f"folder {path.parent} holds no watch log; give the folder of a watch")
