"""A file is whole or not there, whichever step fails."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from watcher.durable import sync_file, sync_folder, write_all, write_new, write_whole


def failing(error: int) -> Callable[..., object]:
    def fail(*_: object, **__: object) -> object:
        raise OSError(error, os.strerror(error))

    return fail


def test_a_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    path = tmp_path / "facts.json"
    for content in (b"first", b"", b"x" * 100_000):
        write_whole(path, content)
        assert path.read_bytes() == content
    assert [entry.name for entry in tmp_path.iterdir()] == ["facts.json"]


@pytest.mark.parametrize("call", ["open", "write", "fsync", "replace"])
def test_a_failing_step_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    path = tmp_path / "facts.json"
    write_whole(path, b"old")
    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing(errno.ENOSPC))
        with pytest.raises(OSError, match="No space left"):
            write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["facts.json"]


def test_the_order_is_write_sync_rename_sync_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The order that POSIX.1-2017 asks for: fsync makes a file last, and a folder's fsync its new name."""
    steps: list[str] = []
    fsync, replace = os.fsync, os.replace

    def noted_fsync(descriptor: int) -> None:
        steps.append("sync folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "sync file")
        fsync(descriptor)

    def noted_replace(source: Path, target: Path) -> None:
        steps.append("rename")
        replace(source, target)

    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(os, "replace", noted_replace)
    write_whole(tmp_path / "a", b"1")
    assert steps == ["sync file", "rename", "sync folder"]
    steps.clear()
    write_whole(tmp_path / "a", b"2", on_disk=False)
    write_new(tmp_path / "b", b"3", on_disk=False)
    assert steps == ["rename"]
    steps.clear()
    write_new(tmp_path / "b", b"4", on_disk=True)
    sync_file(tmp_path / "b")
    sync_folder(tmp_path)
    assert steps == ["sync file", "sync file", "sync folder"]


def test_short_writes_are_continued(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, content: write(descriptor, content[:3]))
    with (tmp_path / "a").open("wb") as file:
        write_all(file.fileno(), bytes(range(10)))
    assert (tmp_path / "a").read_bytes() == bytes(range(10))


def test_a_file_system_that_cannot_sync_folders_is_put_up_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "fsync", failing(errno.EINVAL))
    sync_folder(tmp_path)
    with pytest.raises(OSError, match="Invalid argument"):
        sync_file(Path(__file__))
    monkeypatch.setattr(os, "fsync", failing(errno.EIO))
    with pytest.raises(OSError, match="Input/output error"):
        sync_folder(tmp_path)


@pytest.mark.parametrize("permissions", [0o600, 0o640, 0o644])
def test_who_may_read_a_file_stays_as_it_was(tmp_path: Path, permissions: int) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"before")
    path.chmod(permissions)
    write_whole(path, b"after")
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"after", permissions)
