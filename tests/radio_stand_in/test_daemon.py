"""The whole daemon on the stand-in receiver: three tunings, faults on command, every second in the log."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.radio_stand_in.placing import command, environment_of_a_program
from watcher.log.reading import gaps, watched_spans, watches
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.receive.records import GapCause
from watcher.utc import read_utc

CHANNELS = (("2 m calling", 146.52), ("70 cm calling", 446.0), ("family 1", 462.5625))
PLAN = """
[[radio]]
kind = "rtlsdr"
sample_rate_hz = 240_000
gain_db = 0

[dwell]
dwell_seconds = 2
""" + "".join(
    f'\n[[channel]]\nname = "{name}"\nfrequency_mhz = {mhz}\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    for name, mhz in CHANNELS
)
NORMAL = {"present": 1, "stall_after_ms": -1, "tune_fails": 0, "source": 1, "drop_every": 0}


def stand_with_faults(library: Path, folder: Path, checkout: Path, seconds: float, seed: int) -> None:
    """Stand the watch for so long, break the receiver again and again, and account for every second."""
    rng = np.random.default_rng(seed)
    (folder / "plan.toml").write_text(PLAN)
    log = folder / "watch-log"
    returned: list[datetime] = []
    with (
        (folder / "events.txt").open("w") as said,
        subprocess.Popen(
            [sys.executable, "-m", "watcher.cli", "stand", str(folder / "plan.toml"), "--into", str(log)],
            cwd=checkout,
            env=environment_of_a_program(library, folder, NORMAL) | {"OMP_NUM_THREADS": "1"},
            stderr=said,
            text=True,
        ) as daemon,
    ):
        events = folder / "events.txt"
        latest = time.monotonic() + 30
        while "radio-open" not in events.read_text():
            assert time.monotonic() < latest, events.read_text()
            time.sleep(0.1)
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            time.sleep(float(rng.uniform(2, 6)))
            fault = rng.choice(
                [
                    {"present": 0, "unplug_code": 0},
                    {"present": 0, "unplug_code": -5},
                    {"stall_after_ms": 300},
                    {"tune_fails": 1},
                    {"drop_every": 3},
                ]
            )
            command(folder, NORMAL | fault)
            time.sleep(float(rng.uniform(1.5, 4)))
            command(folder, NORMAL)
            returned.append(datetime.now().astimezone())
        time.sleep(6)
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(timeout=30) == 0, events.read_text()
    assert_accounted(log)
    assert_back_in_time(events.read_text(), returned)


def assert_accounted(folder: Path) -> None:
    with WatchLog.open_to_read(folder) as log:
        (stood,) = watches(log)
        watched, missed = watched_spans(log), list(gaps(log))
    windows = Spans(window.span for window in stood.windows)
    assert stood.ended_utc is not None
    windows &= Spans([Span(stood.started_utc, stood.ended_utc)])
    for name, _ in CHANNELS:
        heard = watched.get(name, Spans()) & windows
        gone = Spans(Span(gap.start_utc, gap.stop_utc) for gap in missed if gap.channel == name) & windows
        assert abs((heard | gone).seconds - windows.seconds) < 0.1, name
        assert (heard & gone).seconds < 0.1, name
        assert heard.seconds > 0.1 * windows.seconds, f"{name} was hardly ever watched"
    causes = {gap.cause for gap in missed}
    assert GapCause.OTHER_TUNING in causes and GapCause.UNKNOWN not in causes


def assert_back_in_time(events: str, returned: list[datetime]) -> None:
    """After each return the radio is open, or opened anew, within five seconds."""
    opened = [read_utc(line.split()[0]) for line in events.splitlines() if " radio-open " in line]
    lost = [read_utc(line.split()[0]) for line in events.splitlines() if " radio-lost " in line]
    assert lost, "no fault was noticed"
    for instant in returned:
        before = [each for each in lost if each <= instant]
        if before and not any(before[-1] < each <= instant for each in opened):
            after = [each for each in opened if each > instant]
            assert after and after[0] - instant <= timedelta(seconds=5), (instant, after[:1])
    for line in events.splitlines():
        if " radio-lost " in line:
            assert re.search(r'why="[^"]{15,}"', line), line  # a sentence, not a code


@pytest.mark.slow
def test_half_a_minute_of_faults_is_accounted_for(
    stand_in_library: Path, tmp_path: Path, checkout: Path
) -> None:
    stand_with_faults(stand_in_library, tmp_path, checkout, seconds=18, seed=4)


@pytest.mark.soak
def test_ten_minutes_of_faults_are_accounted_for(
    stand_in_library: Path, tmp_path: Path, checkout: Path
) -> None:
    stand_with_faults(stand_in_library, tmp_path, checkout, seconds=600, seed=5)
