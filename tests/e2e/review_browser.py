"""The review page served as a user serves it, and how the tests look at it in a browser."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

Error = pytest.importorskip("playwright.sync_api").Error
QUIET_BROWSER = [
    "--no-sandbox",  # the tests may run as root
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@contextmanager
def served(folder: Path, checkout: Path) -> Iterator[str]:
    """The address of `midwatch review FOLDER`, in a process of its own."""
    server = subprocess.Popen(
        [sys.executable, "-m", "watcher.cli", "review", str(folder), "--port", "0"],
        cwd=checkout,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert server.stdout is not None
        said = ""
        while not (found := re.search(r"http://127\.0\.0\.1:\d+", said)):
            line = server.stdout.readline()
            assert line, f"the page never came up: {said}"
            said += line
        yield found[0]
    finally:
        server.send_signal(signal.SIGTERM)
        server.communicate(timeout=20)


def eventually(page: Any, expression: str) -> None:
    """Asked from outside: the page's own policy forbids what the engine's waiting does inside."""
    for _ in range(400):
        try:
            if page.evaluate(expression):
                return
        except Error as failure:
            assert "context was destroyed" in str(failure)  # it is on its way to the next page
        page.wait_for_timeout(50)
    pytest.fail(f"never came true in 20 s: {expression}")
