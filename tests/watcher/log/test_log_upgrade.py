"""Databases of other versions: brought up to date after a backup, or refused."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Connection

from watcher.errors import StorageError
from watcher.log import WatchFacts, WatchLog
from watcher.log.reading import transmissions, watches
from watcher.log.schema import FILE_NAME
from watcher.log.upgrade import STEPS, Step, backup_path, newest_version

VERSION_1 = Path(__file__).with_name("version-1.sql")
NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
FACTS = WatchFacts(NOON, "ridge.sigmf-meta", "plan", "00", "0.1.0")


def add_marks(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE transmission ADD COLUMN mark TEXT")


def break_in_the_middle(connection: Connection) -> None:
    connection.exec_driver_sql("ALTER TABLE transmission ADD COLUMN verdict TEXT")
    connection.exec_driver_sql("ALTER TABLE nowhere ADD COLUMN verdict TEXT")


def orphan(connection: Connection) -> None:
    connection.exec_driver_sql("DELETE FROM watch")


NEXT = newest_version() + 1
MARKS = (*STEPS, Step(NEXT, add_marks))


def old_database(folder: Path) -> Path:
    """A database as version 1 of the schema made it, with a watch and a transmission in it."""
    path = folder / FILE_NAME
    with closing(sqlite3.connect(path)) as old:
        old.executescript(VERSION_1.read_text())
    return path


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def shape(path: Path) -> dict[str, object]:
    """Tables, columns, indexes and references of a database, without the wording of its statements."""
    with closing(sqlite3.connect(path)) as opened:
        tables = [name for (name,) in opened.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found: dict[str, object] = {}
        for table in sorted(tables):
            found[table] = sorted(row[1:] for row in opened.execute(f"PRAGMA table_info({table})"))
            found[f"{table} refers to"] = sorted(
                row[2:5] for row in opened.execute(f"PRAGMA foreign_key_list({table})")
            )
            for _, index, unique, *_ in opened.execute(f"PRAGMA index_list({table})").fetchall():
                columns = tuple(row[2] for row in opened.execute(f"PRAGMA index_info({index})"))
                found[f"{table} is indexed by {columns}"] = unique
    return found


def columns(path: Path) -> set[str]:
    with closing(sqlite3.connect(path)) as opened:
        return {row[1] for row in opened.execute("PRAGMA table_info(transmission)")}


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as opened:
        return int(opened.execute("SELECT version FROM schema_version").fetchone()[0])


def test_the_steps_have_no_hole() -> None:
    assert [step.to_version for step in STEPS] == list(range(2, 2 + len(STEPS)))


def test_a_database_brought_up_to_date_is_shaped_like_a_fresh_one(tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    old = old_database(tmp_path / "old")
    WatchLog.open(old.parent, create=False).close()
    WatchLog.open(tmp_path / "fresh", create=True).close()
    assert shape(old) == shape(tmp_path / "fresh" / FILE_NAME)
    assert version(old) == version(tmp_path / "fresh" / FILE_NAME) == newest_version()


def test_what_an_old_database_holds_is_read(tmp_path: Path) -> None:
    old_database(tmp_path)
    with WatchLog.open_to_read(tmp_path) as log:
        (watch,) = watches(log)
        (entry,) = transmissions(log)
    assert (watch.source_label, watch.started_utc) == ("ridge.sigmf-meta", NOON)
    assert (entry.transmission.channel, entry.transmission.flags) == ("2 m calling", ("sustained",))


def test_a_step_is_done_after_a_backup_and_keeps_every_row(tmp_path: Path) -> None:
    path = old_database(tmp_path)
    with WatchLog.open(tmp_path, create=False, steps=MARKS) as log:
        assert len(list(transmissions(log))) == 1
        log.begin_watch(FACTS)
    assert version(path) == NEXT
    assert "mark" in columns(path)
    backup = backup_path(path, NEXT)
    assert backup.name == f"watch-log.before-version-{NEXT}.sqlite3"
    assert version(backup) == 1
    assert "mark" not in columns(backup)
    assert names_in(tmp_path) == sorted([FILE_NAME, backup.name])


def test_a_step_is_done_once(tmp_path: Path) -> None:
    old_database(tmp_path)
    for _ in range(2):  # a second time the column would be there already
        WatchLog.open(tmp_path, create=False, steps=MARKS).close()
    assert version(tmp_path / FILE_NAME) == NEXT


def test_a_step_that_breaks_leaves_the_database_as_it_was(tmp_path: Path) -> None:
    path = old_database(tmp_path)
    steps = (*MARKS, Step(NEXT + 1, break_in_the_middle))
    with pytest.raises(
        StorageError, match=r"has other tables than expected; it must be one this program wrote$"
    ):
        WatchLog.open(tmp_path, create=False, steps=steps)
    assert version(path) == NEXT  # the step before it stands
    assert "verdict" not in columns(path)
    with WatchLog.open(tmp_path, create=False, steps=MARKS) as log:
        assert len(list(transmissions(log))) == 1


def test_a_step_that_leaves_orphans_is_undone(tmp_path: Path) -> None:
    path = old_database(tmp_path)
    with pytest.raises(
        StorageError, match=f"the step to version {NEXT} .* leaves 1 rows that refer to nothing"
    ):
        WatchLog.open(tmp_path, create=False, steps=(*STEPS, Step(NEXT, orphan)))
    assert version(path) == newest_version()


def test_references_are_enforced_again_after_a_step(tmp_path: Path) -> None:
    old_database(tmp_path)
    with WatchLog.open(tmp_path, create=False, steps=MARKS) as log, log._writable() as connection:
        # PRAGMA foreign_keys cannot be asked to change within a transaction, only what it is.
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_reading_an_old_database_leaves_it_old(tmp_path: Path) -> None:
    path = old_database(tmp_path)
    before = path.read_bytes()
    with WatchLog.open_to_read(tmp_path, steps=MARKS) as log:
        assert len(list(transmissions(log))) == 1
    assert path.read_bytes() == before
    assert names_in(tmp_path) == [FILE_NAME]


def test_a_database_of_a_later_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = old_database(tmp_path)
    with closing(sqlite3.connect(path)) as opened, opened:
        opened.execute("UPDATE schema_version SET version = 99")
    before = path.read_bytes()
    for attempt in (
        lambda: WatchLog.open(tmp_path, create=True),
        lambda: WatchLog.open_to_read(tmp_path),
    ):
        with pytest.raises(StorageError) as refused:
            attempt()
        assert str(refused.value) == (
            f"watch log {path} is of version 99 and this program knows up to {newest_version()}; "
            "use the program that wrote it, or a later one"
        )
    assert path.read_bytes() == before
    assert names_in(tmp_path) == [FILE_NAME]


def test_a_backup_holds_what_is_only_in_the_write_ahead_log(tmp_path: Path) -> None:
    path = old_database(tmp_path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = WAL")
        other.execute("UPDATE watch SET notes = 'the last word'")  # not in the main file yet
        WatchLog.open(tmp_path, create=False, steps=MARKS).close()
    with closing(sqlite3.connect(backup_path(path, NEXT))) as backup:
        assert backup.execute("SELECT notes FROM watch").fetchone() == ("the last word",)
