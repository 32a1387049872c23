"""Versions of the database: a fresh one is made at the newest, an older one is brought up step by step.

Every step is written once and never changed: databases of its version are out there. A step runs in a
transaction of its own, so a failure leaves the database at the version before it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, insert, inspect, select, update

from watcher.durable import TMP_SUFFIX, sync_file, sync_folder
from watcher.errors import StorageError
from watcher.log.schema import TABLES, schema_version
from watcher.log.storage import driver_connection


@dataclass(frozen=True, slots=True)
class Step:
    """What brings the database from the version before `to_version` to it."""

    to_version: int
    apply: Callable[[Connection], None]


def _add_signalling(connection: Connection) -> None:
    """Version 2: what transmissions carry, what a channel expects and keeps, windows of a watch, marks."""
    for column in (
        *("dcs_was_read BOOLEAN NOT NULL DEFAULT 0", "dcs TEXT", "dcs_other_name TEXT"),
        *("dcs_deviation_hz FLOAT", "dcs_probability FLOAT", "dcs_turn_off_s FLOAT", "kind TEXT"),
        *("kind_probability FLOAT", "speech_s FLOAT", "tone_s FLOAT", "data_s FLOAT"),
        *(
            "findings TEXT NOT NULL DEFAULT '[]'",
            "possible_words TEXT",
            "iq_path TEXT",
            "clip_removed_utc_ms INTEGER",
        ),
    ):
        connection.exec_driver_sql(f"ALTER TABLE transmission ADD COLUMN {column}")
    for column in (
        *("expect_code TEXT", "require_tone BOOLEAN NOT NULL DEFAULT 0"),
        *("keep TEXT NOT NULL DEFAULT 'all'", "calling BOOLEAN NOT NULL DEFAULT 0"),
    ):
        connection.exec_driver_sql(f"ALTER TABLE watch_channel ADD COLUMN {column}")
    connection.exec_driver_sql(
        "CREATE TABLE window ("
        "window_id INTEGER NOT NULL, watch_id INTEGER NOT NULL, start_utc_ms INTEGER NOT NULL, "
        "stop_utc_ms INTEGER NOT NULL, name TEXT NOT NULL, reason TEXT NOT NULL, "
        "CONSTRAINT pk_window PRIMARY KEY (window_id), "
        "CONSTRAINT ck_window_in_order CHECK (start_utc_ms <= stop_utc_ms), "
        "CONSTRAINT fk_window_watch_id FOREIGN KEY(watch_id) REFERENCES watch (watch_id))"
    )
    connection.exec_driver_sql(
        "CREATE INDEX ix_window_watch_id_start_utc_ms ON window (watch_id, start_utc_ms)"
    )
    _add_marks(connection)


def _add_marks(connection: Connection) -> None:
    state = (
        "verdict TEXT, note TEXT NOT NULL, who TEXT NOT NULL, revision INTEGER NOT NULL, "
        "changed_utc_ms INTEGER NOT NULL, "
    )
    for statement in (
        f"CREATE TABLE mark (entry_id INTEGER NOT NULL, {state}"
        "CONSTRAINT pk_mark PRIMARY KEY (entry_id), "
        "CONSTRAINT fk_mark_entry_id FOREIGN KEY(entry_id) REFERENCES transmission (entry_id))",
        "CREATE INDEX ix_mark_verdict ON mark (verdict)",
        "CREATE TABLE mark_history (history_id INTEGER NOT NULL, batch_id INTEGER NOT NULL, "
        f"entry_id INTEGER NOT NULL, {state}restores INTEGER, "
        "CONSTRAINT pk_mark_history PRIMARY KEY (history_id), "
        "CONSTRAINT fk_mark_history_entry_id FOREIGN KEY(entry_id) REFERENCES transmission (entry_id))",
        "CREATE UNIQUE INDEX ix_mark_history_entry_id_revision ON mark_history (entry_id, revision)",
        "CREATE INDEX ix_mark_history_batch_id ON mark_history (batch_id)",
    ):
        connection.exec_driver_sql(statement)


FIRST_VERSION = 1
STEPS: tuple[Step, ...] = (Step(2, _add_signalling),)


def newest_version(steps: Sequence[Step] = STEPS) -> int:
    """The version a database has after the last step."""
    return steps[-1].to_version if steps else FIRST_VERSION


def version_of(connection: Connection, path: Path) -> int | None:
    """The version of the database, or None where it has no table at all.

    Raises
    ------
    StorageError
        It is a database of something else.
    """
    names = set(inspect(connection).get_table_names())
    if not names:
        return None
    version = None
    if schema_version.name in names:
        version = connection.execute(select(schema_version.c.version)).scalar()
    if version is None:
        raise StorageError(f"watch log {path} is a database of something else; give the folder of a watch")
    return int(version)


def refuse_newer(version: int, path: Path, steps: Sequence[Step] = STEPS) -> None:
    """Refuse a database that a later program wrote.

    Raises
    ------
    StorageError
        The version is above the newest this program knows.
    """
    newest = newest_version(steps)
    if version > newest:
        raise StorageError(
            f"watch log {path} is of version {version} and this program knows up to {newest}; "
            "use the program that wrote it, or a later one"
        )


def bring_up_to_date(engine: Engine, path: Path, steps: Sequence[Step] = STEPS) -> None:
    """Make the tables of an empty database, or run the steps an older one lacks, after a backup of it.

    Parameters
    ----------
    engine : Engine
        Writes to the database.
    path : Path
        Of its file; the backup is put beside it.
    steps : sequence of Step
        In order, without a hole.

    Raises
    ------
    StorageError
        The database is of something else, or of a later program.
    """
    with engine.begin() as connection:
        version = version_of(connection, path)
        if version is None:
            TABLES.create_all(connection)
            connection.execute(insert(schema_version).values(version=newest_version(steps)))
            return
    refuse_newer(version, path, steps)
    if version == newest_version(steps):
        return
    back_up(engine, backup_path(path, newest_version(steps)))
    run_steps(engine, steps)


def run_steps(engine: Engine, steps: Sequence[Step] = STEPS) -> None:
    """Run the steps the database lacks, each in its own transaction."""
    with engine.connect() as connection:
        # A step may rebuild a table others refer to; the references are checked before its commit instead.
        below = driver_connection(connection)
        below.execute("PRAGMA foreign_keys = OFF")
        try:
            for step in steps:
                with connection.begin():
                    # Asked anew within the transaction: another program may have done the step meanwhile.
                    version = connection.execute(select(schema_version.c.version)).scalar_one()
                    if version >= step.to_version:
                        continue
                    step.apply(connection)
                    connection.execute(update(schema_version).values(version=step.to_version))
                    if broken := connection.exec_driver_sql("PRAGMA foreign_key_check").all():
                        raise StorageError(
                            f"the step to version {step.to_version} of the watch log leaves {len(broken)} "
                            "rows that refer to nothing; it must leave none"
                        )
        finally:
            below.execute("PRAGMA foreign_keys = ON")


def backup_path(path: Path, version: int) -> Path:
    """Where the backup lies that is made before the upgrade to a version."""
    return path.with_name(f"{path.stem}.before-version-{version}{path.suffix}")


def back_up(engine: Engine, target: Path) -> None:
    """Copy the whole database into a file, which appears under its name only when it is complete.

    Copying the file itself would miss what still stands in the write-ahead log.
    """
    unfinished = target.with_name(target.name + TMP_SUFFIX)
    unfinished.unlink(missing_ok=True)
    copy = sqlite3.connect(unfinished)
    try:
        with engine.connect() as connection:
            driver_connection(connection).backup(copy)
        # One file alone is easier to keep than a file and its write-ahead log.
        copy.execute("PRAGMA journal_mode = DELETE")
    finally:
        copy.close()
    sync_file(unfinished)
    unfinished.replace(target)
    sync_folder(target.parent)
