"""What the standing watch costs as a process: within a window of busy channels, and between windows."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

SETTLE_S = 8.0  # until it has started and the first second has been received
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")


def measure_standing(plan: Path, folder: Path, seconds: float) -> dict[str, float]:
    """Share of one core and resident memory of `midwatch stand` over so many seconds of real time."""
    process = subprocess.Popen(
        [sys.executable, "-m", "watcher.cli", "stand", str(plan), "--into", str(folder), "--quiet"],
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    try:
        time.sleep(SETTLE_S)
        before, began = _cpu_s(process.pid), time.monotonic()
        time.sleep(seconds)
        spent, lasted = _cpu_s(process.pid) - before, time.monotonic() - began
        resident_mib = _resident_mib(process.pid)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=60) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    return {"cpu_share": spent / lasted, "rss_mib": resident_mib}


def write_plan(path: Path, recording: Path, channels: list[tuple[str, float]], window: str) -> None:
    """A plan that stands a looped recording as its radio."""
    lines = [
        "[[radio]]",
        'kind = "recording"',
        f'path = "{recording}"',
        "loop = true",
        "",
        "[[window]]",
        window,
    ]
    for name, mhz in channels:
        lines += ["", "[[channel]]", f'name = "{name}"', f"frequency_mhz = {mhz:.6f}"]
        lines += ['mode = "nfm"', "bandwidth_khz = 12.5"]
    path.write_text("\n".join(lines) + "\n")


def _cpu_s(pid: int) -> float:
    """User and system time so far, proc_pid_stat(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_A_SECOND


def _resident_mib(pid: int) -> float:
    (line,) = (
        line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS")
    )
    return int(line.split()[1]) / 1024
