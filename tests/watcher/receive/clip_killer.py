"""Run by test_clip_kill.py in a process of its own: kill -9 the one who writes clips, many times over.

usage: clip_killer.py FOLDER KILLS SEED

Each round forks a writer, kills it at a random moment, recovers in this process, and holds what was
recovered against what the writer had acknowledged. Prints one JSON object.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import signal
import struct
import sys
import time
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

import numpy as np
import soundfile

from watcher.receive.clips import ClipStore
from watcher.receive.records import Clip, EndedBy, Transmission

ACK = struct.Struct("<ii")
BEGIN_UTC = datetime(2031, 5, 4, tzinfo=UTC)


def facts(number: int) -> Transmission:
    start = BEGIN_UTC + timedelta(seconds=number)
    return Transmission(
        f"channel {number}", 146_520_000, "nfm", 0, 0, start, start, start, start, EndedBy.STOPPED
    )


def block(number: int, first_frame: int) -> np.ndarray:
    """1600 frames that belong to one place of one clip and to no other."""
    return np.random.default_rng((number, first_frame)).integers(-9999, 9999, 1600, dtype=np.int16)


def commit(folder: Path, clip: Clip) -> None:
    """Stands for the row in the log: appended in one call, unique by path."""
    line = json.dumps({"path": str(clip.path), "sha256": clip.sha256, "channel": clip.transmission.channel})
    with (folder / "rows.jsonl").open("a") as file:
        file.write(line + "\n")


def write_for_ever(folder: Path, first_number: int, acknowledged: int) -> None:
    store = ClipStore(folder)
    clips = {}
    for number in count(first_number):
        clips[number] = store.open_clip(facts(number))
        for _ in range(3):
            for open_number, clip in clips.items():  # several channels at once
                clip.write(block(open_number, clip.frames))
                os.write(acknowledged, ACK.pack(open_number, clip.frames))
        if number % 4 == 3:
            for open_number, clip in clips.items():
                finished = clip.finish(
                    facts(open_number),
                    first_frame=0,
                    last_frame=clip.frames,
                    carrier_up_frame=0,
                    carrier_down_frame=clip.frames,
                )
                commit(folder, finished)
                store.release(finished)
            clips = {}


def one_kill(folder: Path, first_number: int, after_s: float) -> dict[int, int]:
    """Acknowledged frames by clip, of a writer killed this long after its first acknowledgement."""
    reading, writing = os.pipe()
    writer = os.fork()
    if writer == 0:
        os.close(reading)
        with contextlib.suppress(BrokenPipeError):
            write_for_ever(folder, first_number, writing)
        os._exit(0)
    os.close(writing)
    frames: dict[int, int] = {}
    with os.fdopen(reading, "rb") as pipe:
        read = pipe.read(ACK.size)
        time.sleep(after_s)
        os.kill(writer, signal.SIGKILL)
        read += pipe.read()
    os.waitpid(writer, 0)
    for number, acknowledged in ACK.iter_unpack(read[: len(read) // ACK.size * ACK.size]):
        frames[number] = acknowledged
    return frames


def main() -> None:
    folder, kills, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    rng = random.Random(seed)
    acknowledged: dict[int, int] = {}
    recovered = 0
    for _ in range(kills):
        acknowledged |= one_kill(folder, max(acknowledged, default=-1) + 1000, rng.uniform(0, 0.05))
        with ClipStore(folder) as store:
            for clip in store.recover():
                recovered += 1
                commit(folder, clip)
                store.release(clip)
            problems = store.problems
    rows = {row["path"]: row for row in map(json.loads, (folder / "rows.jsonl").read_text().splitlines())}
    files = {str(path.relative_to(folder)) for path in folder.rglob("*.flac")}
    bad: list[str] = [*problems, *(f"{path}: row and file do not match" for path in files ^ rows.keys())]
    found: dict[int, int] = {}
    for path in files & rows.keys():
        content = (folder / path).read_bytes()
        if hashlib.sha256(content).hexdigest() != rows[path]["sha256"]:
            bad.append(f"{path}: is not what its row says")
        number = int(rows[path]["channel"].split()[1])
        audio, _ = soundfile.read(folder / path, dtype="int16")
        written = [block(number, first) for first in range(0, len(audio), 1600)]
        if not np.array_equal(audio, np.concatenate(written)[: len(audio)]):
            bad.append(f"{path}: is not what was written")
        if number in found:
            bad.append(f"{path}: was recovered twice")
        found[number] = len(audio)
    bad += [
        f"clip {n}: {found.get(n, 0)} of {frames} acknowledged frames"
        for n, frames in acknowledged.items()
        if found.get(n, 0) < frames
    ]
    bad += [f"left over: {path.name}" for path in (folder / "unfinished").iterdir() if path.name != "lock"]
    sys.stdout.write(json.dumps({"clips": len(acknowledged), "recovered": recovered, "bad": bad}))


if __name__ == "__main__":
    main()
