"""Live audio for whoever sits by: the channel of highest priority that is on the air, silence otherwise.

The watch never waits for it. The receiver offers audio and goes on; a callback of the sound library takes it.
Where there is no sound card, or it goes away, that is one sentence and a silent loudspeaker until the next
window.
"""

from __future__ import annotations

import threading
from collections import deque
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from watcher.watch.clock import Clock

AUDIO_RATE_HZ = 16_000
LONGEST_WAITING_S = 2.0  # audio that waits beyond this is dropped, the oldest first
HOLD_S = 1.5
"""A channel that has offered nothing for this long is off the air and others may be heard. Longer than the
receiver takes between two pieces of one transmission (judgement, no source)."""

LEAD_S = 0.3
"""Silence before the first audio after a pause: pieces may come so much late without tearing a word (the
receiver works in blocks of a tenth of a second or so; judgement)."""

Audio = NDArray[np.int16]

_LEAD = np.zeros(round(LEAD_S * AUDIO_RATE_HZ), np.int16)


class LiveQueue:
    """What is to be heard next: one channel at a time, in bounded memory. Thread-safe.

    Parameters
    ----------
    longest_waiting_s : float
        Of audio; what is older goes.
    """

    def __init__(self, longest_waiting_s: float = LONGEST_WAITING_S) -> None:
        self._most_frames = round(longest_waiting_s * AUDIO_RATE_HZ)
        self._lock = threading.Lock()
        self._pieces: deque[Audio] = deque()
        self._frames = 0
        self._channel: str | None = None
        self._priority = 0
        self._offered_at_s = float("-inf")
        self.dropped_frames = 0

    @property
    def channel(self) -> str | None:
        """Whose audio waits or was played last."""
        return self._channel

    def offer(self, channel: str, priority: int, audio: Audio, now_s: float) -> bool:
        """Audio of one channel; whether it is the one that is heard.

        Parameters
        ----------
        channel : str
        priority : int
            1 is the highest. A higher one takes over at once; an equal or lower one waits until the present
            channel has been off the air for `HOLD_S`.
        audio : ndarray of int16, shape (n,)
            At `AUDIO_RATE_HZ`. It is not copied and must not be changed afterwards.
        now_s : float
            Monotonic.
        """
        with self._lock:
            if channel != self._channel:
                free = now_s - self._offered_at_s >= HOLD_S
                if not free and priority >= self._priority:
                    return False
                self._pieces.clear()
                self._frames = 0
            self._channel, self._priority, self._offered_at_s = channel, priority, now_s
            if not self._frames:
                self._append(_LEAD)
            self._append(audio)
            while self._frames > self._most_frames:
                over = self._frames - self._most_frames
                first = self._pieces.popleft()
                if len(first) > over:
                    self._pieces.appendleft(first[over:])
                gone = min(over, len(first))
                self._frames -= gone
                self.dropped_frames += gone
            return True

    def fill(self, out: Audio) -> int:
        """Put what waits into `out`, shape (n,), and silence behind it; how many frames had waited."""
        filled = 0
        with self._lock:
            while filled < len(out) and self._pieces:
                first = self._pieces.popleft()
                part = first[: len(out) - filled]
                out[filled : filled + len(part)] = part
                filled += len(part)
                if len(part) < len(first):
                    self._pieces.appendleft(first[len(part) :])
            self._frames -= filled
        out[filled:] = 0
        return filled

    def _append(self, audio: Audio) -> None:
        self._pieces.append(audio)
        self._frames += len(audio)

    def clear(self) -> None:
        """Nothing waits any more, and any channel may be heard."""
        with self._lock:
            self._pieces.clear()
            self._frames, self._channel, self._offered_at_s = 0, None, float("-inf")


class Listening:
    """The loudspeaker of the watch.

    Parameters
    ----------
    clock : Clock
    device : str or None
        Name of a sound device, or part of it; None for the system's own choice.

    Notes
    -----
    The device is opened and closed by threads of their own: a sound server that hangs must not hold up the
    watch. `problems` holds sentences for the log, one for each window without sound; whoever tells them may
    clear it.
    """

    def __init__(self, clock: Clock, device: str | None = None) -> None:
        self.problems: list[str] = []
        self._clock = clock
        self._device = device
        self._queue = LiveQueue()
        self._wanted = False
        self._turn = threading.Lock()  # of whoever opens or closes the device
        self._stream: Any = None
        self._ended = threading.Event()  # the device went away by itself
        self._working: threading.Thread | None = None

    @property
    def sounds(self) -> bool:
        """Whether a device plays."""
        return self._stream is not None and not self._ended.is_set()

    @property
    def channel(self) -> str | None:
        """Which channel is heard, or was last."""
        return self._queue.channel

    def open(self) -> None:
        """Take the device, at the start of a window. Returns at once and never fails."""
        self._wanted = True
        self._work()

    def offer(self, channel: str, priority: int, audio: Audio) -> None:
        """Audio of one channel that is on the air, from the receiver; returns at once.

        Parameters
        ----------
        channel : str
        priority : int
            1 is the highest.
        audio : ndarray of int16, shape (n,)
            At 16 kHz; it must not be changed afterwards.
        """
        if self._stream is None or not self._wanted:
            return
        if self._ended.is_set():
            self._tell("the sound device went away; it is tried again at the next window")
            self.close()
            return
        self._queue.offer(channel, priority, audio, self._clock.monotonic())

    def close(self) -> None:
        """Give the device back, at the end of a window. Returns at once; may be called twice."""
        self._wanted = False
        self._queue.clear()
        self._work()

    def settled(self, timeout_s: float) -> bool:
        """Wait until the device is opened or closed as asked for; whether it is."""
        if self._working is not None:
            self._working.join(timeout_s)
            return not self._working.is_alive()
        return True

    def _work(self) -> None:
        self._working = threading.Thread(target=self._settle, name="live-audio", daemon=True)
        self._working.start()

    def _settle(self) -> None:
        with self._turn:
            if self._stream is not None and (not self._wanted or self._ended.is_set()):
                stream, self._stream = self._stream, None
                stream.close(ignore_errors=True)
            if self._stream is None and self._wanted:
                self._open_now()

    def _open_now(self) -> None:
        library = _library()
        if library is None:
            self._tell("this computer has no PortAudio library; install it, or take [listen] out of the plan")
            return
        stream: Any = None
        try:
            self._ended.clear()
            stream = library.OutputStream(
                samplerate=AUDIO_RATE_HZ,
                channels=1,
                dtype="int16",
                device=self._device,
                latency="high",
                callback=self._play,
                finished_callback=self._ended.set,
            )
            stream.start()
        except (library.PortAudioError, ValueError) as failure:
            if stream is not None:
                stream.close(ignore_errors=True)
            what = "the system's own device" if self._device is None else f'device "{self._device}"'
            why = str(failure).partition("\n")[0]
            self._tell(f"{what} cannot be used ({why}); it is tried again at the next window")
            return
        self._queue.clear()
        self._stream = stream

    def _play(self, out: Any, frames: int, time: Any, status: Any) -> None:
        """The callback of the sound library: no disk, no log, and the lock is held for microseconds."""
        self._queue.fill(out[:, 0])

    def _tell(self, sentence: str) -> None:
        self.problems.append(f"live audio: {sentence}")


def _library() -> ModuleType | None:
    """The sound library; None where it, or PortAudio below it, is not installed."""
    try:
        import sounddevice  # noqa: PLC0415 - it raises OSError where the computer has no PortAudio
    except (ImportError, OSError):
        return None
    return sounddevice  # type: ignore[no-any-return]
