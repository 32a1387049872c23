"""How the watch stands, written and read back, and said plainly where it does not stand."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from watcher.errors import StorageError
from watcher.receive.clips import ClipStore
from watcher.watch.health import HealthFigures
from watcher.watch.status import (
    FILE_NAME,
    STALE,
    StandStatus,
    describe_status,
    folder_is_locked,
    process_is_there,
    read_status,
    write_status,
)

BOISE = ZoneInfo("America/Boise")
NOON = datetime(2031, 5, 4, 18, tzinfo=UTC)  # in Boise
FIGURES = HealthFigures(
    started_utc=NOON - timedelta(hours=30),
    pid=os.getpid(),
    samples=999_000,
    samples_lost=1_000,
    gaps={"tuning": 2, "no radio": 1},
    transmissions=12,
    clips=13,
    noise_floor_dbfs={"146.520": -92.46},
    clock_drift_s=-0.0123,
    disk_free_bytes=12_340_000_000,
    radio_opens=3,
    radio_losses=1,
    alerts_sent=2,
    last_sample_utc=NOON,
    window="every 3 hours",
    window_until_utc=NOON + timedelta(minutes=5),
)


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    write_status(tmp_path, FIGURES, NOON)
    found = read_status(tmp_path)
    assert found == StandStatus(FIGURES, NOON, True, False)
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]


def test_a_watch_that_stands_is_told_with_its_figures(tmp_path: Path) -> None:
    status = StandStatus(replace(FIGURES, pid=77), NOON, process_there=True, locked=True)
    assert describe_status(status, NOON + timedelta(seconds=9), BOISE) == (
        "The watch is stood, by process 77 since 2031-05-03 06:00:00 MDT (12:00:00 UTC).",
        "window: every 3 hours, open until 2031-05-04 12:05:00 MDT (18:05:00 UTC)",
        "last sample: 2031-05-04 12:00:00 MDT (18:00:00 UTC)",
        "heard: 12 transmissions, 13 clips",
        "samples: 999,000, lost 1,000 (0.001 of all)",
        "gaps: no radio × 1, tuning × 2",
        "radios: opened 3 times, lost 1 times",
        "noise floor at 146.520 MHz: −92.5 dBFS",
        "clock drift: −12.3 ms",
        "disk free: 12.3 GB",
        "alerts: 2 sent, 0 attempts failed, 0 held back, 0 waiting",
    )


def first_line(status: StandStatus, later: timedelta = timedelta()) -> str:
    return describe_status(status, NOON + later, ZoneInfo("UTC"))[0]


def test_a_process_that_is_gone_is_said_plainly() -> None:
    there_not = StandStatus(replace(FIGURES, pid=77), NOON, process_there=False, locked=False)
    said = (
        "NO WATCH IS STOOD: its process 77 is gone without an end. "
        "Its last word is of 2031-05-04 18:00:00 UTC."
    )
    assert first_line(there_not) == said
    # Its number was given to another program since: the folder is free.
    assert first_line(replace(there_not, process_there=True), 2 * STALE) == said


def test_a_file_just_written_by_a_process_that_is_there_is_believed_though_no_lock_is_seen() -> None:
    status = StandStatus(replace(FIGURES, pid=77), NOON, process_there=True, locked=False)
    assert first_line(status, STALE).startswith("The watch is stood")


def test_a_file_that_is_not_written_any_more_is_said_plainly() -> None:
    hanging = StandStatus(replace(FIGURES, pid=77), NOON, process_there=True, locked=True)
    assert first_line(hanging, STALE).startswith("The watch is stood")
    assert first_line(hanging, timedelta(minutes=95, seconds=10)) == (
        "THE WATCH MAY HANG: its process 77 is there and has said nothing for 1 h 35 min, "
        "since 2031-05-04 18:00:00 UTC."
    )
    assert first_line(replace(hanging, locked=None), STALE * 2).startswith("THE WATCH MAY HANG")


def test_a_clock_that_stepped_back_is_no_watch_that_hangs() -> None:
    status = StandStatus(replace(FIGURES, pid=77), NOON, process_there=True, locked=True)
    assert first_line(status, -timedelta(hours=1)) == (
        "The watch is stood, by process 77; its clock or this one has stepped by 1 h 0 min."
    )


def test_a_watch_that_was_ended_is_no_fault() -> None:
    ended = replace(FIGURES, ended_utc=NOON, window=None)
    lines = describe_status(StandStatus(ended, NOON, False, False), NOON + timedelta(days=3), ZoneInfo("UTC"))
    assert lines[0] == "No watch is stood: it was ended at 2031-05-04 18:00:00 UTC."
    assert not any(line.startswith("window") for line in lines)


def test_between_windows_the_next_is_told() -> None:
    status = StandStatus(replace(FIGURES, window=None, next_window_utc=NOON), NOON, True, True)
    assert "window: next 2031-05-04 18:00:00 UTC" in describe_status(status, NOON, ZoneInfo("UTC"))
    status = StandStatus(replace(FIGURES, window=None), NOON, True, True)
    assert "window: none, and none to come" in describe_status(status, NOON, ZoneInfo("UTC"))


def test_what_is_not_known_is_called_unknown() -> None:
    bare = StandStatus(HealthFigures(NOON, 77), NOON, True, True)
    lines = describe_status(bare, NOON, ZoneInfo("UTC"))
    assert {"clock drift: unknown", "disk free: unknown", "gaps: none"} <= set(lines)


needs_lock_list = pytest.mark.skipif(
    not Path("/proc/locks").exists(), reason="this system does not list its locks"
)


@needs_lock_list
def test_a_folder_without_a_status(tmp_path: Path) -> None:
    assert first_line(read_status(tmp_path)) == "No watch is stood here, and none has said how it stood."
    with ClipStore(tmp_path):
        assert first_line(read_status(tmp_path)) == (
            "A watch has this folder and has not said yet how it stands: it starts, or it is a replay."
        )


@needs_lock_list
def test_the_lock_of_a_watch_is_seen_and_not_touched(tmp_path: Path) -> None:
    assert folder_is_locked(tmp_path) is False
    with ClipStore(tmp_path):
        assert folder_is_locked(tmp_path) is True
        assert read_status(tmp_path).locked is True
    assert folder_is_locked(tmp_path) is False
    with ClipStore(tmp_path):  # nobody holds what was only looked at
        pass


def test_a_system_that_tells_no_locks_leaves_it_open(tmp_path: Path) -> None:
    with ClipStore(tmp_path):
        assert folder_is_locked(tmp_path, tmp_path / "no-such-list") is None


def test_whether_a_process_is_there() -> None:
    assert process_is_there(os.getpid())
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    assert not process_is_there(child.pid)
    assert process_is_there(1)
    assert not process_is_there(2**70)


@pytest.mark.parametrize(
    "content",
    [b"", b"[]", b"{}", b"\xff", b'{"written_utc": "yesterday"}', b"half a fi", b'{"written_utc": 3}'],
)
def test_a_file_that_is_none_of_ours_is_one_sentence(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(StorageError, match=r"status\.json is not a status this program wrote; remove it, "):
        read_status(tmp_path)


def test_a_wrong_type_and_a_missing_folder_are_one_sentence_too(tmp_path: Path) -> None:
    write_status(tmp_path, FIGURES, NOON)
    said = json.loads((tmp_path / FILE_NAME).read_text())
    (tmp_path / FILE_NAME).write_text(json.dumps({**said, "samples": "many"}))
    with pytest.raises(StorageError, match="is not a status this program wrote"):
        read_status(tmp_path)
    with pytest.raises(StorageError, match="gone does not exist; give the folder of a watch"):
        read_status(tmp_path / "gone")


def test_what_a_later_program_adds_is_passed_over(tmp_path: Path) -> None:
    write_status(tmp_path, FIGURES, NOON)
    said = json.loads((tmp_path / FILE_NAME).read_text())
    (tmp_path / FILE_NAME).write_text(json.dumps({**said, "moon": "full"}))
    assert read_status(tmp_path).figures == FIGURES


@needs_lock_list
def test_a_watch_that_was_killed_is_said_to_be_gone(tmp_path: Path) -> None:
    """A process of its own holds the folder and writes how it stands; then it is killed."""
    code = (
        "import sys, time\nfrom datetime import UTC, datetime\nfrom pathlib import Path\n"
        "from watcher.receive.clips import ClipStore\nfrom watcher.watch.health import Health\n"
        "from watcher.watch.status import write_status\n"
        "folder, now = Path(sys.argv[1]), datetime(2031, 5, 4, 18, tzinfo=UTC)\n"
        "with ClipStore(folder):\n"
        "    write_status(folder, Health(now).figures, now)\n"
        "    print('stands', flush=True)\n"
        "    time.sleep(60)\n"
    )
    checkout = Path(__file__).resolve().parents[3]
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(checkout)}
    ) as watch:
        assert watch.stdout is not None
        assert watch.stdout.readline() == "stands\n"
        alive = read_status(tmp_path)
        watch.kill()
    assert (alive.process_there, alive.locked) == (True, True)
    assert first_line(alive).startswith(f"The watch is stood, by process {watch.pid}")
    gone = read_status(tmp_path)
    assert (gone.process_there, gone.locked) == (False, False)
    assert first_line(gone).startswith(f"NO WATCH IS STOOD: its process {watch.pid} is gone")
