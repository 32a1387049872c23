"""Units of work, clips written twice, and what a failing database says."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import IntegrityError

from watcher.errors import StorageError
from watcher.log import WatchFacts, WatchLog
from watcher.log.reading import gaps, transmissions
from watcher.log.schema import FILE_NAME
from watcher.receive.records import Clip, EndedBy, Gap, GapCause, Transmission

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
FACTS = WatchFacts(NOON, "ridge.sigmf-meta", "plan", "00", "0.1.0")
HEARD = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="nfm",
    start_sample=0,
    stop_sample=2_400_000,
    start_utc=NOON,
    end_utc=NOON + timedelta(seconds=1),
    clip_start_utc=NOON - timedelta(seconds=1),
    clip_end_utc=NOON + timedelta(seconds=2),
    ended_by=EndedBy.CARRIER_DROP,
)
CLIP = Clip(HEARD, Path("2031-05-04") / "120000.000Z_146.520_2-m-calling.flac", "ab" * 32, 48_000)
GAP = Gap("2 m calling", NOON, NOON + timedelta(seconds=1), GapCause.LOST_SAMPLES)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    with WatchLog.open(tmp_path / "log", create=True, patience_s=0.05) as opened:
        yield opened


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def sentence_of(folder: Path, *, create: bool = False) -> str:
    with pytest.raises(StorageError) as refused:
        WatchLog.open(folder, create=create, patience_s=0.05).close()
    return str(refused.value)


def test_the_folder_is_made_where_it_is_not(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    with WatchLog.open(folder, create=True) as log:
        assert log.folder == folder
    assert names_in(folder) == [FILE_NAME]


def test_it_is_written_ahead_and_synced(log: WatchLog) -> None:
    log.begin_watch(FACTS)
    assert log.path.with_name(FILE_NAME + "-wal").exists()
    with log._writable() as connection:
        # sqlite.org, "PRAGMA synchronous": 2 is FULL.
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_a_clip_has_one_entry_however_often_it_is_added(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    first = log.add_transmission(watch_id, HEARD, CLIP)
    assert log.add_transmission(watch_id, HEARD, CLIP) == first
    assert log.add_transmission(log.begin_watch(FACTS), HEARD, CLIP) == first
    (entry,) = transmissions(log)
    assert (entry.entry_id, entry.watch_id) == (first, watch_id)


def test_another_content_under_the_same_path_takes_the_entry_over(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    first = log.add_transmission(watch_id, HEARD, CLIP)
    longer = replace(HEARD, stop_sample=4_800_000)
    assert log.add_transmission(watch_id, longer, replace(CLIP, sha256="cd" * 32)) == first
    (entry,) = transmissions(log)
    assert (entry.transmission, entry.clip_sha256) == (longer, "cd" * 32)


def test_transmissions_without_clip_are_entries_of_their_own(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    assert log.add_transmission(watch_id, HEARD, None) != log.add_transmission(watch_id, HEARD, None)


def test_what_a_broken_unit_added_is_not_there(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    with pytest.raises(RuntimeError, match="the decoder broke"), log.unit():
        log.add_transmission(watch_id, HEARD, CLIP)
        log.add_gap(watch_id, GAP)
        raise RuntimeError("the decoder broke")
    assert list(transmissions(log)) == []
    assert list(gaps(log)) == []
    log.add_gap(watch_id, GAP)
    assert list(gaps(log)) == [GAP]


def test_a_unit_within_a_unit_belongs_to_the_outer_one(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    with pytest.raises(RuntimeError), log.unit():
        with log.unit():
            log.add_gap(watch_id, GAP)
        raise RuntimeError
    assert list(gaps(log)) == []


def test_nobody_sees_a_unit_before_its_end(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    with log.unit():
        log.add_gap(watch_id, GAP)
        assert list(gaps(log)) == []
    assert list(gaps(log)) == [GAP]


def test_a_failure_of_the_callers_own_files_stays_what_it_is(log: WatchLog) -> None:
    with pytest.raises(FileNotFoundError), log.unit():
        (log.folder / "no such clip").read_bytes()


def test_units_of_many_threads_wait_for_one_another(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    inside: list[int] = []
    most: list[int] = []

    def add() -> None:
        for _ in range(5):
            with log.unit():
                inside.append(1)
                log.add_gap(watch_id, GAP)
                most.append(len(inside))
                inside.pop()

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(list(gaps(log))) == 20
    assert max(most) == 1


def test_a_row_of_no_watch_is_our_mistake_and_not_a_storage_failure(log: WatchLog) -> None:
    with pytest.raises(IntegrityError, match="FOREIGN KEY"):
        log.add_gap(7, GAP)


def test_a_log_opened_to_read_cannot_be_written(log: WatchLog) -> None:
    with (
        WatchLog.open_to_read(log.folder) as reading,
        pytest.raises(StorageError, match=r"was opened to read; open it to write$"),
    ):
        reading.begin_watch(FACTS)


def test_a_full_disk_is_told_and_undoes_the_whole_unit(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    with log._writable() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(
            f"PRAGMA max_page_count = {pages}"
        )  # the database may not grow: SQLITE_FULL
    long = replace(HEARD, flags=("x" * 100_000,))
    expected = f"watch log {log.path} has no room left on its disk; free some space and start again"
    with pytest.raises(StorageError) as full, log.unit():
        log.add_gap(watch_id, GAP)
        log.add_transmission(watch_id, long, None)
    assert str(full.value) == expected
    assert list(gaps(log)) == []
    log.add_gap(watch_id, GAP)  # what fits is written again
    assert list(gaps(log)) == [GAP]


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_unit_that_a_full_disk_undid_does_not_pass_for_done(log: WatchLog, goes_on: bool) -> None:
    watch_id = log.begin_watch(FACTS)
    with log._writable() as connection:
        below = connection.connection.driver_connection
    with pytest.raises(StorageError) as undone, log.unit():
        assert below is not None
        below.execute("ROLLBACK")  # what SQLite itself does where a disk is full in the middle of a unit
        if goes_on:
            log.add_gap(watch_id, GAP)
    assert str(undone.value) == (
        f"watch log {log.path} undid this unit of work at its first failure; begin another one"
    )
    assert list(gaps(log)) == []


def test_a_writer_that_waits_in_vain_is_told(log: WatchLog) -> None:
    with closing(sqlite3.connect(log.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StorageError) as held:
            log.begin_watch(FACTS)
    assert str(held.value) == (
        f"watch log {log.path} is held by another program; wait for that one to end, or stop it"
    )


def test_a_unit_takes_its_turn_at_its_start(log: WatchLog) -> None:
    with closing(sqlite3.connect(log.path, isolation_level=None, timeout=0)) as other:
        with log.unit(), pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")  # before the unit has written anything
        other.execute("BEGIN IMMEDIATE")


def test_a_file_that_may_not_be_written_is_told(log: WatchLog) -> None:
    with log._writable() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    with pytest.raises(StorageError) as refused:
        log.begin_watch(FACTS)
    assert str(refused.value) == (
        f"watch log {log.path} may not be written; give write permission on the folder and its files"
    )


def test_a_damaged_file_is_told(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(FACTS)
        with log.unit():
            for _ in range(400):
                log.add_gap(watch_id, GAP)
    content = bytearray(log.path.read_bytes())
    content[4096 * 2 :] = b"\x5a" * len(content[4096 * 2 :])  # the header and the list of tables stay whole
    log.path.write_bytes(content)
    with pytest.raises(StorageError) as damaged, WatchLog.open_to_read(tmp_path) as reading:
        list(gaps(reading))
    assert str(damaged.value) == (
        f"watch log {log.path} is damaged; "
        "put it aside, keep the clips, and start with a copy or a new folder"
    )


def test_a_file_of_something_else_is_told_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    path.write_text("this is a letter, and a long one at that\n" * 100)
    before = path.read_bytes()
    assert sentence_of(tmp_path) == f"watch log {path} is not a watch log; give the folder of a watch"
    assert sentence_of(tmp_path, create=True).startswith(f"watch log {path} is not a watch log")
    assert path.read_bytes() == before


def test_a_database_of_something_else_is_told_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipe (name TEXT)")
    before = path.read_bytes()
    sentence = f"watch log {path} is a database of something else; give the folder of a watch"
    assert sentence_of(tmp_path, create=True) == sentence
    with pytest.raises(StorageError) as refused:
        WatchLog.open_to_read(tmp_path)
    assert str(refused.value) == sentence
    assert path.read_bytes() == before
    assert names_in(tmp_path) == [FILE_NAME]


def test_a_missing_folder_and_a_missing_log_are_told(tmp_path: Path) -> None:
    nowhere = tmp_path / "nowhere"
    assert sentence_of(nowhere) == f"folder {nowhere} does not exist; give the folder of a watch"
    assert sentence_of(tmp_path) == f"folder {tmp_path} holds no watch log; give the folder of a watch"
    assert names_in(tmp_path) == []


def test_a_file_in_place_of_the_folder_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("")
    assert sentence_of(path, create=True) == (
        f"watch log {path / FILE_NAME} cannot be used (File exists); check the folder and its disk"
    )


def test_a_folder_in_place_of_the_file_is_told(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    assert sentence_of(tmp_path) == (
        f"watch log {tmp_path / FILE_NAME} cannot be opened; "
        "the folder must exist, and its files must be readable"
    )
