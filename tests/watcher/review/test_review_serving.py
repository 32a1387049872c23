"""From a folder to a page that answers, over real sockets of this machine."""

from __future__ import annotations

import base64
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.watcher.report.made_watch import PLAN, made_watch
from watcher.errors import StorageError, UsageProblem
from watcher.review.guard import LOOPBACK_NAMES
from watcher.review.serving import _listening, read_password, serve, settings_for
from watcher.utc import read_utc

SECRET = "brass lantern 7"
NOON = read_utc("2031-05-04T12:00:00Z")


@contextmanager
def served(checkout: Path, *options: object) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """`midwatch review` in a process of its own; its address, and itself."""
    command = [sys.executable, "-m", "watcher.cli", "review", *map(str, options), "--port", "0"]
    server = subprocess.Popen(
        command,
        cwd=checkout,
        env={**os.environ, "PYTHONWARNINGS": "error"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert server.stdout is not None
        found = re.search(r"http://\S+:\d+", server.stdout.readline())
        assert found is not None, server.communicate()
        yield found[0], server
    finally:
        server.send_signal(signal.SIGTERM)
        _, err = server.communicate(timeout=20)
        assert "Traceback" not in err, err


def status_of(address: str, password: str | None = None) -> int:
    headers = {}
    if password is not None:
        headers["Authorization"] = "Basic " + base64.b64encode(f":{password}".encode()).decode()
    try:
        with urllib.request.urlopen(urllib.request.Request(address, headers=headers), timeout=20) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.code


@pytest.mark.slow
def test_the_password_of_the_plan_opens_the_page_and_stands_nowhere_else(
    checkout: Path, tmp_path: Path
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(f'{PLAN}\n[review]\naddress = "0.0.0.0"\npassword = "{SECRET}"\n')
    plan.chmod(0o600)
    folder = made_watch(tmp_path / "watch")
    with served(checkout, folder, "--plan", plan) as (address, server):
        here = address.replace("0.0.0.0", "127.0.0.1")
        assert [status_of(here, offered) for offered in (None, "wrong guess", SECRET)] == [401, 401, 200]
        for shown in (Path(f"/proc/{server.pid}/cmdline"), Path(f"/proc/{server.pid}/environ")):
            assert SECRET.encode() not in shown.read_bytes()
        assert server.stdout is not None
        warning = server.stdout.readline()
        server.send_signal(signal.SIGTERM)
        out, err = server.communicate(timeout=20)
    assert "pass the network in the clear" in warning
    assert (out, err) == ("", "")


@pytest.mark.slow
def test_a_plan_others_can_read_is_told_and_a_file_goes_before_it(checkout: Path, tmp_path: Path) -> None:
    plan, file = tmp_path / "plan.toml", tmp_path / "password"
    plan.write_text(f'{PLAN}\n[review]\npassword = "{SECRET}"\n')
    plan.chmod(0o644)
    file.write_text("another lantern\nnot this line\n")
    file.chmod(0o600)
    folder = made_watch(tmp_path / "watch")
    with served(checkout, folder, "--plan", plan, "--password-file", file) as (address, server):
        assert [status_of(address, offered) for offered in (SECRET, "another lantern")] == [401, 200]
        server.send_signal(signal.SIGTERM)
        assert server.communicate(timeout=20)[1] == ""  # the plan's own password is not used
    with served(checkout, folder, "--plan", plan) as (address, server):
        assert status_of(address, SECRET) == 200
        server.send_signal(signal.SIGTERM)
        assert "others can read it; chmod 600" in server.communicate(timeout=20)[1]


@pytest.mark.slow
def test_it_ends_at_once_and_silently_though_a_page_waits_for_news(checkout: Path, tmp_path: Path) -> None:
    with served(checkout, made_watch(tmp_path)) as (address, server):
        with urllib.request.urlopen(f"{address}/news", timeout=20) as stream:
            assert stream.readline() == b"event: heard\n"
            server.send_signal(signal.SIGINT)
            assert server.wait(timeout=20) == 0
        assert server.communicate()[1] == ""


def test_a_loopback_address_is_asked_for_under_its_own_names_alone() -> None:
    assert settings_for("127.0.0.1", None).hosts == LOOPBACK_NAMES
    assert settings_for("127.0.0.9", None).hosts == LOOPBACK_NAMES | {"127.0.0.9"}
    assert settings_for("192.0.2.7", SECRET).hosts is None


@pytest.mark.parametrize(
    ("written", "read"),
    [(f"{SECRET}\n", SECRET), (f"  {SECRET}\r\nmore\n", SECRET), ("żółwie i my", "żółwie i my")],
)
def test_the_first_line_of_a_file_is_the_password(tmp_path: Path, written: str, read: str) -> None:
    path = tmp_path / "password"
    path.write_bytes(written.encode())
    assert read_password(path) == read


@pytest.mark.parametrize("written", [b"", b"\n\n", b"short\n", b"\xff\xfe\x00", b"x" * 300])
def test_what_is_no_password_is_refused_without_showing_it(tmp_path: Path, written: bytes) -> None:
    path = tmp_path / "password"
    path.write_bytes(written)
    with pytest.raises(UsageProblem, match="--password-file is") as refused:
        read_password(path)
    assert "short" not in str(refused.value)
    assert "xxx" not in str(refused.value)


def test_a_port_that_is_taken_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(
            UsageProblem, match=rf"--port is {port}: nothing can listen there on 127\.0\.0\.1"
        ):
            _listening("127.0.0.1", port)


@pytest.mark.parametrize("port", [-1, 65_536])
def test_a_port_beyond_is_told(port: int) -> None:
    with pytest.raises(UsageProblem, match=f"--port is {port}; it must be a whole number between 0"):
        _listening("127.0.0.1", port)


def test_a_folder_without_a_log_is_told_before_anything_is_said(tmp_path: Path) -> None:
    said: list[str] = []
    with pytest.raises(StorageError, match="no watch log"):
        serve(tmp_path, address="127.0.0.1", port=0, password=None, now_utc=lambda: NOON, say=said.append)
    assert said == []
