"""Notices to the service manager, as sd_notify(3) and systemd.service(5) have them."""

from __future__ import annotations

import configparser
import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from watcher.watch.service import LONGEST_STATUS, ServiceNotices


class SteppedClock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def utc(self) -> datetime:
        return datetime(2031, 5, 4, tzinfo=UTC)

    def monotonic(self) -> float:
        return self.now_s

    def wait(self, event: threading.Event, seconds: float) -> bool:
        raise AssertionError(f"nothing here waits, and this would wait {seconds} s for {event}")


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """The socket of a manager and its name as `NOTIFY_SOCKET` has it."""
    named = str(tmp_path / "notify") if request.param == "path" else f"@midwatch-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(named.replace("@", "\0", 1) if named.startswith("@") else named)
        listening.setblocking(False)
        yield listening, named


def received(listening: socket.socket) -> list[str]:
    found = []
    while True:
        try:
            found.append(listening.recv(4096).decode())
        except BlockingIOError:
            return found


def test_the_life_of_a_watch_is_told(manager: tuple[socket.socket, str]) -> None:
    listening, named = manager
    clock = SteppedClock()
    notices = ServiceNotices(clock, {"NOTIFY_SOCKET": named})
    notices.ready("waiting for 03:00")
    notices.status("waiting for 03:00")  # the same again
    notices.status("window open,\nthree channels")
    notices.reloading()
    notices.ready("window open")
    notices.stopping()
    assert received(listening) == [
        "READY=1\nSTATUS=waiting for 03:00",
        "STATUS=window open, three channels",
        "RELOADING=1\nMONOTONIC_USEC=100000000",
        "READY=1\nSTATUS=window open",
        "STOPPING=1",
    ]


def test_the_watchdog_is_fed_only_while_everything_moves(manager: tuple[socket.socket, str]) -> None:
    listening, named = manager
    clock = SteppedClock()
    environ = {"NOTIFY_SOCKET": named, "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "77"}
    notices = ServiceNotices(clock, environ, pid=77)
    assert notices.watchdog_s == 60
    for _ in range(60):
        notices.feed(True)
        clock.now_s += 1
    assert received(listening) == ["WATCHDOG=1"] * 3  # at 0, 20 and 40 s
    for _ in range(600):
        notices.feed(False)
        clock.now_s += 1
    assert received(listening) == []
    notices.feed(True)
    assert received(listening) == ["WATCHDOG=1"]


@pytest.mark.parametrize(
    "said",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "78"},
    ],
)
def test_a_watchdog_that_is_not_ours_is_not_fed(
    manager: tuple[socket.socket, str], said: dict[str, str]
) -> None:
    listening, named = manager
    notices = ServiceNotices(SteppedClock(), {"NOTIFY_SOCKET": named, **said}, pid=77)
    notices.feed(True)
    assert notices.watchdog_s is None
    assert received(listening) == []


def test_without_a_manager_nothing_is_sent_and_nothing_fails(tmp_path: Path) -> None:
    for named in (
        {},
        {"NOTIFY_SOCKET": ""},
        {"NOTIFY_SOCKET": str(tmp_path / "nobody")},
        {"NOTIFY_SOCKET": "x"},
    ):
        notices = ServiceNotices(SteppedClock(), named)
        notices.ready("x")
        notices.stopping()


def test_a_manager_that_does_not_read_holds_nothing_up(manager: tuple[socket.socket, str]) -> None:
    listening, named = manager
    notices = ServiceNotices(SteppedClock(), {"NOTIFY_SOCKET": named})
    for number in range(3000):  # far over what a socket's queue takes
        notices.status(str(number))
    assert received(listening)[0] == "STATUS=0"


def test_a_status_is_one_short_line(manager: tuple[socket.socket, str]) -> None:
    listening, named = manager
    ServiceNotices(SteppedClock(), {"NOTIFY_SOCKET": named}).status("word\n" * 1000)
    (said,) = received(listening)
    assert "\n" not in said
    assert len(said) == len("STATUS=") + LONGEST_STATUS


def test_the_unit_says_what_the_watch_needs(checkout: Path) -> None:
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(checkout / "config" / "midwatch.service")
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["Restart"] == "on-failure"
    assert int(service["WatchdogSec"]) >= 30
    assert service["UnsetEnvironment"] == "LIBRTLSDR_OPT"
    assert " stand " in service["ExecStart"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this computer has no systemd-analyze")
def test_systemd_finds_nothing_wrong_with_the_unit(checkout: Path, tmp_path: Path) -> None:
    text = (checkout / "config" / "midwatch.service").read_text()
    copy = tmp_path / "midwatch.service"
    copy.write_text(
        text.replace("/opt/midwatch/bin/midwatch", "/bin/true")
    )  # it looks whether the program is there
    said = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy], capture_output=True, text=True, check=False
    )
    assert not [line for line in said.stderr.splitlines() if "midwatch.service" in line], said.stderr
