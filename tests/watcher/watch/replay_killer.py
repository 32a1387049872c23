"""Run by test_replay_kill.py in a process of its own: kill -9 a replay at random moments.

usage: replay_killer.py FOLDER KILLS SEED

Each round forks a child that replays, kills it a random time after its first clip began to grow, notes what
the log had committed by then, starts a short replay into the same folder, and holds the one against the
other. Prints one JSON object.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import soundfile

from dsp.blocks import IqBlock
from tests.on_the_air import BEGAN_UTC, CENTRE_HZ, Recorded, call, listed, scene, speech
from watcher.log.reading import LoggedTransmission, transmissions, watches
from watcher.log.writing import WatchLog
from watcher.plan.model import Station, WatchPlan
from watcher.receive.clip_part import WAV_HEADER
from watcher.watch.replay import replay

RATE_HZ = 48_000
CHANNELS = (listed(-12_500, name="one"), listed(6_250, name="two"))
PLAN = WatchPlan(channels=CHANNELS, station=Station(longest_clip_minutes=0.1))
CALLS = [
    call(
        CHANNELS[n % 2],
        0.6 + 0.45 * n,
        0.6 + 0.45 * n + (0.5, 7.0, 0.4, 0.3)[n % 4],
        15.0,
        modulation=speech(n % 3, seconds=1.0),
    )
    for n in (0, 1, 2, 4, 6, 8, 10, 12, 14, 16)
]
SAMPLES = scene(RATE_HZ, 10.0, *CALLS).render(np.random.default_rng(1))


class Slow(Recorded):
    """A recording read at about fifty times real time, so that there is a middle to be killed in."""

    def blocks(self, stretch: int) -> Iterator[IqBlock]:
        for block in super().blocks(stretch):
            time.sleep(0.005)
            yield block


def night(number: int) -> Slow:
    return Slow([(BEGAN_UTC + timedelta(hours=number), CENTRE_HZ, SAMPLES)])


def committed(folder: Path) -> list[LoggedTransmission]:
    with contextlib.suppress(Exception), WatchLog.open_to_read(folder) as log:
        return list(transmissions(log))
    return []


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def kill_one(folder: Path, number: int, after_s: float) -> None:
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            replay(PLAN, [night(number)], folder)
        os._exit(0)
    waited = time.monotonic()
    while not list((folder / "unfinished").glob("*.part")) and time.monotonic() - waited < 30:
        time.sleep(0.001)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def main() -> None:
    folder, kills, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    rng = random.Random(seed)
    bad: list[str] = []
    recovered = open_at_kill = 0
    for number in range(kills):
        kill_one(folder, number, rng.uniform(0.0, 0.4))
        before = committed(folder)
        unfinished = folder / "unfinished"
        left = [
            part
            for part in unfinished.glob("*.part")
            if part.stat().st_size >= len(WAV_HEADER) + 2  # at least one frame: there is something to keep
        ]
        open_at_kill += len(left)
        short = Recorded([(BEGAN_UTC + timedelta(hours=100 + number), CENTRE_HZ, SAMPLES[:48_000])])
        outcome = replay(PLAN, [short], folder)
        recovered += outcome.recovered
        after = committed(folder)
        paths = {str(one.clip_path): one for one in after}
        if outcome.recovered < len(left):
            bad.append(f"kill {number}: {len(left)} clips were open, {outcome.recovered} were recovered")
        if len(paths) != len(after):
            bad.append(f"kill {number}: a clip is logged twice")
        for one in before:
            if str(one.clip_path) not in paths:
                bad.append(f"kill {number}: {one.clip_path} was committed and is gone from the log")
        for one in after:
            file = folder / str(one.clip_path)
            if not file.exists() or digest(file) != one.clip_sha256:
                bad.append(f"kill {number}: {one.clip_path} is not what its row says")
            elif soundfile.info(file).frames != one.clip_audio_frames:
                bad.append(f"kill {number}: {one.clip_path} has another length than its row says")
        files = {str(path.relative_to(folder)) for path in folder.rglob("*.flac")}
        bad += [f"kill {number}: {path} has no row" for path in files - set(paths)]
        bad += [f"kill {number}: left over {p.name}" for p in unfinished.iterdir() if p.name != "lock"]
        with WatchLog.open_to_read(folder) as log:
            bad += [f"kill {number}: a watch has no end" for one in watches(log) if one.ended_utc is None]
    sys.stdout.write(
        json.dumps(
            {"clips": len(committed(folder)), "recovered": recovered, "open": open_at_kill, "bad": bad}
        )
    )


if __name__ == "__main__":
    main()
