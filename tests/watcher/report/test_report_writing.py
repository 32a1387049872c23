"""From a log on disk to the report beside it."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.watcher.report.made_records import START, at, channel, entry, span
from watcher.errors import StorageError
from watcher.log import WatchEnd, WatchEndedBy, WatchFacts, WatchLog
from watcher.receive.records import Gap, GapCause, Watched
from watcher.report import read_summary, render_text, write_report
from watcher.report.writing import REPORT_NAME


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log of one watch of ten minutes: one transmission, one lost second."""
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(
            WatchFacts(
                started_utc=START,
                source_label="made",
                plan_text="",
                plan_sha256="",
                program_version="0",
                channels=(channel("calling"),),
                station="Harrow Ridge",
                time_zone="America/Boise",
            )
        )
        log.add_transmission(watch_id, entry("calling", 60, 30, snr=12.0).transmission, None)
        log.add_watched(watch_id, Watched("calling", START, at(300)))
        log.add_gap(watch_id, Gap("calling", at(300), at(301), GapCause.LOST_SAMPLES))
        log.add_watched(watch_id, Watched("calling", at(301), at(600)))
        log.end_watch(watch_id, WatchEnd(at(600), WatchEndedBy.END_OF_SAMPLES))
    return tmp_path


def test_the_summary_is_of_what_the_log_holds(folder: Path) -> None:
    summary = read_summary(folder)
    assert summary.span == span(0, 600)
    assert summary.clock.name == "America/Boise"
    (one,) = summary.channels
    assert one.occupancy.heard_s == 30
    assert one.occupancy.watched_s == 599
    assert one.account.unwatched_by_cause() == {"lost samples": 1.0}


def test_a_span_is_cut_out(folder: Path) -> None:
    (one,) = read_summary(folder, span(0, 75)).channels
    assert (one.transmissions, one.occupancy.heard_s, one.occupancy.watched_s) == (1, 15.0, 75.0)


def test_a_span_before_the_first_watch_is_not_watched(folder: Path) -> None:
    summary = read_summary(folder, span(-600, -300))
    assert summary.channels == ()
    assert summary.clock.name == "America/Boise"
    assert "Nothing was watched" in render_text(summary)


def test_the_report_lies_beside_the_log_and_leaves_nothing_else(folder: Path) -> None:
    before = set(folder.iterdir())
    path = write_report(folder)
    assert path == folder / REPORT_NAME
    assert "Harrow Ridge: activity report" in path.read_text(encoding="utf-8")
    assert set(folder.iterdir()) - before == {path}


def test_a_second_report_replaces_the_first(folder: Path) -> None:
    write_report(folder)
    write_report(folder, span(0, 60))
    assert "00:01:00 MDT. All times" in (folder / REPORT_NAME).read_text(encoding="utf-8")


def test_a_folder_without_a_log_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="holds no watch log"):
        write_report(tmp_path)
    with pytest.raises(StorageError, match="does not exist"):
        write_report(tmp_path / "nowhere")
    assert list(tmp_path.iterdir()) == []


def test_a_log_that_holds_nothing_yet_is_one_sentence(tmp_path: Path) -> None:
    WatchLog.open(tmp_path, create=True).close()
    with pytest.raises(StorageError, match="holds nothing yet"):
        write_report(tmp_path)
    summary = read_summary(tmp_path, span(0, 60))
    assert (summary.channels, summary.clock.name) == ((), "UTC")


def test_a_report_that_cannot_be_written_leaves_the_earlier_one(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_report(folder)
    earlier = path.read_bytes()

    def full_disk(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("watcher.report.writing.write_whole", full_disk)
    with pytest.raises(
        StorageError, match=r"report .*report\.html cannot be written \(No space left on device\)"
    ):
        write_report(folder, span(0, 60))
    assert path.read_bytes() == earlier


def test_a_running_watch_is_reported_up_to_its_last_record(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        facts = WatchFacts(START, "made", "", "", "0", (channel("calling"),))
        watch_id = log.begin_watch(facts)
        log.add_transmission(watch_id, entry("calling", 60, 30).transmission, None)
        log.add_watched(watch_id, Watched("calling", START, START + timedelta(seconds=120)))
        summary = read_summary(tmp_path)
    assert summary.span == span(0, 120)
    assert "has no end in the log" in summary.notices[0]
