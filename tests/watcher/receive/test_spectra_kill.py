"""Kept spectra survive kill -9 at any moment: what stands in the file can be read, the next watch goes on."""

from __future__ import annotations

import subprocess
import sys
import time
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.on_the_air import BEGAN_UTC
from watcher.log.spectra import spectra_within
from watcher.receive.spectrum_file import MARK, SPECTRA_FOLDER

KILLS = 4


@pytest.mark.slow
def test_a_kill_costs_the_rows_of_the_last_minute_only(tmp_path: Path, checkout: Path) -> None:
    rng = np.random.default_rng(6)
    for hour in range(KILLS):
        command = [sys.executable, "-m", "tests.watcher.receive.spectra_killer", str(tmp_path), str(hour)]
        before = size(tmp_path)
        with subprocess.Popen(command, cwd=checkout) as keeping:
            began = time.monotonic()
            while size(tmp_path) < before + 20_000 and time.monotonic() - began < 60:
                time.sleep(0.002)
            time.sleep(rng.uniform(0, 0.05))
            keeping.kill()
    found = list(spectra_within(tmp_path))
    marks = sum(path.read_bytes().count(MARK) for path in (tmp_path / SPECTRA_FOLDER).iterdir())
    # A kill in the middle of a write may cut one chunk short; every other one is whole.
    assert marks - KILLS <= len(found) <= marks
    assert all(each.unpack() is not None for each in found)
    for hour in range(KILLS):
        first = BEGAN_UTC + timedelta(hours=hour)
        own = [each.facts for each in found if first <= each.facts.start_utc < first + timedelta(hours=1)]
        assert own and own[0].start_utc == first
        # Without holes up to where it was killed.
        assert all(abs((b.start_utc - a.stop_utc).total_seconds()) < 1e-3 for a, b in pairwise(own))


def size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.glob(f"{SPECTRA_FOLDER}/*"))
