"""The export contract: every key, its type, the order, and clips that are there and as long as told."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest
import soundfile

from tests.e2e.conftest import CALLS, Midwatch

#: Keys that stay, in this order, and what they may be: the contract of design and issue.
CONTRACT: dict[str, tuple[type, ...]] = {
    "start_utc": (str,),
    "end_utc": (str,),
    "channel": (str,),
    "frequency_hz": (int,),
    "mode": (str,),
    "snr_db": (float, int, type(None)),
    "frequency_error_hz": (float, int, type(None)),
    "ctcss_hz": (float, int, type(None)),
    "dcs": (str, type(None)),
    "dtmf": (str, type(None)),
    "flags": (list,),
    "same": (list,),
    "clip": (str, type(None)),
}


@pytest.fixture(scope="module")
def rows(midwatch: Midwatch, replayed: Path) -> list[dict[str, object]]:
    said = midwatch("export", replayed, "--as", "jsonl")
    assert (said.code, said.err) == (0, "")
    return [json.loads(line) for line in said.out.splitlines()]


def instant(text: object) -> datetime:
    assert isinstance(text, str)
    assert text.endswith("Z")
    assert len(text) == len("2031-05-04T03:02:01.250Z"), "milliseconds, no more and no less"
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)


def test_every_key_of_the_contract_is_there_in_its_order(rows: list[dict[str, object]]) -> None:
    assert len(rows) == len(CALLS)
    for row in rows:
        assert list(row)[: len(CONTRACT)] == list(CONTRACT)


def test_values_have_their_types(rows: list[dict[str, object]]) -> None:
    for row in rows:
        for key, kinds in CONTRACT.items():
            assert isinstance(row[key], kinds), key
            assert not isinstance(row[key], bool), key
        for key in ("flags", "same"):
            values = row[key]
            assert isinstance(values, list)
            assert all(isinstance(value, str) for value in values)
        assert row["mode"] in {"nfm", "fm", "am"}


def test_lines_come_in_order_of_start(rows: list[dict[str, object]]) -> None:
    starts = [instant(row["start_utc"]) for row in rows]
    assert starts == sorted(starts)
    assert all(instant(row["start_utc"]) < instant(row["end_utc"]) for row in rows)


def test_what_to_hear_first_comes_first_where_that_is_asked(
    midwatch: Midwatch, replayed: Path, rows: list[dict[str, object]]
) -> None:
    said = midwatch("export", replayed, "--order", "hear-first")
    ordered = [json.loads(line) for line in said.out.splitlines()]
    assert sorted(ordered, key=lambda row: str(row["start_utc"])) == rows
    assert midwatch("export", replayed, "--order", "loud").code != 0


def test_clips_are_there_and_as_long_as_their_times(rows: list[dict[str, object]], replayed: Path) -> None:
    for row in rows:
        clip = row["clip"]
        assert isinstance(clip, str)
        path = replayed / clip
        assert not Path(clip).is_absolute()
        info = soundfile.info(path)
        assert (info.format, info.samplerate, info.channels) == ("FLAC", 16_000, 1)
        told_s = (instant(row["clip_end_utc"]) - instant(row["clip_start_utc"])).total_seconds()
        assert info.frames / info.samplerate == pytest.approx(told_s, abs=0.002)  # times are told in ms
        assert row["clip_sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
        assert instant(row["clip_start_utc"]) <= instant(row["start_utc"])
        assert instant(row["clip_end_utc"]) >= instant(row["end_utc"])


def test_look_back_is_a_quarter_second_or_all_there_was(rows: list[dict[str, object]]) -> None:
    for channel in {row["channel"] for row in rows}:
        own = [row for row in rows if row["channel"] == channel]
        ends = [instant("2031-05-04T03:00:00.000Z"), *(instant(row["end_utc"]) for row in own)]
        for row, before in zip(own, ends, strict=False):
            back_s = (instant(row["start_utc"]) - instant(row["clip_start_utc"])).total_seconds()
            room_s = (instant(row["start_utc"]) - before).total_seconds()
            assert back_s >= min(0.25, room_s) - 0.002


def test_transmissions_of_a_channel_do_not_overlap(rows: list[dict[str, object]]) -> None:
    for channel in {row["channel"] for row in rows}:
        own = [row for row in rows if row["channel"] == channel]
        assert all(instant(a["end_utc"]) <= instant(b["start_utc"]) for a, b in pairwise(own))


def test_tone_is_a_number_where_there_is_one_and_null_where_there_is_none(
    rows: list[dict[str, object]],
) -> None:
    assert [row["ctcss_hz"] for row in rows] == [tone_hz for _, _, _, tone_hz in CALLS]


def test_clip_carries_its_facts_in_its_own_tags(rows: list[dict[str, object]], replayed: Path) -> None:
    """A clip that left its folder still says what it is. Comments of FLAC are plain text (RFC 9639, 8.6)."""
    for row in rows:
        head = (replayed / str(row["clip"])).read_bytes()[:20_000].decode("utf-8", errors="replace")
        assert str(row["channel"]) in head
        assert str(row["start_utc"]) in head
        assert "146." in head


def test_export_of_a_log_without_transmissions_is_empty(
    midwatch: Midwatch, night: Path, tmp_path: Path
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[[channel]]\nname = "silent"\nfrequency_mhz = 146.53875\nmode = "nfm"\nbandwidth_khz = 10\n'
    )
    assert midwatch("replay", plan, night, "--into", tmp_path / "log", "--quiet").code == 0
    said = midwatch("export", tmp_path / "log")
    assert (said.code, said.out, said.err) == (0, "", "")
    table = midwatch("export", tmp_path / "log", "--as", "csv")
    assert table.out.startswith("start_utc,end_utc,channel,")
    assert len(table.out.splitlines()) == 1
