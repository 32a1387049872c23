"""A trial's score against a scorer that shares nothing with it but the two files it reads.

The other scorer reads the export's JSON Lines and the annotations' JSON and tries every assignment: slow,
plain, and written from the definitions alone.
"""

from __future__ import annotations

import json
from datetime import datetime
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from watcher.cli import main

RATE_HZ = 96_000
CENTRE_HZ = 146_520_000
SECONDS = 45
CHANNELS = {"a": 146_495_000, "b": 146_511_250, "c": 146_540_000}
PLAN = "".join(
    f'[[channel]]\nname = "{name}"\nfrequency_mhz = {hz / 1e6}\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    for name, hz in CHANNELS.items()
)
TONES_HZ = (67.0, 100.0, 162.2, None)


def scene(seed: int) -> str:
    """Key-downs at random: strong and lost ones, close ones that merge, some on no listed channel."""
    rng = np.random.default_rng(seed)
    text = f"[scene]\nsample_rate_hz = {RATE_HZ}\nseconds = {SECONDS}\ncentre_mhz = 146.52\nseed = {seed}\n"
    for name, hz in {**CHANNELS, "other": 146_555_000}.items():
        at = float(rng.uniform(0.5, 3.0))
        while at < SECONDS - 4:
            length = float(rng.uniform(0.6, 3.0))
            tone = TONES_HZ[int(rng.integers(len(TONES_HZ)))]
            text += (
                f'[[transmission]]\nchannel = "{name}"\nfrequency_mhz = {hz / 1e6}\nstart_s = {at:.3f}\n'
                f"seconds = {length:.3f}\ncnr_db = {float(rng.choice([-12.0, 6.0, 15.0]))}\n"
            )
            text += "" if tone is None else f"tone_hz = {tone}\n"
            at += length + float(rng.choice([0.1, 0.6, 4.0]))
    return text


def milliseconds(text: str) -> int:
    return round(datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp() * 1000)


def truth_of(path: Path) -> list[dict[str, Any]]:
    tree = json.loads(path.read_text())
    began = milliseconds(tree["captures"][0]["core:datetime"])
    found = []
    for each in tree["annotations"]:
        first, count = each["core:sample_start"], each["core:sample_count"]
        found.append(
            {
                "channel": each["core:label"],
                "start": began + round(first * 1000 / RATE_HZ),
                "stop": began + round((first + count) * 1000 / RATE_HZ),
                "tone": each["midwatch:ctcss_hz"],
            }
        )
    return found


def shared_ms(one: dict[str, Any], other: dict[str, Any]) -> int:
    return max(0, min(one["stop"], other["stop"]) - max(one["start"], other["start"]))


def best(true: list[dict[str, Any]], heard: list[dict[str, Any]]) -> dict[int, int]:
    """The assignment with the most shared time of all that there are, clump by clump."""
    clumps: list[tuple[set[int], set[int]]] = []
    for t, one in enumerate(true):
        ones = {h for h, other in enumerate(heard) if shared_ms(one, other)}
        trues = {t}
        for clump in [c for c in clumps if c[1] & ones]:
            clumps.remove(clump)
            trues, ones = trues | clump[0], ones | clump[1]
        clumps.append((trues, ones))
    chosen: dict[int, int] = {}
    for trues, ones in clumps:
        order, options = sorted(trues), [*sorted(ones), *[-1] * len(trues)]
        top, tops = -1, ()
        for tried in set(permutations(options, len(order))):
            total = sum(shared_ms(true[t], heard[h]) for t, h in zip(order, tried, strict=True) if h >= 0)
            if total > top:
                top, tops = total, tried
        chosen |= {t: h for t, h in zip(order, tops, strict=True) if h >= 0 and shared_ms(true[t], heard[h])}
    return chosen


def scored(truth: list[dict[str, Any]], export: list[dict[str, Any]]) -> dict[str, Any]:
    sums = {"sent": 0, "heard": 0, "merged": 0, "missed": 0, "false": 0, "right": 0, "toned": 0}
    errors: list[float] = []
    for name in CHANNELS:
        true = [each for each in truth if each["channel"] == name]
        heard = [
            {
                "start": milliseconds(line["start_utc"]),
                "stop": milliseconds(line["end_utc"]),
                "tone": line["ctcss_hz"],
            }
            for line in export
            if line["channel"] == name
        ]
        chosen = best(true, heard)
        sums["sent"] += len(true)
        sums["heard"] += len(chosen)
        for t, one in enumerate(true):
            if t not in chosen:
                half = (one["stop"] - one["start"]) / 2
                held = any(shared_ms(one, other) >= half for other in heard)
                sums["merged" if held else "missed"] += 1
        sums["false"] += sum(not any(shared_ms(one, other) for one in true) for other in heard)
        for t, h in chosen.items():
            if true[t]["tone"] is not None:
                sums["toned"] += 1
                sums["right"] += heard[h]["tone"] == true[t]["tone"]
            alone = sum(bool(shared_ms(true[t], other)) for other in heard) == 1
            if alone and sum(bool(shared_ms(one, heard[h])) for one in true) == 1:
                errors.append((heard[h]["start"] - true[t]["start"]) / 1000)
    return {**sums, "errors": errors}


def command(*words: object) -> None:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    assert not ended.value.code


@pytest.mark.parametrize("seed", [11, 12])
def test_two_scorers_agree(tmp_path: Path, seed: int) -> None:
    (tmp_path / "s.toml").write_text(scene(seed))
    (tmp_path / "p.toml").write_text(PLAN)
    base, into = tmp_path / "made", tmp_path / "t"
    truth = tmp_path / "made.truth.sigmf-meta"
    command("trial", "scene", tmp_path / "s.toml", "--into", base, "--quiet")
    command("trial", tmp_path / "p.toml", base, "--truth", truth, "--into", into, "--quiet")
    command("export", into, "--into", tmp_path / "heard.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "heard.jsonl").read_text().splitlines()]
    ours = json.loads((into / "trial.json").read_text())
    theirs = scored(truth_of(truth), lines)
    for key in ("sent", "heard", "merged", "missed"):
        assert ours[key] == theirs[key], key
    assert len(ours["openings_without_transmission"]) == theirs["false"]
    assert ours["tones"]["right"] == theirs["right"]
    assert ours["tone_right"]["of"] == theirs["toned"]
    assert ours["recall"]["value"] == pytest.approx(theirs["heard"] / theirs["sent"])
    assert ours["start_error_s"]["count"] == len(theirs["errors"])
    assert ours["start_error_s"]["median"] == pytest.approx(np.median(theirs["errors"]), abs=0.001)
    assert ours["missed"] > 0 and ours["heard"] > 10  # else nothing was proved
