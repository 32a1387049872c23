"""A few seconds of coverage-guided fuzzing at every door; `make fuzz` goes on for as long as asked.

Expected of a door: it takes the bytes, or refuses them in readable sentences. See tests/fuzz/targets.py.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.targets import TARGETS, attempt

SECONDS = 4


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_are_taken_or_refused(name: str, tmp_path: Path) -> None:
    """Without a fuzzer too: the seeds and what is left when they are cut."""
    for seed in TARGETS[name].seeds():
        for length in {len(seed), len(seed) // 2, 7, 0}:
            TARGETS[name].attack(seed[:length], tmp_path)


def test_a_defect_would_be_seen() -> None:
    with pytest.raises(ZeroDivisionError):
        attempt(lambda: 1 / 0)


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_fuzzer_finds_nothing_at_once(name: str, tmp_path: Path, checkout: Path) -> None:
    pytest.importorskip("atheris")
    command = [sys.executable, "tests/fuzz/run.py", name, f"--seconds={SECONDS}", f"--into={tmp_path}"]
    done = subprocess.run(command, cwd=checkout, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    assert "Done" in done.stderr, done.stderr[-1000:]
