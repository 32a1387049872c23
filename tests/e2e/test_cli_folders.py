"""Folders that cannot be used and disks that fill: one sentence, an exit code, nothing half-written.

That means: what stood in a folder before stands there after, and what is new and not whole carries an ending
that says so.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from tests.e2e.conftest import Midwatch
from watcher.errors import StorageError
from watcher.log.facts import WatchEndedBy
from watcher.log.reading import transmissions, watches
from watcher.log.writing import WatchLog


def tree(folder: Path) -> dict[str, bytes | None]:
    """Everything in a folder, with its content."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


# --- folders ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["report", "export"])
def test_folder_without_a_log(midwatch: Midwatch, tmp_path: Path, command: str) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("words")
    for name in ("empty", "missing", "file"):
        said = midwatch(command, tmp_path / name)
        assert said.code == StorageError.exit_code
        assert name in said.sentence
    assert list(tree(tmp_path)) == ["empty", "file"]  # looking makes nothing


@pytest.mark.parametrize("command", ["report", "export", "replay"])
def test_folder_whose_log_is_something_else(
    midwatch: Midwatch, plan: Path, night: Path, replayed: Path, tmp_path: Path, command: str
) -> None:
    (log_name,) = (path.name for path in replayed.glob("*.sqlite3"))
    (tmp_path / log_name).write_bytes(b"It was a dark and stormy night. " * 100)
    before = tree(tmp_path)
    words = ("replay", plan, night, "--into", tmp_path) if command == "replay" else (command, tmp_path)
    said = midwatch(*words)
    assert said.code == StorageError.exit_code
    assert log_name in said.sentence
    after = tree(tmp_path)
    assert before.items() <= after.items()
    assert set(after) - set(before) <= {"unfinished", "unfinished/lock"}


def test_folder_that_is_a_file(midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("words")
    for folder in (tmp_path / "file", tmp_path / "file" / "deeper"):
        for words in (("replay", plan, night), ("demo",)):
            said = midwatch(*words, "--into", folder)
            assert said.code == StorageError.exit_code
            assert "file" in said.sentence
    assert tree(tmp_path) == {"file": b"words"}


def test_folder_that_nobody_may_make(midwatch: Midwatch, plan: Path, night: Path) -> None:
    """Not even root may make a folder there."""
    if not Path("/proc/self").exists():
        pytest.skip("there is no /proc here to be refused by")
    said = midwatch("replay", plan, night, "--into", "/proc/self/midwatch")
    assert said.code == StorageError.exit_code
    assert "/proc/self/midwatch" in said.sentence


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_folder_without_permission(midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path) -> None:
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o500)
    said = midwatch("replay", plan, night, "--into", shut)
    assert said.code == StorageError.exit_code
    assert "may not be written" in said.sentence


def test_export_into_a_place_that_cannot_be_written(
    midwatch: Midwatch, replayed: Path, tmp_path: Path
) -> None:
    (tmp_path / "folder").mkdir()
    for target in (tmp_path / "folder", tmp_path / "missing" / "out.csv"):
        said = midwatch("export", replayed, "--into", target)
        assert said.code == StorageError.exit_code
        assert str(target) in said.sentence
    assert list(tree(tmp_path)) == ["folder"]


# --- full disks ---------------------------------------------------------------------------------------


@contextlib.contextmanager
def small_disk(place: Path, kib: int) -> Iterator[Path]:
    """A file system of its own in memory."""
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", str(place)]
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("making a small disk takes root and mount")
    done = subprocess.run(mount, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"no small disk can be made here: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.parametrize("kib", [4, 60, 150, 250, 330, 420])
def test_full_disk_keeps_what_was_heard_and_goes_on_when_there_is_room(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path, kib: int
) -> None:
    with small_disk(tmp_path / "disk", kib) as disk:
        folder = disk / "log"
        said = midwatch("replay", plan, night, "--into", folder)
        assert said.code == StorageError.exit_code, said
        assert "free some space" in said.sentence or "make room" in said.sentence
        for path in folder.rglob("*.flac"):
            assert soundfile.info(path).frames > 0  # a finished name is a whole file
        unfinished = {path.suffix for path in (folder / "unfinished").glob("*") if path.name != "lock"}
        assert unfinished <= {".part", ".json", ".tmp"}
        subprocess.run(["mount", "-o", "remount,size=20m", str(disk)], check=True)
        again = midwatch("replay", plan, night, "--into", folder, "--quiet")
        assert (again.code, again.err) == (0, "")
        with WatchLog.open_to_read(folder) as log:
            rows = {str(one.clip_path): one.clip_audio_frames for one in transmissions(log)}
            stood = sorted(watches(log), key=lambda watch: watch.watch_id)
        assert stood[-1].ended_by == WatchEndedBy.END_OF_SAMPLES
        assert all(watch.ended_by in (WatchEndedBy.FAILED, WatchEndedBy.BROKEN_OFF) for watch in stood[:-1])
        files = {str(p.relative_to(folder)): soundfile.info(p).frames for p in folder.rglob("*.flac")}
        assert rows == files
        assert [path.name for path in (folder / "unfinished").iterdir()] == ["lock"]


@pytest.mark.parametrize(
    "words",
    [("export",), ("export", "--as", "csv"), ("report",)],
    ids=" ".join,
)
def test_full_disk_behind_standard_output(midwatch: Midwatch, replayed: Path, words: tuple[str, ...]) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("there is no /dev/full here")
    said = midwatch(words[0], replayed, *words[1:], stdout="/dev/full")
    assert said.sentence


def test_a_folder_from_before_spectra_were_kept_is_read_and_gone_on_with(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "log"
    assert midwatch("replay", plan, night, "--into", folder, "--quiet").code == 0
    spectra = folder / "spectra"
    assert sum(path.stat().st_size for path in spectra.iterdir()) > 0
    shutil.rmtree(spectra)
    for words in (("report", folder), ("export", folder), ("suggest", folder), ("suggest", folder, plan)):
        said = midwatch(*words)
        assert (said.code, said.err) == (0, "")
    assert "no spectra lie beside this log" in said.out
    assert midwatch("replay", plan, night, "--into", folder, "--quiet").code == 0
    assert len(list(spectra.iterdir())) == 1
