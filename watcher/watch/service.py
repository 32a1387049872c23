"""What the service manager is told: that the watch is ready, how it stands, and that it is alive.

A message is one datagram to the socket that `NOTIFY_SOCKET` names (systemd's manual pages sd_notify(3) and
systemd.service(5)). Without that variable nothing is sent. The watchdog is fed by the road the samples take,
never by a timer: a watch that hears nothing must not look alive.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from watcher.watch.clock import Clock

FEEDS_PER_PERIOD = 3
"""Twice as often as must be; systemd's own advice is half of the period (sd_watchdog_enabled(3))."""

LONGEST_STATUS = 200  # characters: one line of a terminal that is not too narrow


class ServiceNotices:
    """Notices to the service manager that started this process.

    Parameters
    ----------
    clock : Clock
    environ : mapping of str to str
    pid : int, optional
        Of this process: a watchdog that is meant for another is not fed.

    Notes
    -----
    A notice that cannot be delivered is lost without a word, as the protocol has it.
    """

    def __init__(self, clock: Clock, environ: Mapping[str, str] = os.environ, pid: int | None = None) -> None:
        self._clock = clock
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self._period_s = _watchdog_s(environ, os.getpid() if pid is None else pid)
        self._fed_at_s = float("-inf")
        self._status = ""

    @property
    def watchdog_s(self) -> float | None:
        """After how long without a feed the manager acts; None where it does not watch."""
        return self._period_s

    def ready(self, status: str) -> None:
        """The watch stands, or stands again after :meth:`reloading`."""
        self._status = _one_line(status)
        self._send(f"READY=1\nSTATUS={self._status}")

    def status(self, text: str) -> None:
        """How the watch stands, in one line; the same again is not sent."""
        if _one_line(text) != self._status:
            self._status = _one_line(text)
            self._send(f"STATUS={self._status}")

    def feed(self, sample_path_moved: bool) -> None:
        """Call it about every second: the watchdog is fed only if every part has moved since the last call.

        Parameters
        ----------
        sample_path_moved : bool
            Within a window: the radio's thread, the receiver and the log. Between windows: the loop itself.
        """
        if self._period_s is None or not sample_path_moved:
            return
        now_s = self._clock.monotonic()
        if now_s - self._fed_at_s >= self._period_s / FEEDS_PER_PERIOD:
            self._fed_at_s = now_s
            self._send("WATCHDOG=1")

    def reloading(self) -> None:
        """The plan is read anew; :meth:`ready` says that it is done."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={round(self._clock.monotonic() * 1e6)}")

    def stopping(self) -> None:
        """The watch ends; what is open is being finished."""
        self._send("STOPPING=1")

    def _send(self, notice: str) -> None:
        if self._address is None:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
                channel.setblocking(False)  # a manager that does not read must not hold up the watch
                channel.sendto(notice.encode(), self._address)
        except OSError:
            return


def _address(named: str) -> str | None:
    """The address of the socket: a path, or with @ a name in the abstract name space."""
    if named.startswith("@"):
        return "\0" + named[1:]
    return named if named.startswith("/") else None


def _watchdog_s(environ: Mapping[str, str], pid: int) -> float | None:
    period_us, meant_for = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not period_us.isdecimal() or int(period_us) == 0 or (meant_for and meant_for != str(pid)):
        return None
    return int(period_us) / 1e6


def _one_line(text: str) -> str:
    return " ".join(text.split())[:LONGEST_STATUS]
