"""Killed at any moment: every acknowledged frame is there at the next start, once.

The power cut is not tested: it needs hardware. What fsync promises is taken from the system.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile

from watcher.receive.clips import ClipStore, OpenClip
from watcher.receive.records import Clip, EndedBy, Transmission

START = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)


class Killed(BaseException):
    """Stands for the end of the process: no handler of ours runs on it."""


class Mortal:
    """Counts the steps that change the disk and dies at a chosen one.

    Dying closes all files, as the kernel does, and nothing done after it counts.
    """

    STEPS = ("open", "write", "fsync", "replace", "unlink", "mkdir")

    def __init__(self, monkeypatch: pytest.MonkeyPatch, dies_at: int, *, in_mid_write: bool = False) -> None:
        self.steps = 0
        self._dies_at = dies_at
        self._in_mid_write = in_mid_write
        self._open: set[int] = set()
        for name in self.STEPS:
            monkeypatch.setattr(os, name, self._counted(name, getattr(os, name)))
        close = os.close

        def closed(descriptor: int) -> None:
            if descriptor in self._open:
                self._open.remove(descriptor)
                close(descriptor)

        monkeypatch.setattr(os, "close", closed)

    def step(self) -> bool:
        """Whether this is the one."""
        self.steps += 1
        return self.steps == self._dies_at

    def die(self) -> None:
        for descriptor in list(self._open):
            os.close(descriptor)
        raise Killed

    def _counted(self, name: str, real: Callable[..., object]) -> Callable[..., object]:
        def counted(*arguments: object, **named: object) -> object:
            if self.step():
                if name == "write" and self._in_mid_write:
                    real(arguments[0], memoryview(arguments[1])[: len(arguments[1]) // 2 + 1])  # type: ignore[arg-type]
                self.die()
            if name == "fsync":
                return None  # hundreds of lives: the disk is spared
            done = real(*arguments, **named)
            if name == "open":
                self._open.add(done)  # type: ignore[arg-type]
            return done

        return counted


def facts(number: int) -> Transmission:
    start = START + timedelta(seconds=number)
    return Transmission(
        f"{number}", 146_520_000, "nfm", 0, 0, start, start, start, start, EndedBy.CARRIER_DROP
    )


def audio(number: int, frames: int = 300) -> np.ndarray:
    return np.random.default_rng(number).integers(-9999, 9999, frames, dtype=np.int16)


class Watch:
    """One watch folder and what the world outside knows: acknowledged frames, and rows of the log."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.acknowledged: dict[str, int] = {}
        self.rows: dict[Path, Clip] = {}

    def recover(self, step: Callable[[], None]) -> None:
        store = ClipStore(self.folder)
        for clip in store.recover():
            self._commit(store, clip, step)
        assert store.problems == []
        store.close()

    def stand(self, step: Callable[[], None]) -> None:
        """A finished clip, a discarded one, and one that is still on the air."""
        store = ClipStore(self.folder)
        whole, noise, open_one = (store.open_clip(facts(number)) for number in range(3))
        for clip, number in ((whole, 0), (noise, 1), (open_one, 2), (whole, 0), (open_one, 2)):
            self._write(clip, number)
        del self.acknowledged["1"]  # from here on it may go
        noise.discard()
        finished = whole.finish(
            facts(0),
            first_frame=0,
            last_frame=whole.frames,
            carrier_up_frame=0,
            carrier_down_frame=whole.frames,
        )
        self._commit(store, finished, step)
        open_one.update(facts(2))
        self._write(open_one, 2)
        store.close()

    def check(self) -> None:
        files = {path.relative_to(self.folder) for path in self.folder.rglob("*.flac")}
        assert files == self.rows.keys()
        by_channel = [clip.transmission.channel for clip in self.rows.values()]
        assert len(by_channel) == len(set(by_channel))
        for path, clip in self.rows.items():
            number = int(clip.transmission.channel)
            back, _ = soundfile.read(self.folder / path, dtype="int16")
            np.testing.assert_array_equal(back, np.tile(audio(number), 3)[: len(back)])
            assert len(back) == clip.audio_frames >= self.acknowledged.get(str(number), 0)
        assert self.acknowledged.keys() <= set(by_channel)
        assert [path.name for path in (self.folder / "unfinished").iterdir()] == ["lock"]

    def _write(self, clip: OpenClip, number: int) -> None:
        clip.write(audio(number))
        self.acknowledged[str(number)] = clip.frames

    def _commit(self, store: ClipStore, clip: Clip, step: Callable[[], None]) -> None:
        step()
        known = self.rows.setdefault(clip.path, clip)  # unique by path, as in the log
        assert known.sha256 == clip.sha256
        step()
        store.release(clip)


def live(
    watch: Callable[[Callable[[], None]], None], dies_at: int, *, in_mid_write: bool = False
) -> tuple[int, bool]:
    """Steps taken, and whether it died of them."""
    with pytest.MonkeyPatch.context() as patch:
        mortal = Mortal(patch, dies_at, in_mid_write=in_mid_write)

        def step() -> None:
            if mortal.step():
                mortal.die()

        try:
            watch(step)
        except Killed:
            return mortal.steps, True
        return mortal.steps, False


def immortal() -> None:
    """A step at which nobody dies."""


def lives(tmp_path: Path, *, in_mid_write: bool) -> Iterator[tuple[int, Watch]]:
    """A watch killed at its first step, at its second, and so on until it lives to its end."""
    for dies_at in range(1, 1000):
        watch = Watch(tmp_path / f"{dies_at}")
        _, died = live(watch.stand, dies_at, in_mid_write=in_mid_write)
        if not died:
            return
        yield dies_at, watch
    raise AssertionError("it never ends")


@pytest.mark.parametrize("in_mid_write", [False, True])
def test_a_kill_between_any_two_steps_loses_nothing(tmp_path: Path, in_mid_write: bool) -> None:
    deaths = 0
    for deaths, watch in lives(tmp_path, in_mid_write=in_mid_write):  # noqa: B007
        watch.recover(immortal)
        watch.check()
    assert deaths > 40  # every write, fsync, rename and deletion of three clips was one of them


@pytest.mark.slow
def test_a_kill_while_recovering_loses_nothing(tmp_path: Path) -> None:
    """Every step of the recovery after every few steps of the watch."""
    deaths = 0
    for dies_at, _ in lives(tmp_path / "first", in_mid_write=False):
        if dies_at % 11:
            continue
        for again_at in range(1, 200):
            watch = Watch(tmp_path / f"{dies_at}-{again_at}")
            live(watch.stand, dies_at)
            _, died = live(watch.recover, again_at)
            watch.recover(immortal)
            watch.check()
            if not died:
                break
            deaths += 1
    assert deaths > 60


@pytest.mark.slow
def test_kill_9_at_random_moments(tmp_path: Path, checkout: Path) -> None:
    finished = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("clip_killer.py")), str(tmp_path / "watch"), "20", "7"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(checkout)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert finished.returncode == 0, finished.stderr
    told = json.loads(finished.stdout)
    assert told["bad"] == []
    assert told["clips"] >= 20
    assert told["recovered"] >= 20
