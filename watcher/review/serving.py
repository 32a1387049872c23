"""From a folder to a page that answers: the socket, the log, and the end of both."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path

import uvicorn

from watcher.errors import StorageError, UsageProblem
from watcher.log.search import state
from watcher.log.writing import WatchLog
from watcher.plan.review_rules import is_loopback, password_problem
from watcher.review.application import Settings, application
from watcher.review.guard import LOOPBACK_NAMES
from watcher.review.hearing_order import HearingOrder


def settings_for(address: str, password: str | None) -> Settings:
    """Who may ask at an address.

    Raises
    ------
    UsageProblem
        It is no address, or other machines can reach it and no password is set.
    """
    _version_of(address)
    if is_loopback(address):
        return Settings(LOOPBACK_NAMES | {address}, password)
    if password is None:
        raise UsageProblem(
            f"--address is {address}, which other machines can reach; it must be 127.0.0.1, or set password "
            "under [review] in the plan and give --plan PLAN"
        )
    return Settings(None, password)


def read_password(path: Path) -> str:
    """The first line of a file.

    Raises
    ------
    UsageProblem
        It cannot be read, or is no password.
    """
    try:
        password = path.read_text(encoding="utf-8").split("\n", 1)[0].strip()
    except (OSError, UnicodeDecodeError) as failure:
        raise UsageProblem(f"--password-file is {path}; it must be a text file that can be read") from failure
    problem = password_problem(password)
    if problem:
        raise UsageProblem(f"--password-file is {path} and its first line is not shown here; {problem}")
    return password


def serve(
    folder: Path,
    *,
    address: str,
    port: int,
    password: str | None,
    now_utc: Callable[[], datetime],
    say: Callable[[str], None],
) -> None:
    """Answer until SIGINT or SIGTERM.

    Parameters
    ----------
    folder : Path
    address, port : str, int
        Where to listen; port 0 for any free one.
    password : str or None
    now_utc : callable
        What time it is, for marks.
    say : callable
        Takes sentences for the terminal.

    Raises
    ------
    StorageError
        The folder holds no log that can be read.
    UsageProblem
        The address or the port cannot be used.
    """
    settings = settings_for(address, password)
    with closing(_listening(address, port)) as listener:
        try:
            log, may_change = WatchLog.open(folder, create=False), True
        except StorageError:
            log, may_change = WatchLog.open_to_read(folder), False
        with log, HearingOrder(folder) as order:
            pages = application(
                log, order, now_utc, settings, may_change=may_change, closing=lambda: server.should_exit
            )
            order.latest(state(log))  # begun before anybody asks
            host = f"[{address}]" if ":" in address else address
            say(f"review at http://{host}:{listener.getsockname()[1]}/ (Ctrl-C ends it)")
            if not may_change:
                say("the folder cannot be written: you can listen, but marks cannot be kept")
            if settings.hosts is None:
                say("the password and all you hear pass the network in the clear; use a network you trust")
            config = uvicorn.Config(
                pages,
                log_level="error",
                access_log=False,
                lifespan="off",
                ws="none",
                server_header=False,
                proxy_headers=False,
                limit_concurrency=64,
                timeout_graceful_shutdown=1,
            )
            server = uvicorn.Server(config)
            server.run(sockets=[listener])


def _version_of(address: str) -> int:
    """4 or 6, by which version of IP an address is."""
    try:
        return 4 if address == "localhost" else ipaddress.ip_address(address).version
    except ValueError as problem:
        raise UsageProblem(f"--address is {address}; it must be an IP address, like 127.0.0.1") from problem


def _listening(address: str, port: int) -> socket.socket:
    if not 0 <= port <= 65_535:
        raise UsageProblem(f"--port is {port}; it must be a whole number between 0 (any free one) and 65535")
    family = socket.AF_INET6 if _version_of(address) == 6 else socket.AF_INET
    try:
        return socket.create_server((address, port), family=family)
    except OSError as failure:
        raise UsageProblem(
            f"--port is {port}: nothing can listen there on {address} ({failure.strerror}); "
            "choose another, or 0 for any"
        ) from failure
