"""Disks that fail and folders that are damaged: one sentence, and nothing heard is lost."""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile

from watcher.errors import StorageError
from watcher.receive.clip_part import WAV_HEADER
from watcher.receive.clips import ClipStore, OpenClip
from watcher.receive.records import Clip, EndedBy, Transmission

START = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)
OPENING = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="nfm",
    start_sample=0,
    stop_sample=0,
    start_utc=START,
    end_utc=START,
    clip_start_utc=START - timedelta(seconds=0.01),
    clip_end_utc=START,
    ended_by=EndedBy.STOPPED,
)
AUDIO = np.random.default_rng(3).integers(-9000, 9000, 1600, dtype=np.int16)
FULL = (
    "has no room left for clips; free some space: what was heard until now is kept "
    "and finished at the next start"
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ClipStore]:
    with ClipStore(tmp_path / "watch") as opened:
        yield opened


def finish(clip: OpenClip) -> Clip:
    return clip.finish(
        OPENING, first_frame=0, last_frame=clip.frames, carrier_up_frame=160, carrier_down_frame=clip.frames
    )


def heard(store: ClipStore, clip: Clip) -> np.ndarray:
    audio, _ = soundfile.read(store.folder / clip.path, dtype="int16")
    return np.asarray(audio)


def left_over(folder: Path) -> list[str]:
    """What stands among the unfinished clips, the lock aside."""
    return sorted(path.name for path in (folder / "unfinished").iterdir() if path.name != "lock")


class Disk:
    """Lets calls of one kind through until a chosen one, which fails; a write fails half done."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, call: str, fails_at: int, error: int) -> None:
        self.calls = 0
        self.repaired = False
        real: Callable[..., object] = getattr(os, call)

        def faulty(*arguments: object, **named: object) -> object:
            self.calls += 1
            if self.repaired or self.calls < fails_at:
                return real(*arguments, **named)
            if call == "write" and len(arguments[1]) > 1:  # type: ignore[arg-type]
                real(arguments[0], memoryview(arguments[1])[: len(arguments[1]) // 2])  # type: ignore[arg-type]
            raise OSError(error, os.strerror(error))

        monkeypatch.setattr(os, call, faulty)


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (errno.ENOSPC, FULL),
        (errno.EDQUOT, FULL),
        (errno.EIO, "cannot be read or written (Input/output error); check the disk and its cable"),
        (errno.EROFS, "may not be written; give permission on the folder and its files"),
        (errno.EACCES, "may not be written; give permission on the folder and its files"),
    ],
)
def test_a_failing_write_is_told_and_what_was_written_stays(
    store: ClipStore, monkeypatch: pytest.MonkeyPatch, error: int, told: str
) -> None:
    clip = store.open_clip(OPENING)
    clip.write(AUDIO)
    with monkeypatch.context() as patch:
        Disk(patch, "write", 1, error)
        with pytest.raises(StorageError) as caught:
            clip.write(AUDIO)
    assert str(caught.value) == f"{store.folder}: {told}"
    assert caught.value.exit_code == 4
    assert clip.frames == 1600
    (part,) = store.unfinished.glob("*.part")
    assert part.stat().st_size == len(WAV_HEADER) + 3200  # the half that was written is taken back
    clip.write(AUDIO)  # the disk has room again
    np.testing.assert_array_equal(heard(store, finish(clip)), np.tile(AUDIO, 2))


@pytest.mark.parametrize("call", ["open", "write", "replace"])
def test_a_clip_that_cannot_be_opened_leaves_nothing(
    store: ClipStore, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    for fails_at in range(1, 10):
        with monkeypatch.context() as patch:
            disk = Disk(patch, call, fails_at, errno.ENOSPC)
            try:
                clip = store.open_clip(OPENING)
            except StorageError as error:
                assert str(error) == f"{store.folder}: {FULL}"
                assert left_over(store.folder) == []
                continue
            assert disk.calls < fails_at
            clip.discard()
            break
    assert fails_at > 1


@pytest.mark.parametrize("call", ["open", "write", "fsync", "mkdir", "replace"])
@pytest.mark.parametrize("way_out", ["again", "next start"])
def test_a_clip_that_cannot_be_finished_is_finished_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, way_out: str
) -> None:
    for fails_at in range(1, 20):
        folder = tmp_path / f"{fails_at}"
        store = ClipStore(folder)
        clip = store.open_clip(OPENING)
        clip.write(AUDIO)
        with monkeypatch.context() as patch:
            Disk(patch, call, fails_at, errno.ENOSPC)
            try:
                finish(clip)
            except StorageError as error:
                assert str(error) == f"{folder}: {FULL}"
            else:
                store.close()
                break
        if way_out == "again":
            finished = finish(clip)
        else:
            store.close()
            store = ClipStore(folder)
            (finished,) = store.recover()
            assert store.problems == []
        np.testing.assert_array_equal(heard(store, finished), AUDIO)
        store.release(finished)
        assert left_over(folder) == []
        assert len(list(folder.rglob("*.flac"))) == 1  # also where only the last fsync had failed
        store.close()
    assert fails_at > 1


def test_one_clip_that_cannot_be_recovered_holds_up_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with ClipStore(tmp_path) as store:
        for second in range(3):
            later = OPENING.clip_start_utc + timedelta(seconds=second)
            store.open_clip(replace(OPENING, clip_start_utc=later)).write(AUDIO)
    with ClipStore(tmp_path) as store:
        with monkeypatch.context() as patch:
            disk = Disk(patch, "replace", 1, errno.EIO)
            real = store._recover_part

            def repaired_after_the_first(*arguments: object) -> object:
                try:
                    return real(*arguments)  # type: ignore[arg-type]
                finally:
                    disk.repaired = True

            patch.setattr(store, "_recover_part", repaired_after_the_first)
            clips = store.recover()
        (problem,) = store.problems
        assert problem == (
            "20310504T030200.990000Z_146520000_nfm_1_2 m calling.part is not finished yet: "
            f"{tmp_path}: cannot be read or written (Input/output error); check the disk and its cable"
        )
        assert len(clips) == 2
        (late,) = store.recover()  # the two that wait for their release are left in peace
        np.testing.assert_array_equal(heard(store, late), AUDIO)


def test_a_limit_of_the_system_is_a_full_disk(store: ClipStore) -> None:
    """No stand-in: the kernel refuses a file beyond the limit of the process."""
    clip = store.open_clip(OPENING)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_001, hard))
        for _ in range(6):
            clip.write(AUDIO)
        with pytest.raises(StorageError) as caught:
            clip.write(AUDIO)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert str(caught.value) == f"{store.folder}: {FULL}"
    np.testing.assert_array_equal(heard(store, finish(clip)), np.tile(AUDIO, 6))


def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    folder = tmp_path / "small"
    folder.mkdir()
    mount = shutil.which("mount")
    if (
        mount is None
        or subprocess.run(
            [mount, "-t", "tmpfs", "-o", "size=256k", "tmpfs", folder], capture_output=True, check=False
        ).returncode
    ):
        pytest.skip("only who may mount a small disk can fill it")
    try:
        with ClipStore(folder) as store:
            clip = store.open_clip(OPENING)
            with pytest.raises(StorageError, match="has no room left for clips"):
                while True:
                    clip.write(AUDIO)
            frames = clip.frames
            with pytest.raises(StorageError, match="has no room left for clips"):
                finish(clip)
            with pytest.raises(StorageError, match="has no room left for clips"):
                store.open_clip(OPENING)
        subprocess.run([mount, "-o", "remount,size=2m", folder], check=True)
        with ClipStore(folder) as store:
            (recovered,) = store.recover()
            assert frames > 30_000
            np.testing.assert_array_equal(heard(store, recovered), np.tile(AUDIO, frames // 1600))
    finally:
        subprocess.run(["umount", folder], check=True)


def _left_open(folder: Path) -> Path:
    """A clip that its watch was killed over; returns its audio file."""
    with ClipStore(folder) as store:
        store.open_clip(OPENING).write(AUDIO)
        (part,) = store.unfinished.glob("*.part")
    return part


def test_an_open_clip_is_recovered_as_far_as_it_came(tmp_path: Path) -> None:
    part = _left_open(tmp_path)
    with part.open("ab") as file:
        file.write(b"\x7f")  # half a frame
    asked = []

    def levelling(audio: np.ndarray, up_frame: int, down_frame: int) -> np.ndarray:
        asked.append((up_frame, down_frame))
        return audio

    with ClipStore(tmp_path) as store:
        (clip,) = store.recover(levelling)
        np.testing.assert_array_equal(heard(store, clip), AUDIO)
        assert clip.transmission == replace(
            OPENING,
            ended_by=EndedBy.RECOVERED,
            end_utc=START + timedelta(seconds=0.09),  # 100 ms of audio that begin 10 ms before the carrier
            clip_end_utc=START + timedelta(seconds=0.09),
        )
        assert asked == [(160, 1600)]
        assert store.recover() == []
        store.release(clip)
    assert left_over(tmp_path) == []


def test_final_facts_written_before_a_kill_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    final = replace(OPENING, ended_by=EndedBy.CARRIER_DROP, flags=("calling",))
    with ClipStore(tmp_path) as store:
        clip = store.open_clip(OPENING)
        clip.write(AUDIO)
        with monkeypatch.context() as patch:
            Disk(patch, "mkdir", 1, errno.EIO)
            with pytest.raises(StorageError):
                clip.finish(
                    final, first_frame=100, last_frame=1000, carrier_up_frame=160, carrier_down_frame=900
                )
    with ClipStore(tmp_path) as store:
        (recovered,) = store.recover()
        assert recovered.transmission == final
        np.testing.assert_array_equal(heard(store, recovered), AUDIO[100:1000])


@pytest.mark.parametrize("content", [None, b"", b"{", b'{"transmission": {}}', b"\xff\xfe" * 50])
def test_lost_facts_never_cost_the_audio(tmp_path: Path, content: bytes | None) -> None:
    side = _left_open(tmp_path).with_suffix(".part.json")
    if content is None:
        side.unlink()
    else:
        side.write_bytes(content)
    with ClipStore(tmp_path) as store:
        (clip,) = store.recover()
        np.testing.assert_array_equal(heard(store, clip), AUDIO)
        known = clip.transmission
        assert (known.channel, known.frequency_hz, known.mode) == ("2 m calling", 146_520_000, "nfm")
        assert (known.start_utc, known.ended_by) == (OPENING.clip_start_utc, EndedBy.RECOVERED)


def test_audio_of_a_strange_name_is_kept_too(tmp_path: Path) -> None:
    part = _left_open(tmp_path)
    part.with_suffix(".part.json").unlink()
    strange = part.rename(part.with_name("who knows.part"))
    os.utime(strange, (START.timestamp(), START.timestamp()))
    with ClipStore(tmp_path) as store:
        (clip,) = store.recover()
        np.testing.assert_array_equal(heard(store, clip), AUDIO)
        assert str(clip.path) == "2031-05-04/030200.900Z_0.000_unknown.flac"  # written last, 100 ms long


@pytest.mark.parametrize("size_bytes", [0, 20, len(WAV_HEADER), len(WAV_HEADER) + 1])
def test_a_clip_without_a_frame_is_none(tmp_path: Path, size_bytes: int) -> None:
    os.truncate(_left_open(tmp_path), size_bytes)
    with ClipStore(tmp_path) as store:
        assert store.recover() == []
    assert left_over(tmp_path) == []


@pytest.mark.parametrize(
    "path", ["../elsewhere.flac", "/elsewhere.flac", "2031-05-04", "unfinished/lock/x.flac"]
)
def test_a_path_in_the_facts_that_leads_elsewhere_is_not_followed(tmp_path: Path, path: str) -> None:
    folder = tmp_path / "watch"
    side = _left_open(folder).with_suffix(".part.json")
    side.write_text(json.dumps({**json.loads(side.read_text()), "path": path}))
    with ClipStore(folder) as store:
        (clip,) = store.recover()
        assert str(clip.path) == "2031-05-04/030201.000Z_146.520_2-m-calling.flac"
    assert [entry.name for entry in tmp_path.iterdir()] == ["watch"]


def test_a_foreign_file_of_the_same_name_is_not_taken_for_the_clip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with ClipStore(tmp_path) as store:
        clip = store.open_clip(OPENING)
        clip.write(AUDIO)
        with monkeypatch.context() as patch:
            Disk(patch, "mkdir", 1, errno.EIO)
            with pytest.raises(StorageError):
                finish(clip)
    foreign = tmp_path / "2031-05-04" / "030201.000Z_146.520_2-m-calling.flac"
    foreign.parent.mkdir()
    soundfile.write(foreign, AUDIO[:5], 16_000)
    with ClipStore(tmp_path) as store:
        (recovered,) = store.recover()
        assert recovered.path.name == "030201.000Z_146.520_2-m-calling_2.flac"
        np.testing.assert_array_equal(heard(store, recovered), AUDIO)
    assert len(soundfile.read(foreign)[0]) == 5


def test_a_name_that_another_clip_took_meanwhile_is_left_to_it(
    store: ClipStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = store.open_clip(OPENING), store.open_clip(OPENING)
    first.write(AUDIO)
    second.write(AUDIO[:10])
    with monkeypatch.context() as patch:
        Disk(patch, "mkdir", 1, errno.EIO)
        with pytest.raises(StorageError):
            finish(first)
    quick, late = finish(second), finish(first)
    assert quick.path != late.path
    np.testing.assert_array_equal(heard(store, quick), AUDIO[:10])
    np.testing.assert_array_equal(heard(store, late), AUDIO)


@pytest.mark.parametrize("error", [ValueError("too quiet"), ZeroDivisionError("nothing there")])
def test_a_levelling_that_fails_cannot_stop_a_start(tmp_path: Path, error: Exception) -> None:
    _left_open(tmp_path)

    def failing(audio: np.ndarray, up_frame: int, down_frame: int) -> np.ndarray:
        audio[:] = 0
        raise error

    with ClipStore(tmp_path) as store:
        (clip,) = store.recover(failing)
        np.testing.assert_array_equal(heard(store, clip), AUDIO)
        assert store.problems == [
            "20310504T030200.990000Z_146520000_nfm_1_2 m calling.part is kept as it came; "
            f"levelling it failed: {error}"
        ]


def test_a_folder_without_rights(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Disk(monkeypatch, "mkdir", 1, errno.EACCES)
    with pytest.raises(StorageError) as caught:
        ClipStore(tmp_path / "watch")
    assert str(caught.value) == (
        f"{tmp_path / 'watch'}: may not be written; give permission on the folder and its files"
    )
