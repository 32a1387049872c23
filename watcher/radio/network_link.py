"""The connection to a networked RTL-SDR, in the driver's own open protocol, on its own thread.

The server greets with 12 bytes (a mark, the kind of tuner, how many gains it has; numbers big-endian) and
sends 8-bit I and Q from then on. A command is one byte and a 32-bit number, big-endian; none is ever
answered, so that a refused command cannot be seen.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watcher.errors import RadioError
from watcher.radio.block_ring import BlockRing
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import Ending

MARK = b"RTL0"
GREETING = struct.Struct(">4sII")
COMMAND = struct.Struct(">BI")

SET_CENTRE, SET_RATE, SET_GAIN_BY_HAND, SET_GAIN, SET_PPM = 1, 2, 3, 4, 5
SET_CONVERTER_AGC, SET_DIRECT_SAMPLING, SET_GAIN_INDEX, SET_BIAS_TEE = 8, 9, 13, 14

GREETED_WITHIN_S = 2.5
"""Name look-up, connection and greeting together; a fault is told within 3 s."""

SOCKET_WAIT_S = 0.25


@dataclass(slots=True)
class _Outlet:
    """Where the samples go from `from_s` on, on the clock of the link."""

    ring: BlockRing
    ending: Ending
    from_s: float


class NetworkLink:
    """One connection; samples that nobody wants are read and dropped, so that none gets old on the way.

    Parameters
    ----------
    host, port : str, int
    label : str
        The radio, as a sentence begins with it.
    block_bytes : int
        Even: a block begins with an I.
    clock : callable
        Seconds that never step.
    """

    def __init__(
        self, host: str, port: int, label: str, block_bytes: int, clock: Callable[[], float]
    ) -> None:
        self._host = host
        self._port = port
        self._label = label
        self._clock = clock
        self._block = np.zeros(block_bytes, np.uint8)
        self._greeted = threading.Event()
        self._failure: RadioError | None = None
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._outlet: _Outlet | None = None
        self._ended: str | None = None
        self._closing = False
        self.tuner = 0
        self.gains = 0
        self._thread = threading.Thread(target=self._live, name=f"radio {label}", daemon=True)
        self._thread.start()

    def wait_for_greeting(self, within_s: float) -> None:
        """Until the server has said what it is, or that long.

        Raises
        ------
        RadioLost
            Nobody is there, or nobody speaks.
        RadioError
            What is there is no such receiver.
        """
        if not self._greeted.wait(within_s):
            self.close()
            raise RadioLost(
                f"{self._label} did not answer within {within_s:g} s; it may be off or serve another client"
            )
        if self._failure is not None:
            raise self._failure

    def send(self, command: int, number: int) -> None:
        """One command.

        Raises
        ------
        RadioLost
            The connection is gone.
        """
        with self._lock:
            if self._socket is None or self._ended is not None:
                raise RadioLost(f"{self._label} {self._ended or 'is not open; open it again'}")
            try:
                self._socket.sendall(COMMAND.pack(command, number & 0xFFFFFFFF))
            except OSError as failure:
                self._ended = f"takes no commands any more ({_reason(failure)})"
                raise RadioLost(f"{self._label} {self._ended}") from failure

    def attach(self, ring: BlockRing, ending: Ending, after_s: float) -> None:
        """Samples go into a ring from `after_s` seconds from now on."""
        with self._lock:
            if self._ended is None:
                self._outlet = _Outlet(ring, ending, self._clock() + after_s)
                return
        ending.cause = self._ended
        ending.ended.set()
        ring.end()

    def detach(self, ring: BlockRing) -> None:
        """The ring gets no more samples; one that was replaced already has none."""
        with self._lock:
            if self._outlet is not None and self._outlet.ring is ring:
                outlet, self._outlet = self._outlet, None
                outlet.ending.ended.set()
        ring.end()

    def close(self) -> None:
        """End the connection and its thread; never waits long for the other end."""
        self._closing = True
        with self._lock:
            if self._socket is not None:
                with contextlib.suppress(OSError):
                    self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(2 * SOCKET_WAIT_S)

    def _live(self) -> None:
        cause = "closed the connection"
        try:
            self._connect()
            self._greeted.set()
            while not self._closing:
                began_s = self._clock()
                if not self._fill(self._block):
                    break
                self._hand_on(began_s)
        except OSError as failure:
            cause = f"broke the connection ({_reason(failure)})"
        except BaseException as failure:  # noqa: BLE001 - told by the stream
            cause = f"could not be read on ({type(failure).__name__}: {failure})"
        with self._lock:
            self._ended = self._ended or f"{cause}; check the far end and the network between"
            outlet, self._outlet = self._outlet, None
            connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()
        if outlet is not None:
            outlet.ending.cause = self._ended
            outlet.ending.ended.set()
            outlet.ring.end()
        self._greeted.set()

    def _connect(self) -> None:
        try:
            connection = socket.create_connection((self._host, self._port), GREETED_WITHIN_S)
        except OSError as failure:
            self._failure = RadioLost(
                f"{self._label} cannot be reached ({_reason(failure)}); check that it is on and the address"
            )
            raise
        connection.settimeout(SOCKET_WAIT_S)
        with self._lock:
            self._socket = connection
        greeting = np.zeros(GREETING.size, np.uint8)
        if not self._fill(greeting):
            self._failure = RadioLost(
                f"{self._label} closed the connection at once; does it serve another client?"
            )
            self._closing = True
            return
        mark, self.tuner, self.gains = GREETING.unpack(greeting.tobytes())
        if mark != MARK:
            self._failure = RadioError(
                f"{self._label} is no networked RTL-SDR: it greets with {mark!r}, not with {MARK!r}; "
                "check the port"
            )
            self._closing = True

    def _fill(self, room: NDArray[np.uint8]) -> bool:
        """Fill all of it; False where the other end closed or this one is closing."""
        view = room.data
        have = 0
        while have < len(view) and not self._closing:
            connection = self._socket
            if connection is None:
                return False
            try:
                got = connection.recv_into(view[have:])
            except TimeoutError:
                continue
            if got == 0:
                return False
            have += got
        return have == len(view)

    def _hand_on(self, began_s: float) -> None:
        """Give a block on if all of it came late enough."""
        stamp_s = self._clock()
        with self._lock:
            outlet = self._outlet
            if outlet is not None and began_s >= outlet.from_s:
                outlet.ring.put(self._block, stamp_s)


def _reason(failure: OSError) -> str:
    return failure.strerror or str(failure) or type(failure).__name__
