"""Live audio: which channel is heard, what is dropped, and a computer without sound."""

from __future__ import annotations

import builtins
import subprocess
import sys
import threading
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from watcher.watch import listening
from watcher.watch.listening import AUDIO_RATE_HZ, HOLD_S, LEAD_S, Listening, LiveQueue

LEAD = round(LEAD_S * AUDIO_RATE_HZ)


class StandingClock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def utc(self) -> datetime:
        return datetime(2031, 5, 4, tzinfo=UTC)

    def monotonic(self) -> float:
        return self.now_s

    def wait(self, event: threading.Event, seconds: float) -> bool:
        return event.wait(0)


def audio(value: int, frames: int = 1600) -> np.ndarray[Any, np.dtype[np.int16]]:
    return np.full(frames, value, np.int16)


def played(queue: LiveQueue, frames: int) -> list[int]:
    """What the next frames sound like: every value that follows another once."""
    out = np.full(frames, -1, np.int16)
    queue.fill(out)
    return [int(out[0]), *(int(b) for a, b in pairwise(out) if a != b)]


def test_audio_comes_out_as_it_went_in_and_silence_follows() -> None:
    queue = LiveQueue()
    ramp = np.arange(1, 5001, dtype=np.int16)
    for first in range(0, 5000, 700):
        assert queue.offer("a", 5, ramp[first : first + 700], 0.0)
    out = np.full(LEAD + 6000, -1, np.int16)
    filled = sum(queue.fill(part) for part in np.array_split(out, 13))
    assert filled == LEAD + 5000
    assert not out[:LEAD].any()
    np.testing.assert_array_equal(out[LEAD : LEAD + 5000], ramp)
    assert not out[LEAD + 5000 :].any()


def test_a_higher_priority_takes_over_at_once() -> None:
    queue = LiveQueue()
    queue.offer("low", 5, audio(5), 0.0)
    assert queue.offer("high", 1, audio(1), 0.1)
    assert queue.channel == "high"
    assert played(queue, LEAD + 3200) == [0, 1, 0]
    assert not queue.offer("low", 5, audio(5), 0.2)


@pytest.mark.parametrize("priority", [3, 4, 9])
def test_an_equal_or_lower_one_waits_until_the_channel_is_off_the_air(priority: int) -> None:
    queue = LiveQueue()
    queue.offer("first", 3, audio(3), 0.0)
    assert not queue.offer("other", priority, audio(9), HOLD_S - 0.01)
    assert queue.offer("first", 3, audio(3), HOLD_S - 0.01)
    assert not queue.offer("other", priority, audio(9), HOLD_S + 0.1)
    assert queue.offer("other", priority, audio(9), 2 * HOLD_S)
    assert queue.channel == "other"


def test_what_waits_too_long_is_dropped_the_oldest_first() -> None:
    queue = LiveQueue(longest_waiting_s=1.0)
    for value in range(1, 31):  # three seconds of tenths
        queue.offer("a", 1, audio(value), 0.0)
    assert queue.dropped_frames == LEAD + 3 * AUDIO_RATE_HZ - AUDIO_RATE_HZ
    assert played(queue, 2 * AUDIO_RATE_HZ) == [*range(21, 31), 0]


def test_a_piece_longer_than_the_queue_leaves_its_end() -> None:
    queue = LiveQueue(longest_waiting_s=0.1)
    queue.offer("a", 1, np.arange(5000, dtype=np.int16), 0.0)
    out = np.zeros(1600, np.int16)
    assert queue.fill(out) == 1600
    np.testing.assert_array_equal(out, np.arange(3400, 5000))


def test_cleared_it_is_silent_and_free_for_all() -> None:
    queue = LiveQueue()
    queue.offer("a", 1, audio(1), 0.0)
    queue.clear()
    assert played(queue, 100) == [0]
    assert queue.offer("b", 9, audio(9), 0.0)


def test_a_computer_without_the_library_is_one_sentence_a_window(monkeypatch: pytest.MonkeyPatch) -> None:
    imported = builtins.__import__

    def without(name: str, *told: Any, **more: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")  # what sounddevice raises then
        return imported(name, *told, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    live = Listening(StandingClock())
    for window in (1, 2):
        live.open()
        assert live.settled(10)
        live.offer("a", 1, audio(1))
        assert not live.sounds
        assert live.problems == window * [
            "live audio: this computer has no PortAudio library; install it, or take [listen] out of the plan"
        ]
        live.close()
        assert live.settled(10)


class Library:
    """Stands for the sound library where the test is about what the watch does with its failures."""

    class PortAudioError(Exception):
        pass

    def __init__(self, failure: Exception | None = None) -> None:
        self.failure = failure
        self.opened: list[dict[str, Any]] = []
        self.closed = 0

    def OutputStream(self, **said: Any) -> Any:
        if self.failure is not None:
            raise self.failure
        self.opened.append(said)
        return self

    def start(self) -> None:
        """A stream that plays."""

    def close(self, ignore_errors: bool) -> None:
        assert ignore_errors
        self.closed += 1
        self.opened[-1]["finished_callback"]()


def use(monkeypatch: pytest.MonkeyPatch, library: Library) -> None:
    monkeypatch.setattr(listening, "_library", lambda: library)


def test_no_device_is_one_sentence_and_is_tried_again_at_the_next_window(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    library = Library(Library.PortAudioError("Error querying device -1\nmore"))
    use(monkeypatch, library)
    live = Listening(StandingClock(), "desk")
    live.open()
    assert live.settled(10)
    for _ in range(100):
        live.offer("a", 1, audio(1))
    assert live.problems == [
        'live audio: device "desk" cannot be used (Error querying device -1); '
        "it is tried again at the next window"
    ]
    live.close()
    library.failure = None
    live.open()
    assert live.settled(10)
    assert live.sounds
    assert library.opened[0]["device"] == "desk"


def test_a_device_that_goes_away_is_one_sentence_and_comes_back_with_the_next_window(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    library = Library()
    use(monkeypatch, library)
    live = Listening(StandingClock())
    live.open()
    assert live.settled(10)
    library.opened[-1]["finished_callback"]()
    assert not live.sounds
    for _ in range(100):
        live.offer("a", 1, audio(1))
    assert live.settled(10)
    assert live.problems == ["live audio: the sound device went away; it is tried again at the next window"]
    assert library.closed == 1
    live.open()
    assert live.settled(10)
    assert live.sounds
    live.close()
    assert live.settled(10)
    assert not live.sounds
    assert library.closed == 2


def test_a_sound_server_that_hangs_holds_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    library, go = Library(), threading.Event()
    monkeypatch.setattr(library, "start", lambda: go.wait(20))
    use(monkeypatch, library)
    live = Listening(StandingClock())
    live.open()
    live.offer("a", 1, audio(1))
    live.close()
    assert not live.settled(0.01)
    go.set()
    assert live.settled(10)
    assert not live.sounds


def test_the_callback_gets_what_was_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    library = Library()
    use(monkeypatch, library)
    live = Listening(StandingClock())
    live.open()
    assert live.settled(10)
    live.offer("a", 1, audio(7))
    out = np.full((LEAD + 1600 + 10, 1), -1, np.int16)
    library.opened[0]["callback"](out, len(out), None, None)
    assert (out[:LEAD] == 0).all()
    assert (out[LEAD : LEAD + 1600] == 7).all()
    assert (out[LEAD + 1600 :] == 0).all()
    assert (library.opened[0]["samplerate"], library.opened[0]["channels"]) == (AUDIO_RATE_HZ, 1)


def test_audio_goes_through_a_real_output_path_bit_by_bit(tmp_path: Path) -> None:
    """PortAudio over ALSA's file plugin, in a process of its own: ALSA reads its configuration once."""
    try:
        import sounddevice  # noqa: F401
    except OSError as failure:
        pytest.skip(f"this computer cannot play: {failure}")
    (tmp_path / ".asoundrc").write_text(
        "pcm.quiet { type null }\n"
        f'pcm.!default {{ type file slave.pcm "quiet" file "{tmp_path}/out.raw" format "raw" }}\n'
    )
    code = (
        "import numpy as np, sys, time\n"
        "from watcher.watch.clock import SystemClock\n"
        "from watcher.watch.listening import Listening\n"
        "live = Listening(SystemClock())\n"
        "live.open()\n"
        "assert live.settled(20)\n"
        "if not live.sounds: sys.exit(f'no sound: {live.problems}')\n"
        "live.offer('a', 1, np.arange(1, 8001, dtype=np.int16))\n"
        "until = time.monotonic() + 20\n"
        "while live._queue._frames and time.monotonic() < until: time.sleep(0.005)\n"
        "live.close()\n"
        "assert live.settled(20)\n"
    )
    finished = subprocess.run(
        [sys.executable, "-c", code],
        env={"HOME": str(tmp_path), "PYTHONPATH": str(Path(listening.__file__).parents[2])},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    if "no sound" in finished.stderr:
        pytest.skip(f"ALSA's file plugin is not to be had here: {finished.stderr.strip()[-200:]}")
    assert finished.returncode == 0, finished.stderr
    heard = np.fromfile(tmp_path / "out.raw", np.int16)
    (first,) = np.flatnonzero(heard == 1)[:1]
    np.testing.assert_array_equal(heard[first : first + 8000], np.arange(1, 8001))
    assert np.count_nonzero(heard) == 8000
