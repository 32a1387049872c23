"""A day on the air: a scene streamed to disk and through a trial in memory that does not grow."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCENE = """
[scene]
sample_rate_hz = 24_000
seconds = {seconds}
centre_mhz = 146.520
seed = 24

[[transmission]]
channel = "low"
frequency_mhz = 146.5145
start_s = 3.0
seconds = 2.0
cnr_db = 10
tone_hz = 100.0
repeat_every_s = 60
"""
PLAN = """
[[channel]]
name = "low"
frequency_mhz = 146.5145
mode = "nfm"
bandwidth_khz = 12.5
"""
MEASURED = (
    "import resource, sys\n"
    "from watcher.cli import main\n"
    "try:\n    main(sys.argv[1:])\nexcept SystemExit as ended:\n    code = ended.code\n"
    "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)\nsys.exit(code)\n"
)
MOST_GROWTH_MB = 40  # a day's transmissions themselves are kept as records


def resident_mb(checkout: Path, *words: object) -> float:
    """Highest resident memory of one command."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *map(str, words)],
        cwd=checkout,
        check=True,
        capture_output=True,
        text=True,
    )
    return int(done.stderr.split()[-1]) / 1024


def day(checkout: Path, folder: Path, seconds: int) -> tuple[float, float, dict[str, object]]:
    folder.mkdir()
    (folder / "s.toml").write_text(SCENE.format(seconds=seconds))
    (folder / "p.toml").write_text(PLAN)
    base = folder / "made"
    built_mb = resident_mb(checkout, "trial", "scene", folder / "s.toml", "--into", base, "--quiet")
    truth = base.with_name("made.truth.sigmf-meta")
    words = ("trial", folder / "p.toml", base, "--truth", truth, "--into", folder / "t", "--quiet")
    tried_mb = resident_mb(checkout, *words)
    score = json.loads((folder / "t" / "trial.json").read_text(encoding="utf-8"))
    base.with_name("made.sigmf-data").unlink()
    return built_mb, tried_mb, score


def check(checkout: Path, folder: Path, seconds: int) -> None:
    short = day(checkout, folder / "short", 60)
    long = day(checkout, folder / "long", seconds)
    assert long[0] - short[0] < MOST_GROWTH_MB, (short[0], long[0])
    assert long[1] - short[1] < MOST_GROWTH_MB, (short[1], long[1])
    assert long[2]["sent"] == long[2]["heard"] == seconds // 60
    assert not long[2]["openings_without_transmission"]


@pytest.mark.slow
def test_five_minutes_take_no_more_memory_than_one(checkout: Path, tmp_path: Path) -> None:
    check(checkout, tmp_path, 300)


@pytest.mark.soak
def test_a_day_takes_no_more_memory_than_a_minute(checkout: Path, tmp_path: Path) -> None:
    check(checkout, tmp_path, 86_400)
