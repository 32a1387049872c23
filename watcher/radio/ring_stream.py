"""The consumer's side of a live radio: bytes from the ring become blocks with honest sample counts."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from watcher.radio.block_ring import BlockRing, RingBlock
from watcher.radio.clocks import running_s, utc_now
from watcher.radio.live import RadioLost, StreamFacts
from watcher.radio.loss_clock import LOOK_BLOCKS, LossClock
from watcher.radio.sample_formats import SampleFormat, to_samples

STALL_S = 2.0
"""Silence after which a radio counts as stalled: 35 blocks at 2.4 MS/s, under the 3 s in which a fault is
told."""

RING_S = 3.5
"""How long the consumer may be late before blocks are dropped: 16 MiB at 2.4 MS/s."""

CLIPPING_MATTERS = 1e-4
"""Share of clipped samples over a whole stream from which a person should know."""


@dataclass(slots=True)
class Ending:
    """How the producer of a stream came to its end; `cause` is the end of a sentence, None where it was asked
    to."""

    ended: threading.Event
    cause: str | None = None


def block_bytes_for(sample_rate_hz: int, sample_bytes: int) -> int:
    """Bytes of one block: the largest power of two that lasts at most 0.11 s, 16 KiB to 256 KiB.

    A multiple of 512, as USB asks; 15 of them are 0.8 s of slack at 2.4 MS/s.
    """
    most = sample_rate_hz * sample_bytes * 11 // 100
    return min(max(1 << (most.bit_length() - 1), 1 << 14), 1 << 18)


def ring_for(sample_rate_hz: int, sample_bytes: int, block_bytes: int) -> BlockRing:
    """A ring that holds `RING_S` seconds."""
    return BlockRing(block_bytes, max(4, round(RING_S * sample_rate_hz * sample_bytes / block_bytes)))


class RingStream:
    """A :class:`~watcher.radio.live.LiveStream` over a ring that some thread fills.

    Parameters
    ----------
    ring : BlockRing
    sample_format : SampleFormat
        What the bytes stand for.
    sample_rate_hz, centre_hz : int
        As the radio really runs and is really tuned.
    label : str
        The radio, as a sentence begins with it.
    ending : Ending
        Set by the producer when it ends.
    end : callable
        Makes the producer end, within three seconds; may be called twice.
    least_loss_samples : int
        Below this, what the clock shows missing is taken for jitter.
    look_blocks : int
        More than the blocks that may be under way; see :class:`~watcher.radio.loss_clock.LossClock`.
    stall_s : float
    clock, now : callable
        Seconds on the producer's clock; the system clock.
    """

    def __init__(
        self,
        ring: BlockRing,
        sample_format: SampleFormat,
        *,
        sample_rate_hz: int,
        centre_hz: int,
        label: str,
        ending: Ending,
        end: Callable[[], None],
        least_loss_samples: int,
        look_blocks: int = LOOK_BLOCKS,
        stall_s: float = STALL_S,
        clock: Callable[[], float] = running_s,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        self._ring = ring
        self._format = sample_format
        self._rate_hz = sample_rate_hz
        self._centre_hz = centre_hz
        self._label = label
        self._ending = ending
        self._end = end
        self._stall_s = stall_s
        self._clock = clock
        self._now = now
        self._began_s = clock()
        self._losses = LossClock(sample_rate_hz, least_loss_samples, look_blocks)
        self._facts: StreamFacts | None = None
        self._over: str | None = None
        self._stopped = False
        self._next_byte = 0
        self._split: NDArray[np.uint8] = np.empty(0, np.uint8)
        self._unheard = 0
        self._samples = 0
        self._clipped = 0
        self._lost_by_clock = 0

    @property
    def facts(self) -> StreamFacts:
        """What the stream is like; known once the first block was read."""
        if self._facts is None:
            raise RuntimeError("the facts of a stream are known once its first block was read")
        return self._facts

    def read(self, timeout_s: float) -> IqBlock | None:
        """The next block, or None where none came in time or the stream was stopped."""
        if self._stopped:
            return None
        if self._over is not None:
            raise RadioLost(self._over)
        patience_s = self._stall_s - self._silent_s()
        taken = self._ring.take(max(0.0, min(timeout_s, patience_s)))
        if taken is not None:
            return self._block(taken)
        if self._ending.ended.is_set() and not self._stopped:
            if (last := self._ring.take(0)) is not None:  # it came between the two looks
                return self._block(last)
            self._lose(self._ending.cause or "stopped sending samples unasked; check its plug and cable")
        if self._silent_s() >= self._stall_s:
            self._lose(
                f"sent no samples for {self._stall_s:g} s; if it does so again, plug it in anew "
                "or use another port"
            )
        return None

    def stop(self) -> None:
        """End the stream; may be called twice."""
        self._stopped = True
        self._end()

    def skip_waiting(self) -> None:
        """Drop what has come and was not read; it counts as lost."""
        self._ring.clear()

    def notes(self) -> list[str]:
        """What was lost and what clipped so far, one sentence each."""
        told = []
        if self._ring.overruns:
            told.append(
                f"{self._label}: {self._ring.overruns} blocks were dropped because the watch was too slow to "
                "take them; a lower sample_rate_hz or fewer channels would help"
            )
        if self._lost_by_clock:
            told.append(
                f"{self._label}: {self._lost_by_clock} samples ({self._lost_by_clock / self._rate_hz:.2f} s) "
                "are missing by the clock; a direct port or a shorter cable may help"
            )
        if self.clipped_share > CLIPPING_MATTERS:
            told.append(
                f"{self._label}: {100 * self.clipped_share:.2g} % of the samples clipped; "
                "a lower gain_db is needed"
            )
        return told

    @property
    def clipped_share(self) -> float:
        """The share of all samples read so far that stand at the converter's limits."""
        return self._clipped / self._samples if self._samples else 0.0

    def _silent_s(self) -> float:
        last_s = self._ring.last_stamp_s
        return self._clock() - (self._began_s if last_s is None else last_s)

    def _lose(self, cause: str) -> None:
        self._over = f"{self._label} {cause}"
        self._end()
        raise RadioLost(self._over)

    def _block(self, taken: RingBlock) -> IqBlock | None:
        """The samples of what was taken; None where it did not complete a single one."""
        size = self._format.sample_bytes
        if self._facts is None:
            self._facts = StreamFacts(self._anchor_utc(), self._rate_hz, self._centre_hz)
        first_byte, content = taken.first_byte, taken.content
        if (
            first_byte != self._next_byte
        ):  # blocks were dropped: whole samples begin at multiples of their size
            self._split = np.empty(0, np.uint8)
            content = content[-first_byte % size :]
            first_byte += -first_byte % size
        elif len(self._split):
            content = np.concatenate((self._split, content))
            first_byte -= len(self._split)
        self._next_byte = taken.stop_byte
        whole = len(content) - len(content) % size
        self._split = content[whole:].copy()
        missing = self._losses.push(taken.stamp_s, taken.stop_byte // size)
        self._lost_by_clock += missing
        if not whole:
            return None
        samples, clipped = to_samples(content[:whole], self._format)
        first = first_byte // size + self._lost_by_clock
        lost, self._unheard = first - self._unheard, first + len(samples)
        self._samples += len(samples)
        self._clipped += clipped
        return IqBlock(samples, first, self._rate_hz, self._centre_hz, lost, clipped)

    def _anchor_utc(self) -> datetime:
        first = self._ring.first_arrival
        if first is None:  # a block was taken, so one has come
            raise RuntimeError("the ring gave a block and says that none came")
        stamp_s, size_bytes = first
        lasted_s = size_bytes / (self._format.sample_bytes * self._rate_hz)
        return self._now() - timedelta(seconds=self._clock() - stamp_s + lasted_s)
