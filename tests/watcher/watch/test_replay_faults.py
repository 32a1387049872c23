"""Reading fails, writing fails, the log fails: what was heard before is kept, and the next start goes on."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.on_the_air import BEGAN_UTC, CENTRE_HZ, Recorded, call, listed, scene, speech, utc_at
from watcher.durable import write_all
from watcher.errors import RadioError, StorageError
from watcher.log.facts import WatchEndedBy
from watcher.log.reading import transmissions, watched_spans, watches
from watcher.log.writing import WatchLog
from watcher.plan.model import WatchPlan
from watcher.receive import clip_part, clips
from watcher.receive.records import EndedBy
from watcher.watch.replay import Outcome, replay

RATE_HZ = 48_000
ONE, TWO = listed(-12_500, name="one"), listed(6_250, name="two")
PLAN = WatchPlan(channels=(ONE, TWO))
SAMPLES = scene(
    RATE_HZ,
    8.0,
    call(ONE, 0.6, 1.6, 15.0, modulation=speech(1, seconds=1.0)),
    call(TWO, 2.0, 3.0, 20.0, modulation=speech(2, seconds=1.0)),
    call(ONE, 4.0, 7.0, 15.0, modulation=speech(3, seconds=1.0)),
    call(TWO, 4.5, 9.0, 15.0, modulation=speech(3, seconds=1.0)),
).render(np.random.default_rng(1))


def night(start_s: float = 0.0, **more: Any) -> Recorded:
    return Recorded([(utc_at(start_s), CENTRE_HZ, SAMPLES)], **more)


def logged_clips(folder: Path) -> dict[str, int]:
    """Path and length in frames of every clip that the log knows."""
    with WatchLog.open_to_read(folder) as log:
        return {
            str(one.clip_path): one.clip_audio_frames or 0
            for one in transmissions(log)
            if one.clip_path is not None
        }


def sound(folder: Path, *, at_rest: bool = True) -> None:
    """Every clip of the log is a whole file as long as its row says; at rest, every file has its row too."""
    rows = logged_clips(folder)
    files = {str(path.relative_to(folder)): soundfile.info(path).frames for path in folder.rglob("*.flac")}
    assert rows.items() <= files.items()
    if at_rest:
        assert files == rows


def only_watch(folder: Path, number: int = 0) -> tuple[WatchEndedBy | None, int | None]:
    with WatchLog.open_to_read(folder) as log:
        watch = watches(log)[number]
    return watch.ended_by, watch.samples_read


def parts(folder: Path) -> list[Path]:
    return sorted((folder / "unfinished").glob("*.part"))


def go_on(folder: Path, recovered: int) -> Outcome:
    """The next start finishes what was left and receives as if nothing had been."""
    outcome = replay(PLAN, [night(3600.0)], folder)
    assert outcome.recovered == recovered
    assert outcome.heard == 4
    assert not parts(folder)
    sound(folder)
    return outcome


# --- reading ------------------------------------------------------------------------------------------


def test_reading_that_fails_in_the_middle_keeps_what_was_heard(tmp_path: Path) -> None:
    with pytest.raises(RadioError, match=r"night\.wav: cannot be read any further"):
        replay(PLAN, [night(fails_at=20)], tmp_path)  # after 5 s: two calls over, two up
    assert only_watch(tmp_path) == (WatchEndedBy.FAILED, 5 * RATE_HZ)
    assert len(logged_clips(tmp_path)) == 4  # what was up is finished at once
    assert not parts(tmp_path)
    sound(tmp_path)
    go_on(tmp_path, recovered=0)
    with WatchLog.open_to_read(tmp_path) as log:
        ended = [one.transmission for one in transmissions(log)]
    broken = [one for one in ended if one.ended_by == EndedBy.STOPPED]
    assert {one.channel for one in broken} == {"one", "two"}
    for one in broken:
        assert utc_at(4.9) < one.end_utc <= utc_at(5.0)
    assert len(ended) == 2 + 2 + 4


def test_reading_that_fails_at_once_leaves_a_failed_watch(tmp_path: Path) -> None:
    with pytest.raises(RadioError):
        replay(PLAN, [night(fails_at=0)], tmp_path)
    assert only_watch(tmp_path) == (WatchEndedBy.FAILED, 0)
    go_on(tmp_path, recovered=0)


def test_mistake_of_ours_fails_the_watch_too(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError):
        replay(PLAN, [night(fails_at=20, failure=ZeroDivisionError())], tmp_path)
    assert only_watch(tmp_path)[0] == WatchEndedBy.FAILED
    go_on(tmp_path, recovered=2)


def test_time_watched_before_a_failure_is_in_the_log(tmp_path: Path) -> None:
    with pytest.raises(RadioError):
        replay(PLAN, [night(fails_at=20)], tmp_path)
    with WatchLog.open_to_read(tmp_path) as log:
        found = watched_spans(log)
    for channel in PLAN.channels:
        assert found[channel.name].seconds == pytest.approx(5.0)


# --- writing ------------------------------------------------------------------------------------------


class Failing:
    """Lets `good` calls through and fails every later one until it is mended."""

    def __init__(self, real: Callable[..., Any], good: int, number: int = errno.ENOSPC) -> None:
        self._real, self._good, self._errno = real, good, number
        self.calls = 0
        self.mended = False

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        self.calls += 1
        if self.calls > self._good and not self.mended:
            raise OSError(self._errno, "no room" if self._errno == errno.ENOSPC else "input/output error")
        return self._real(*arguments, **named)


@pytest.mark.parametrize("good", [0, 1, 5, 12])
@pytest.mark.parametrize("step", ["append", "make", "finish"])
def test_disk_that_fills_keeps_what_was_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, good: int, step: str
) -> None:
    room, name = {
        "append": (clip_part, "write_all"),
        "make": (clip_part, "write_whole"),
        "finish": (clips, "write_new"),
    }[step]
    failing = Failing(getattr(room, name), good)
    monkeypatch.setattr(room, name, failing)
    try:
        replay(PLAN, [night()], tmp_path)
    except StorageError as told:
        assert "has no room left for clips; free some space" in str(told)
        assert "\n" not in str(told)
        assert only_watch(tmp_path)[0] == WatchEndedBy.FAILED
    else:
        assert failing.calls <= good  # it never came to failing
    failing.mended = True
    sound(tmp_path, at_rest=False)  # a clip may be finished and its row still wait for the block's others
    left = [part for part in parts(tmp_path) if part.stat().st_size > 44]
    go_on(tmp_path, recovered=len(left))


def test_disk_with_errors_is_told_as_such(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    failing = Failing(write_all, 2, errno.EIO)
    monkeypatch.setattr(clip_part, "write_all", failing)
    with pytest.raises(
        StorageError, match=r"cannot be read or written \(input/output error\); check the disk"
    ):
        replay(PLAN, [night()], tmp_path)
    assert only_watch(tmp_path)[0] == WatchEndedBy.FAILED


@pytest.mark.parametrize("good", [0, 1, 2])
def test_log_that_fails_loses_no_clip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, good: int) -> None:
    """The row is the commit point: what has none is finished at the next start, from what it was made of."""
    real, calls = WatchLog.add_transmission, 0

    def failing(self: WatchLog, *arguments: Any) -> int:
        nonlocal calls
        calls += 1
        if calls > good:
            raise StorageError("watch log cannot be written")
        return real(self, *arguments)

    with monkeypatch.context() as broken:
        broken.setattr(WatchLog, "add_transmission", failing)
        with pytest.raises(StorageError, match="cannot be written"):
            replay(PLAN, [night()], tmp_path)
    assert only_watch(tmp_path)[0] == WatchEndedBy.FAILED
    rows = logged_clips(tmp_path)
    assert len(rows) == good
    unfinished = len(parts(tmp_path))
    go_on(tmp_path, recovered=unfinished)
    assert set(rows) < set(logged_clips(tmp_path))
    assert len(logged_clips(tmp_path)) == good + unfinished + 4


def test_unit_of_work_that_fails_is_undone_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two transmissions of one block, of which the second cannot be written: neither is in the log."""
    real = WatchLog.add_watched

    def failing(self: WatchLog, *arguments: Any) -> int:
        if arguments[1].channel == "two":
            raise StorageError("watch log cannot be written")
        return real(self, *arguments)

    with monkeypatch.context() as broken:
        broken.setattr(WatchLog, "add_watched", failing)
        with pytest.raises(StorageError):
            replay(PLAN, [night()], tmp_path)
    with WatchLog.open_to_read(tmp_path) as log:
        assert not watched_spans(log)
        assert len(list(transmissions(log))) == 3  # the fourth fell into the unit that failed
    go_on(tmp_path, recovered=1)


def test_failure_while_telling_of_a_failure_does_not_hide_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: Any) -> None:
        raise StorageError("the log is gone too")

    monkeypatch.setattr(WatchLog, "end_watch", failing)
    with pytest.raises(RadioError, match="cannot be read any further"):
        replay(PLAN, [night(fails_at=3)], tmp_path)


# --- what a watch that never ended leaves -------------------------------------------------------------


def test_watch_without_an_end_is_ended_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after a kill: nobody wrote that it ended."""
    with monkeypatch.context() as broken:
        broken.setattr(WatchLog, "end_watch", lambda *_: None)
        with pytest.raises(ZeroDivisionError):
            replay(PLAN, [night(fails_at=26, failure=ZeroDivisionError())], tmp_path)
    assert only_watch(tmp_path) == (None, None)
    go_on(tmp_path, recovered=2)
    with WatchLog.open_to_read(tmp_path) as log:
        broken_off, after = watches(log)
        mine = [one for one in transmissions(log) if one.watch_id == broken_off.watch_id]
    assert broken_off.ended_by == WatchEndedBy.BROKEN_OFF
    assert len(mine) == 4  # what was recovered belongs to the watch that heard it
    assert broken_off.ended_utc == max(one.transmission.end_utc for one in mine)
    assert after.ended_by == WatchEndedBy.END_OF_SAMPLES
    assert after.started_utc == utc_at(3600.0)
    assert broken_off.started_utc == BEGAN_UTC
