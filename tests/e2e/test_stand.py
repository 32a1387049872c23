"""The standing watch as a process: a recording for a radio, signals, a bad plan, and kills."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dsp.modulate import Emission, Fm, Scene
from tests.e2e.conftest import Midwatch
from tests.on_the_air import CENTRE_HZ, spoken
from watcher.errors import StorageError
from watcher.log.reading import gaps, transmissions, watched_spans, watches
from watcher.log.spans import Span, Spans
from watcher.log.spectra import spectra_within
from watcher.log.writing import WatchLog
from watcher.radio.sigmf_writer import SigmfWriter

RATE_HZ = 48_000
SECONDS = 4.0
PLAN = """
[station]
name = "Corrin lookout"
time_zone = "America/Boise"
storage = "watch-log"

[[radio]]
kind = "recording"
path = "air.sigmf-meta"
loop = true

[[channel]]
name = "2 m calling"
frequency_mhz = 146.530
mode = "nfm"
bandwidth_khz = 12.5
"""
CHANNEL_HZ = 146_530_000


@pytest.fixture(scope="module")
def air(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan and four seconds of air, in which one station talks for a second and a half."""
    import numpy as np

    folder = tmp_path_factory.mktemp("air")
    talk = Emission(
        start_s=1.0,
        stop_s=2.5,
        offset_hz=CHANNEL_HZ - CENTRE_HZ,
        cnr_db=15.0,
        cnr_width_hz=11_000,
        modulation=Fm(audio=spoken(), drive=4.0),
        label="2 m calling",
    )
    scene = Scene(sample_rate_hz=RATE_HZ, seconds=SECONDS, emissions=(talk,), centre_hz=CENTRE_HZ)
    with SigmfWriter(folder / "air", "cf32_le", RATE_HZ, "Air for a test.", None) as writer:
        writer.start_capture(CENTRE_HZ, None)
        for block in scene.blocks(np.random.default_rng(5)):
            writer.write(block.samples)
    return folder


@pytest.fixture
def folder(air: Path, tmp_path: Path) -> Path:
    for path in air.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "plan.toml").write_text(PLAN)
    return tmp_path


Start = Callable[[], subprocess.Popen[str]]


@pytest.fixture
def start(folder: Path) -> Iterator[Start]:
    running: list[subprocess.Popen[str]] = []

    def begin() -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "watcher.cli", "stand", str(folder / "plan.toml")],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )
        running.append(process)
        return process

    yield begin
    for process in running:
        if process.poll() is None:
            process.kill()
            process.communicate()


def until(said: Callable[[], bool], seconds: float = 40.0) -> None:
    """Wait until something has come true."""
    latest = time.monotonic() + seconds
    while not said():
        assert time.monotonic() < latest, "it did not come"
        time.sleep(0.05)


def entries(folder: Path) -> int:
    log = folder / "watch-log"
    if not (log / "watch-log.sqlite3").is_file():
        return 0
    try:
        with WatchLog.open_to_read(log) as opened:
            return sum(1 for _ in transmissions(opened))
    except StorageError:  # its tables are being made
        return 0


def test_it_stands_reads_its_plan_anew_refuses_a_bad_one_and_ends_in_good_order(
    folder: Path, start: Start, midwatch: Midwatch
) -> None:
    process = start()
    until(lambda: entries(folder) >= 1)
    said = midwatch("status", folder / "watch-log")
    assert said.code == 0 and "is stood" in said.out

    (folder / "plan.toml").write_text(PLAN.replace("146.530", "146530000"))
    process.send_signal(signal.SIGHUP)
    before = entries(folder)
    until(lambda: entries(folder) > before)  # the old plan goes on

    (folder / "plan.toml").write_text(PLAN.replace("2 m calling", "2 m open"))
    process.send_signal(signal.SIGHUP)
    before = entries(folder)
    until(lambda: entries(folder) >= before + 2)
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "plan-refused" in err and "looks like Hz" in err and "plan-read" in err

    with WatchLog.open_to_read(folder / "watch-log") as log:
        heard = [one.transmission.channel for one in transmissions(log)]
        stood = watches(log)
        assert [watch.ended_by is not None for watch in stood] == [True, True]
        windows = Spans(window.span for watch in stood for window in watch.windows)
        known = watched_spans(log).get("2 m calling", Spans()) | watched_spans(log).get("2 m open", Spans())
        missed = Spans(Span(gap.start_utc, gap.stop_utc) for gap in gaps(log))
    assert heard[0] == "2 m calling" and heard[-1] == "2 m open"
    assert (windows - (known | missed)).seconds < 0.1
    kept = Spans(Span(each.facts.start_utc, each.facts.stop_utc) for each in spectra_within(log.folder))
    # The last slice of a run, 0.2 s, is no row; where no samples came there is none either.
    assert len(kept)
    assert (kept - (known | missed)).seconds < 0.5
    assert (known - kept).seconds < 0.3 * len(known) + 0.5
    assert "ended" in midwatch("status", folder / "watch-log").out


def stand_and_kill(folder: Path, start: Start, kills: int, seed: int) -> None:
    """Kill the watch at random moments; every clip and entry seen before a kill is there after it."""
    import numpy as np

    rng = np.random.default_rng(seed)
    log = folder / "watch-log"
    finished: dict[str, bytes] = {}
    for _ in range(kills):
        process = start()
        until((log / "unfinished" / "lock").exists)
        time.sleep(float(rng.uniform(1.5, 4.5)))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        if not (log / "watch-log.sqlite3").is_file():
            continue
        with WatchLog.open_to_read(log) as opened:
            told = {
                one.clip_path.as_posix(): one.clip_sha256 for one in transmissions(opened) if one.clip_path
            }
        for path in finished:
            assert path in told, "an entry was lost"
            assert (log / path).read_bytes() == finished[path], "a clip was changed"
        finished = {path: (log / path).read_bytes() for path in told}
    process = start()
    until(lambda: entries(folder) > len(finished))
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=30)
    assert process.returncode == 0
    left = sorted(path.name for path in (log / "unfinished").iterdir())
    assert left == ["lock"], "what a kill left is finished at the next start"


def test_killed_at_any_moment_nothing_finished_is_lost(folder: Path, start: Start) -> None:
    stand_and_kill(folder, start, kills=2, seed=1)


@pytest.mark.soak
def test_killed_a_hundred_times_nothing_finished_is_lost(folder: Path, start: Start) -> None:
    stand_and_kill(folder, start, kills=100, seed=2)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("[[radio]]", "[[channel_]]"), ["channel_"]),
        (('path = "air.sigmf-meta"', 'path = "gone.sigmf-meta"'), ["gone.sigmf-meta"]),
        (("146.530", "446.000"), ["no channel", "air.sigmf-meta"]),
        (('storage = "watch-log"', ""), ["--into"]),
    ],
)
def test_what_cannot_be_stood_is_one_sentence(
    folder: Path, midwatch: Midwatch, change: tuple[str, str], words: list[str]
) -> None:
    (folder / "plan.toml").write_text(PLAN.replace(*change))
    said = midwatch("stand", folder / "plan.toml")
    for word in words:
        assert word in said.sentence, said.err


def test_a_plan_without_a_radio_cannot_be_stood(folder: Path, midwatch: Midwatch) -> None:
    first, rest = PLAN.split("[[radio]]")
    (folder / "plan.toml").write_text(first + rest[rest.index("[[channel]]") :])
    assert "[[radio]]" in midwatch("stand", folder / "plan.toml").sentence


def test_status_of_a_folder_without_a_watch(folder: Path, midwatch: Midwatch) -> None:
    said = midwatch("status", folder)
    assert said.code == 0 or said.sentence
    assert json.dumps(said.out)


def test_radios_of_a_plan_are_measured(folder: Path, midwatch: Midwatch) -> None:
    said = midwatch("radios", folder / "plan.toml", "--seconds", "1")
    assert said.code == 0, said.err
    assert "recording air.sigmf-meta" in said.out
    assert "146.520 MHz, 48000 samples/s" in said.out and "lost 0 samples" in said.out
    assert midwatch("radios", folder / "plan.toml", "--seconds", "soon").code == 2


def test_alerts_of_a_plan_are_tried(folder: Path, midwatch: Midwatch) -> None:
    assert "no [[alert]] table" in midwatch("alerts", folder / "plan.toml").sentence
    told = folder / "told.txt"
    alert = f'\n[[alert]]\ncommand = ["tee", "{told}"]\n\n[[alert]]\ncommand = ["false"]\n'
    (folder / "plan.toml").write_text(PLAN + alert)
    said = midwatch("alerts", folder / "plan.toml")
    assert said.code == 5
    assert said.out.splitlines()[0] == "alert 1 (command tee): sent"
    assert "Corrin lookout" in told.read_text()
