"""Reading: what belongs to a span, in what order, and that the folder stays as it was."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from watcher.errors import StorageError
from watcher.log import WatchEnd, WatchEndedBy, WatchFacts, WatchLog
from watcher.log.reading import (
    conditions,
    gaps,
    transmissions,
    watched_records,
    watched_spans,
    watches,
    whole_span,
)
from watcher.log.schema import FILE_NAME
from watcher.log.spans import Span, Spans
from watcher.receive.records import (
    Condition,
    ConditionKind,
    EndedBy,
    Gap,
    GapCause,
    Transmission,
    Watched,
)

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
FACTS = WatchFacts(NOON, "ridge.sigmf-meta", "plan", "00", "0.1.0")


def at(second: float) -> datetime:
    return NOON + timedelta(seconds=second)


def heard(channel: str, start: float, end: float) -> Transmission:
    return Transmission(
        channel=channel,
        frequency_hz=146_520_000,
        mode="nfm",
        start_sample=0,
        stop_sample=1,
        start_utc=at(start),
        end_utc=at(end),
        clip_start_utc=at(start - 1),
        clip_end_utc=at(end + 1),
        ended_by=EndedBy.CARRIER_DROP,
    )


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    with WatchLog.open(tmp_path, create=True) as opened:
        yield opened


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def listing(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in folder.iterdir()}


@pytest.mark.parametrize(
    ("start", "stop", "found"),
    [
        (0, 100, ["long", "early", "late"]),
        (10, 20, ["long", "early"]),
        (20, 30, ["long"]),  # the early one ends where the span starts, the late one starts where it stops
        (19.999, 30.001, ["long", "early", "late"]),
        (90, 91, ["long"]),
        (100, 200, []),
        (-5, 0, []),
    ],
)
def test_a_transmission_belongs_to_a_span_it_shares_time_with(
    log: WatchLog, start: float, stop: float, found: list[str]
) -> None:
    watch_id = log.begin_watch(FACTS)
    for channel, begins, ends in (("late", 30, 40), ("early", 10, 20), ("long", 0, 100)):
        log.add_transmission(watch_id, heard(channel, begins, ends), None)
        log.add_gap(watch_id, Gap(channel, at(begins), at(ends), GapCause.LOST_SAMPLES))
        log.add_watched(watch_id, Watched(channel, at(begins), at(ends)))
        log.add_condition(
            watch_id, Condition(channel, ConditionKind.IMAGE, at(begins), at(ends), None, None, "seen")
        )
    span = Span(at(start), at(stop))
    assert [entry.transmission.channel for entry in transmissions(log, span)] == found
    for read in (gaps, watched_records, conditions):
        assert [record.channel for record in read(log, span)] == found  # type: ignore[operator]


def test_a_transmission_without_length_belongs_to_the_span_it_starts_in(log: WatchLog) -> None:
    log.add_transmission(log.begin_watch(FACTS), heard("short", 10, 10), None)
    assert len(list(transmissions(log, Span(at(10), at(11))))) == 1
    assert len(list(transmissions(log, Span(at(9), at(10))))) == 0


def test_only_the_asked_channels_are_read(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    for channel in ("a", "b", "c"):
        log.add_transmission(watch_id, heard(channel, 0, 1), None)
    assert [entry.transmission.channel for entry in transmissions(log, channels=["c", "a"])] == ["a", "c"]
    assert list(transmissions(log, channels=[])) == []


def test_order_is_that_of_start_and_then_of_entry(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    for channel, start in (("third", 5), ("first", 1), ("second", 1)):
        log.add_transmission(watch_id, heard(channel, start, 9), None)
    assert [entry.transmission.channel for entry in transmissions(log)] == ["first", "second", "third"]


def test_watched_spans_are_merged_by_channel_and_cut_to_the_span(log: WatchLog) -> None:
    first, second = log.begin_watch(FACTS), log.begin_watch(FACTS)
    log.add_watched(first, Watched("a", at(0), at(10)))
    log.add_watched(second, Watched("a", at(5), at(20)))  # two watches at once count once
    log.add_watched(first, Watched("a", at(20), at(30)))
    log.add_watched(first, Watched("b", at(0), at(1)))
    log.add_watched(first, Watched("a", at(40), at(50)))
    assert watched_spans(log) == {
        "a": Spans([Span(at(0), at(30)), Span(at(40), at(50))]),
        "b": Spans([Span(at(0), at(1))]),
    }
    assert watched_spans(log, Span(at(25), at(45))) == {
        "a": Spans([Span(at(25), at(30)), Span(at(40), at(45))])
    }
    assert watched_spans(log, channels=["b"]) == {"b": Spans([Span(at(0), at(1))])}


def test_watches_of_a_span_are_those_that_reach_into_it(log: WatchLog) -> None:
    ended = log.begin_watch(FACTS)
    log.end_watch(ended, WatchEnd(at(60), WatchEndedBy.END_OF_SAMPLES))
    running = log.begin_watch(replace(FACTS, started_utc=at(100)))
    assert [each.watch_id for each in watches(log, Span(at(59), at(61)))] == [ended]
    assert [each.watch_id for each in watches(log, Span(at(60), at(100)))] == []
    assert [each.watch_id for each in watches(log, Span(at(5000), at(5001)))] == [running]


def test_the_whole_span_reaches_from_the_first_record_to_the_last(log: WatchLog) -> None:
    assert whole_span(log) is None
    watch_id = log.begin_watch(FACTS)
    log.add_watched(watch_id, Watched("a", at(3), at(10)))
    log.add_transmission(watch_id, heard("a", 5, 12), None)
    log.add_gap(watch_id, Gap("a", at(1), at(3), GapCause.NO_SAMPLES))
    assert whole_span(log) == Span(at(1), at(12))


def test_rows_are_read_as_one_state_however_many_there_are(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    with log.unit():
        for number in range(1200):  # more than are fetched at once
            log.add_transmission(watch_id, heard("a", number, number + 1), None)
    reading = transmissions(log)
    next(reading)
    log.add_transmission(watch_id, heard("a", 5000, 5001), None)  # the writer is not held up by the reader
    assert len(list(reading)) == 1199
    assert len(list(transmissions(log))) == 1201


def test_a_reading_that_is_given_up_leaves_nothing_behind(log: WatchLog) -> None:
    watch_id = log.begin_watch(FACTS)
    log.add_transmission(watch_id, heard("a", 0, 1), None)
    log.add_transmission(watch_id, heard("a", 1, 2), None)
    reading = transmissions(log)
    next(reading)
    reading.close()  # type: ignore[attr-defined]
    assert len(list(transmissions(log))) == 2


def test_readers_read_while_a_writer_writes(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log, WatchLog.open_to_read(tmp_path) as reader:
        watch_id = log.begin_watch(FACTS)
        failures: list[BaseException] = []

        def write() -> None:
            try:
                for number in range(60):
                    with log.unit():  # two rows or none
                        log.add_gap(watch_id, Gap("a", at(number), at(number + 1), GapCause.LOST_SAMPLES))
                        log.add_gap(watch_id, Gap("b", at(number), at(number + 1), GapCause.LOST_SAMPLES))
            except BaseException as failure:  # noqa: BLE001 - told to the test below
                failures.append(failure)

        writer = threading.Thread(target=write)
        writer.start()
        counts = [0]
        while writer.is_alive():
            counts.append(len(list(gaps(reader))))
        writer.join()
        counts.append(len(list(gaps(reader))))
    assert failures == []
    assert counts[-1] == 120
    assert counts == sorted(counts)
    assert all(count % 2 == 0 for count in counts)


def test_reading_a_log_at_rest_leaves_its_folder_as_it_was(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        log.add_transmission(log.begin_watch(FACTS), heard("a", 0, 1), None)
    before = listing(tmp_path)
    assert list(before) == [FILE_NAME]
    with WatchLog.open_to_read(tmp_path) as reader:
        assert len(list(transmissions(reader))) == 1
        assert listing(tmp_path) == before
    assert listing(tmp_path) == before


def test_reading_what_began_to_be_written_meanwhile_is_told(tmp_path: Path) -> None:
    WatchLog.open(tmp_path, create=True).close()
    with WatchLog.open_to_read(tmp_path) as reader:
        with (
            pytest.raises(StorageError, match=r"was written while it was read; read it again$"),
            reader.snapshot(),
            WatchLog.open(tmp_path, create=False) as log,
        ):
            log.begin_watch(FACTS)
        assert len(watches(reader)) == 1


def test_a_missing_log_is_told_and_not_made(tmp_path: Path) -> None:
    with pytest.raises(StorageError) as refused:
        WatchLog.open_to_read(tmp_path)
    assert str(refused.value) == f"folder {tmp_path} holds no watch log; give the folder of a watch"
    assert names_in(tmp_path) == []


def test_an_empty_log_file_is_told(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).touch()
    with pytest.raises(StorageError, match="is empty; no watch has been written into it"):
        WatchLog.open_to_read(tmp_path)
    WatchLog.open(tmp_path, create=True).close()  # what a kill at the first moment leaves is no obstacle
    with WatchLog.open_to_read(tmp_path) as reader:
        assert watches(reader) == []


WRITER = """
import sys
from datetime import UTC, datetime, timedelta
from watcher.log import WatchFacts, WatchLog
from watcher.receive.records import Gap, GapCause
noon = datetime(2031, 5, 4, 12, tzinfo=UTC)
log = WatchLog.open(sys.argv[1], create=True)
watch_id = log.begin_watch(WatchFacts(noon, "ridge", "plan", "00", "0.1.0"))
number = 0
while True:
    span = noon + timedelta(seconds=number), noon + timedelta(seconds=number + 1)
    log.add_gap(watch_id, Gap("a", *span, GapCause.LOST_SAMPLES))
    print(number, flush=True)
    number += 1
"""


def test_a_killed_writer_loses_no_committed_row(tmp_path: Path, checkout: Path) -> None:
    folder = tmp_path / "log"
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True, cwd=checkout
    )
    assert writer.stdout is not None
    acknowledged = [int(writer.stdout.readline()) for _ in range(150)]
    with WatchLog.open_to_read(folder) as reader:  # another process reads beside it
        assert len(list(gaps(reader))) >= 150
    writer.send_signal(signal.SIGKILL)
    acknowledged += [int(line) for line in writer.stdout.read().splitlines() if line]
    writer.stdout.close()
    assert writer.wait() == -signal.SIGKILL

    names = names_in(folder)
    with WatchLog.open_to_read(folder) as reader:
        starts = [gap.start_utc for gap in gaps(reader)]
    assert starts[: len(acknowledged)] == [at(number) for number in acknowledged]
    assert len(starts) - len(acknowledged) in (0, 1)  # committed, and killed before it could say so
    assert names_in(folder) == names

    # Copied without the index of the write-ahead log: the copy is read, and left as it is.
    copy = tmp_path / "copy"
    copy.mkdir()
    for suffix in ("", "-wal"):
        shutil.copyfile(folder / (FILE_NAME + suffix), copy / (FILE_NAME + suffix))
    before = listing(copy)
    with WatchLog.open_to_read(copy) as reader:
        assert len(list(gaps(reader))) == len(starts)
    assert listing(copy) == before

    with WatchLog.open(folder, create=True) as log:  # the next start goes on
        log.begin_watch(FACTS)
        assert len(watches(log)) == 2
