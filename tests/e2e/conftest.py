"""The command line as a user meets it: words in, what was said, an exit code; and a night to replay."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from tests.on_the_air import BEGAN_UTC, CENTRE_HZ, call, listed, scene, speech
from watcher.radio.sigmf_writer import SigmfWriter

RATE_HZ = 48_000
PLAN = """\
[station]
name = "Corrin lookout"
time_zone = "America/Boise"

[[channel]]
name = "low"
frequency_mhz = 146.5075
mode = "nfm"
bandwidth_khz = 12.5

[[channel]]
name = "high, the loud one"
frequency_mhz = 146.52625
mode = "nfm"
bandwidth_khz = 12.5
expect_tone_hz = 100.0
"""
LOW, HIGH = listed(-12_500, name="low"), listed(6_250, name="high, the loud one")
CALLS = (
    (LOW, 0.6, 1.6, None),
    (HIGH, 1.0, 3.0, 100.0),
    (LOW, 2.2, 3.2, None),
    (HIGH, 4.0, 9.0, 100.0),
)
NIGHT_S = 5.0


@dataclass(frozen=True)
class Said:
    """What one command said."""

    code: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        """The one sentence of a command that failed as it should."""
        assert self.code != 0, self
        assert "Traceback" not in self.err, self.err
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert lines[0].startswith("midwatch: "), self.err
        assert self.out == ""
        return lines[0].removeprefix("midwatch: ")


def environment(checkout: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(checkout), "PYTHONWARNINGS": "error"}


@dataclass(frozen=True)
class Midwatch:
    """Runs commands in a folder."""

    server: subprocess.Popen[str]
    scratch: Path
    numbers: Iterator[int]
    checkout: Path

    def __call__(self, *arguments: object, cwd: Path | None = None, stdout: str | None = None) -> Said:
        """A command in a process forked off a waiting program."""
        number = next(self.numbers)
        out, err = self.scratch / f"{number}.out", self.scratch / f"{number}.err"
        request = {
            "arguments": [str(word) for word in arguments],
            "cwd": str(cwd or self.scratch),
            "stdin": os.devnull,
            "stdout": stdout or str(out),
            "stderr": str(err),
        }
        assert self.server.stdin is not None
        assert self.server.stdout is not None
        self.server.stdin.write(json.dumps(request) + "\n")
        self.server.stdin.flush()
        code = json.loads(self.server.stdout.readline())
        return Said(code, out.read_text() if stdout is None else "", err.read_text())

    def afresh(self, *arguments: object, cwd: Path | None = None) -> Said:
        """A command as the shell starts it."""
        done = subprocess.run(
            [sys.executable, "-m", "watcher.cli", *map(str, arguments)],
            cwd=cwd or self.scratch,
            env=environment(self.checkout),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        return Said(done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="session")
def midwatch(tmp_path_factory: pytest.TempPathFactory, checkout: Path) -> Iterator[Midwatch]:
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.e2e.cli_server"],
        cwd=checkout,
        env=environment(checkout),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    yield Midwatch(server, tmp_path_factory.mktemp("commands"), count(), checkout)
    assert server.stdin is not None
    assert server.stdout is not None
    server.stdin.close()
    server.stdout.close()
    assert server.wait(timeout=30) == 0


@pytest.fixture(scope="session")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plan") / "plan.toml"
    path.write_text(PLAN)
    return path


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five seconds with four calls, one of them up at the end; SigMF."""
    base = tmp_path_factory.mktemp("night") / "night"
    calls = [
        call(channel, start, stop, 18.0, modulation=speech(n, tone_hz=tone_hz, seconds=1.0))
        for n, (channel, start, stop, tone_hz) in enumerate(CALLS)
    ]
    with SigmfWriter(
        base, "ci16_le", RATE_HZ, "Four calls.", "https://creativecommons.org/publicdomain/zero/1.0/"
    ) as writer:
        writer.start_capture(CENTRE_HZ, BEGAN_UTC)
        for block in scene(RATE_HZ, NIGHT_S, *calls).blocks(np.random.default_rng(1)):
            writer.write(block.samples)
    return base.with_name("night.sigmf-meta")


@pytest.fixture(scope="session")
def replayed(midwatch: Midwatch, plan: Path, night: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a watch in it; nobody may change it."""
    folder = tmp_path_factory.mktemp("watch") / "log"
    said = midwatch("replay", plan, night, "--into", folder, "--quiet")
    assert (said.code, said.out, said.err) == (0, "", "")
    return folder


@pytest.fixture
def later(plan: Path, night: Path) -> str:
    """An instant in the middle of the night's recording, as a user writes it."""
    return (BEGAN_UTC + timedelta(seconds=2)).isoformat().replace("+00:00", "Z")
