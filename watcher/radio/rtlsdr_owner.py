"""The one thread that owns an RTL-SDR receiver, from opening to closing.

All calls of the driver that may last are made here; other threads post work, cancel a read under a lock, or
set a gain under the same lock. A thread that the driver never gives back is left behind: it closes the
receiver if it returns.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import TypeVar

from watcher.radio.block_ring import BlockRing
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import Ending
from watcher.radio.rtlsdr_library import DriverLibrary

WORK_S = 2.5
"""Longest wait for the driver; its own USB commands give up after 0.3 s each."""

CANCEL_EVERY_S = 0.02  # a read that is only just beginning refuses to be cancelled

Result = TypeVar("Result")


class Reading:
    """One read of the driver, from the thread that wants its samples."""

    def __init__(self, ring: BlockRing, ending: Ending) -> None:
        self.ring = ring
        self.ending = ending
        self.stop_wanted = False
        self.short_blocks = 0


class RtlSdrOwner:
    """A thread with one receiver.

    Parameters
    ----------
    driver : DriverLibrary
    label : str
        The receiver, as a sentence begins with it.
    clock : callable
        Stamps the blocks, seconds.
    wait_s : float
        Longest wait for any call of the driver.
    """

    def __init__(
        self, driver: DriverLibrary, label: str, clock: Callable[[], float], wait_s: float = WORK_S
    ) -> None:
        self._driver = driver
        self._label = label
        self._clock = clock
        self._wait_s = wait_s
        self._answers = True
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._lock = threading.Lock()
        self._device: int | None = None
        self._reading: Reading | None = None
        self._bias_tee = False
        self._thread = threading.Thread(target=self._live, name=f"radio {label}", daemon=True)
        self._thread.start()

    def work(self, job: Callable[[int], Result]) -> Result:
        """Do something with the opened receiver on its thread.

        Raises
        ------
        RadioLost
            The driver does not return; or what the job raises.
        """

        def with_device() -> Result:
            if self._device is None:
                raise RadioLost(f"{self._label} is not open; open it again")
            return job(self._device)

        return self._wait_for(with_device)

    def open(self, index: int) -> int:
        """Take the receiver of that index; the driver's code.

        Raises
        ------
        RadioLost
            The driver does not return.
        """

        def take() -> int:
            code, device = self._driver.open(index)
            if code >= 0:
                self._device = device
            return code

        return self._wait_for(take)

    def set_bias_tee(self) -> int:
        """Switch the antenna supply on; it goes off again before the receiver is given back."""
        self._bias_tee = True
        return self.work(lambda device: self._driver.set_bias_tee(device, on=True))

    def begin(self, reading: Reading, block_bytes: int) -> None:
        """Begin a read; returns at once."""
        self._jobs.put(lambda: self._read(reading, block_bytes))

    def end(self, reading: Reading) -> bool:
        """Cancel a read and wait for its end; False where the driver does not return."""
        reading.stop_wanted = True
        deadline_s = time.monotonic() + self._wait_s
        while time.monotonic() < deadline_s:
            with self._lock:
                if self._reading is reading and self._device is not None:
                    self._driver.cancel(self._device)
            if reading.ending.ended.wait(CANCEL_EVERY_S):
                return True
        self._answers = False
        return False

    def set_gain_while_reading(self, tenth_db: int) -> int:
        """Set a gain from the thread that reads the samples; the driver's code, 0 where the read is over."""
        with self._lock:  # the receiver cannot be closed meanwhile
            if self._reading is None or self._device is None:
                return 0
            return self._driver.set_gain(self._device, tenth_db)

    def give_back(self) -> bool:
        """Close the receiver and end the thread; False where the driver does not return."""
        reading = self._reading
        if self._answers and reading is not None:
            self.end(reading)
        self._jobs.put(None)
        if self._answers:
            self._thread.join(self._wait_s)
        return self.is_gone

    @property
    def is_gone(self) -> bool:
        """Is the receiver closed and the thread ended?"""
        return not self._thread.is_alive()

    def _wait_for(self, job: Callable[[], Result]) -> Result:
        future: Future[Result] = Future()

        def do() -> None:
            try:
                future.set_result(job())
            except BaseException as failure:  # noqa: BLE001 - raised again in the thread that asked
                future.set_exception(failure)

        self._jobs.put(do)
        try:
            return future.result(self._wait_s)
        except TimeoutError:
            self._answers = False
            self._jobs.put(None)  # if the driver ever returns, its thread closes the receiver
            raise RadioLost(
                f"{self._label} does not answer; unplug it, wait a few seconds and plug it in again"
            ) from None

    def _live(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()
        with self._lock:
            device, self._device = self._device, None
        if device is not None:
            if self._bias_tee:  # the supply stays on after closing otherwise
                self._driver.set_bias_tee(device, on=False)
            self._driver.close(device)

    def _read(self, reading: Reading, block_bytes: int) -> None:
        device = self._device
        driver = self._driver
        ring = reading.ring
        clock = self._clock

        def arrived(address: int | None, size_bytes: int, _context: int | None) -> None:
            # An exception here would be printed and forgotten by ctypes while the read goes on.
            try:
                if address is not None and size_bytes:
                    ring.put_from(address, size_bytes, clock())
                if size_bytes != block_bytes:
                    reading.short_blocks += 1
            except BaseException as failure:  # noqa: BLE001 - told by the stream
                reading.ending.cause = _could_not(failure)
                reading.stop_wanted = True
                if device is not None:
                    driver.cancel(device)

        code = 0
        try:
            if device is None:
                reading.ending.cause = "was closed before its stream began"
            elif not reading.stop_wanted:
                with self._lock:
                    self._reading = reading
                code = driver.read(device, arrived, block_bytes)
        except BaseException as failure:  # noqa: BLE001 - told by the stream; the thread must live to close
            reading.ending.cause = _could_not(failure)
        finally:
            with self._lock:
                self._reading = None
            if not reading.stop_wanted and reading.ending.cause is None:
                # The driver returns 0 as well as an error where the receiver was pulled out.
                how = f" (driver code {code})" if code else ""
                reading.ending.cause = f"went away while it was read{how}; check its plug and its cable"
            reading.ending.ended.set()
            ring.end()


def _could_not(failure: BaseException) -> str:
    return f"could not be read on ({type(failure).__name__}: {failure})"
