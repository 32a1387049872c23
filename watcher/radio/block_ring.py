"""A bounded ring of byte blocks between the thread that reads a radio and the one that works on the samples.

The producer never waits for the consumer: a full ring gives up its oldest block and counts it. Positions
count every byte that came, so that the consumer sees a dropped block as a jump.
"""

from __future__ import annotations

import ctypes
import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class RingBlock:
    """One block as it came from the radio.

    Parameters
    ----------
    content : ndarray of uint8
        Valid until the next block is taken: the ring uses the room again.
    first_byte : int
        Count of bytes that came before this block, dropped ones included.
    stamp_s : float
        When the producer had it, on the producer's clock.
    """

    content: NDArray[np.uint8]
    first_byte: int
    stamp_s: float

    @property
    def stop_byte(self) -> int:
        """Count of bytes up to the end of this block."""
        return self.first_byte + len(self.content)


class BlockRing:
    """Room for a fixed number of blocks; one producer thread, one consumer thread.

    Parameters
    ----------
    block_bytes : int
        Largest block; shorter ones may come.
    blocks : int
        How many wait at most, at least 1.

    Notes
    -----
    All room is taken at the start, one block more than may wait: the consumer swaps the block it has worked
    on for the next one, so that taking copies nothing. The lock is held for one copy of a block by the
    producer, and for a swap by the consumer.
    """

    def __init__(self, block_bytes: int, blocks: int) -> None:
        if block_bytes < 1 or blocks < 1:
            raise ValueError(f"a ring of {blocks} blocks of {block_bytes} bytes; both must be at least 1")
        # Filled, not only asked for: the first round must not wait for pages of memory.
        self._slots = [np.full(block_bytes, 0xFF, np.uint8) for _ in range(blocks)]
        self._spare = np.full(block_bytes, 0xFF, np.uint8)
        self._sizes = [0] * blocks
        self._firsts = [0] * blocks
        self._stamps = [0.0] * blocks
        self._block_bytes = block_bytes
        self._changed = threading.Condition()
        self._written = 0
        self._taken = 0
        self._bytes = 0
        self._overruns = 0
        self._ended = False
        self._first_stamp_s: float | None = None
        self._first_size = 0
        self._last_stamp_s: float | None = None

    @property
    def overruns(self) -> int:
        """Blocks dropped because the consumer was late."""
        return self._overruns

    @property
    def first_arrival(self) -> tuple[float, int] | None:
        """Stamp and size in bytes of the very first block, also where it was dropped; None before it."""
        with self._changed:
            return None if self._first_stamp_s is None else (self._first_stamp_s, self._first_size)

    @property
    def last_stamp_s(self) -> float | None:
        """Stamp of the newest block; None before the first."""
        return self._last_stamp_s

    def put_from(self, address: int, size_bytes: int, stamp_s: float) -> None:
        """Copy one block out of foreign memory; never waits for the consumer.

        Parameters
        ----------
        address : int
            Of the first byte; the memory is free again on return.
        size_bytes : int
            What is beyond the block size of the ring is dropped, and shows as a jump.
        stamp_s : float
        """
        kept = min(size_bytes, self._block_bytes)
        with self._changed:
            if self._written - self._taken == len(self._slots):
                self._taken += 1
                self._overruns += 1
            slot = self._written % len(self._slots)
            ctypes.memmove(self._slots[slot].ctypes.data, address, kept)
            self._sizes[slot] = kept
            self._firsts[slot] = self._bytes
            self._stamps[slot] = stamp_s
            self._bytes += size_bytes
            self._written += 1
            if self._first_stamp_s is None:
                self._first_stamp_s, self._first_size = stamp_s, size_bytes
            self._last_stamp_s = stamp_s
            self._changed.notify()

    def put(self, content: NDArray[np.uint8], stamp_s: float) -> None:
        """The same for a contiguous array."""
        self.put_from(content.ctypes.data, content.nbytes, stamp_s)

    def clear(self) -> None:
        """Drop what waits; it shows as a jump and is no overrun."""
        with self._changed:
            self._taken = self._written

    def end(self) -> None:
        """No further block comes; who waits for one is woken."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    def take(self, timeout_s: float) -> RingBlock | None:
        """The oldest block, or None where none came in time or none will come any more."""
        with self._changed:
            if not self._changed.wait_for(self._has_news, timeout_s) or self._written == self._taken:
                return None
            slot = self._taken % len(self._slots)
            full, self._slots[slot] = self._slots[slot], self._spare
            self._spare = full
            self._taken += 1
            return RingBlock(full[: self._sizes[slot]], self._firsts[slot], self._stamps[slot])

    def _has_news(self) -> bool:
        return self._written > self._taken or self._ended
