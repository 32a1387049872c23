"""A replay killed at any moment: every committed clip is there, every open one is recovered, once."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest


def kill(folder: Path, checkout: Path, kills: int, seed: int) -> dict[str, object]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.watcher.watch.replay_killer", str(folder), str(kills), str(seed)],
        cwd=checkout,
        env={**os.environ, "PYTHONPATH": str(checkout)},
        capture_output=True,
        text=True,
        timeout=60 + 10 * kills,
        check=True,
    )
    said: dict[str, object] = json.loads(done.stdout)
    return said


def test_a_handful_of_kills_lose_nothing(tmp_path: Path, checkout: Path) -> None:
    said = kill(tmp_path, checkout, kills=6, seed=1)
    assert said["bad"] == []
    assert isinstance(said["recovered"], int)
    assert said["recovered"] > 0


@pytest.mark.soak
def test_many_kills_lose_nothing(tmp_path: Path, checkout: Path) -> None:
    assert kill(tmp_path, checkout, kills=100, seed=2)["bad"] == []
