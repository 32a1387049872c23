"""The export contract: keys, values, order, and what a spreadsheet makes of it."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import StorageError
from watcher.log import WatchFacts, WatchLog
from watcher.log.export import FORMS, KEYS, csv_cell, export_to_file, write_csv, write_jsonl
from watcher.log.spans import Span
from watcher.receive.records import (
    Clip,
    CodeReading,
    EndedBy,
    Finding,
    Kind,
    KindReading,
    Measured,
    Sign,
    ToneReading,
    Transmission,
)

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
FULL = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="nfm",
    start_sample=2_400_000,
    stop_sample=9_600_000,
    start_utc=NOON + timedelta(milliseconds=1),
    end_utc=NOON + timedelta(seconds=3),
    clip_start_utc=NOON - timedelta(seconds=1),
    clip_end_utc=NOON + timedelta(seconds=4),
    ended_by=EndedBy.CARRIER_DROP,
    on_at_start=True,
    piece=2,
    snr_db=Measured(12.34567, 0.25),
    power_dbfs=-40.5,
    frequency_error_hz=Measured(-120.0, 4.0),
    peak_deviation_hz=Measured(2400.0, 100.0),
    rms_deviation_hz=Measured(900.0),
    tone=ToneReading(100.0, Measured(100.1, 0.05), Measured(350.0, 20.0), 0.999999, 250.0),
    flags=("same", "long-tone"),
    code=CodeReading("023N", "047I", 330.0, 0.99999, 0.18),
    kind=KindReading(Kind.VOICE, 0.97, 1.5, 0.25, 0.0),
    findings=(
        Finding(Sign.DTMF, 0.5, 0.9, "12", "keys 12"),
        Finding(Sign.DTMF, 1.5, 1.9, "A#", "keys A#"),
        Finding(Sign.SAME, 0.0, 2.0, "ZCZC-WXR-TOR-016001+0030-1241200-XYZW/NWS-", "Tornado Warning"),
        Finding(Sign.MORSE, 1.0, 2.0, "XY1ZZ", "Morse XY1ZZ", 0.9),
    ),
    iq="2031-05-04/120000.001Z_146.520_2-m-calling.sigmf-meta",
)
BARE = replace(
    FULL,
    channel="Far ridge",
    start_utc=NOON + timedelta(seconds=10),
    end_utc=NOON + timedelta(seconds=11),
    ended_by=EndedBy.GAP,
    on_at_start=False,
    piece=1,
    snr_db=None,
    power_dbfs=None,
    frequency_error_hz=None,
    peak_deviation_hz=None,
    rms_deviation_hz=None,
    tone=None,
    flags=(),
    code=None,
    kind=None,
    findings=(),
    iq=None,
)
CLIP = Clip(FULL, Path("2031-05-04") / "120000.001Z_146.520_2-m-calling.flac", "ab" * 32, 80_000)

# The project's design, section 6, in its order.
CONTRACT = [
    *("start_utc", "end_utc", "channel", "frequency_hz", "mode", "snr_db", "frequency_error_hz", "ctcss_hz"),
    *("dcs", "dtmf", "flags", "same", "clip"),
]


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    with WatchLog.open(tmp_path / "log", create=True) as opened:
        watch_id = opened.begin_watch(WatchFacts(NOON, "ridge", "plan", "00", "0.1.0"))
        opened.add_transmission(watch_id, BARE, None)
        opened.add_transmission(watch_id, FULL, CLIP)
        yield opened


def json_rows(log: WatchLog, span: Span | None = None) -> list[dict[str, object]]:
    out = io.StringIO()
    count = write_jsonl(log, out, span)
    rows = [json.loads(line) for line in out.getvalue().split("\n")[:-1]]
    assert count == len(rows)
    return rows


def test_the_keys_of_the_contract_come_first_and_in_order(log: WatchLog) -> None:
    for row in json_rows(log):
        assert list(row)[: len(CONTRACT)] == CONTRACT
        assert tuple(row) == KEYS


def test_everything_known_is_exported_in_order_of_start(log: WatchLog) -> None:
    full, bare = json_rows(log)
    assert full == {
        "start_utc": "2031-05-04T12:00:00.001Z",
        "end_utc": "2031-05-04T12:00:03.000Z",
        "channel": "2 m calling",
        "frequency_hz": 146_520_000,
        "mode": "nfm",
        "snr_db": 12.346,
        "frequency_error_hz": -120.0,
        "ctcss_hz": 100.0,
        "dcs": "023N",
        "dtmf": "12 A#",
        "flags": ["same", "long-tone"],
        "same": ["ZCZC-WXR-TOR-016001+0030-1241200-XYZW/NWS-"],
        "clip": "2031-05-04/120000.001Z_146.520_2-m-calling.flac",
        "clip_start_utc": "2031-05-04T11:59:59.000Z",
        "clip_end_utc": "2031-05-04T12:00:04.000Z",
        "on_at_start": True,
        "ended_by": "carrier drop",
        "piece": 2,
        "snr_sigma_db": 0.25,
        "power_dbfs": -40.5,
        "frequency_error_sigma_hz": 4.0,
        "peak_deviation_hz": 2400.0,
        "peak_deviation_sigma_hz": 100.0,
        "rms_deviation_hz": 900.0,
        "rms_deviation_sigma_hz": None,
        "ctcss_estimate_hz": 100.1,
        "ctcss_estimate_sigma_hz": 0.05,
        "ctcss_deviation_hz": 350.0,
        "ctcss_deviation_sigma_hz": 20.0,
        "ctcss_probability": 0.999999,
        "ctcss_first_word_ms": 250.0,
        "clip_sha256": "ab" * 32,
        "watch_id": 1,
        "entry_id": 2,
        "dcs_other_name": "047I",
        "dcs_deviation_hz": 330.0,
        "dcs_probability": 0.99999,
        "kind": "voice",
        "kind_probability": 0.97,
        "speech_s": 1.5,
        "morse": ["XY1ZZ"],
        "two_tone": [],
        "findings": ["keys 12", "keys A#", "Tornado Warning", "Morse XY1ZZ"],
        "iq": "2031-05-04/120000.001Z_146.520_2-m-calling.sigmf-meta",
    }
    known = {
        *("start_utc", "end_utc", "channel", "frequency_hz", "mode", "clip_start_utc", "clip_end_utc"),
        *("on_at_start", "ended_by", "piece", "flags", "same", "watch_id", "entry_id"),
        *("morse", "two_tone", "findings"),
    }
    assert {key for key, value in bare.items() if value is not None} == known
    assert (bare["flags"], bare["same"], bare["ended_by"]) == ([], [], "gap")


def test_no_tone_is_told_from_not_looked_for(log: WatchLog) -> None:
    log.add_transmission(1, replace(BARE, tone=ToneReading(None, probability=0.998)), None)
    _, not_looked_for, none_there = json_rows(log)
    assert (not_looked_for["ctcss_hz"], not_looked_for["ctcss_probability"]) == (None, None)
    assert (none_there["ctcss_hz"], none_there["ctcss_probability"]) == (None, 0.998)


def test_a_span_chooses_the_rows(log: WatchLog) -> None:
    later = Span(NOON + timedelta(seconds=5), NOON + timedelta(seconds=20))
    assert [row["channel"] for row in json_rows(log, later)] == ["Far ridge"]


def test_csv_says_the_same_as_json(log: WatchLog) -> None:
    out = io.StringIO(newline="")
    assert write_csv(log, out) == 2
    text = out.getvalue()
    # RFC 4180, 2: lines end in CR LF, the last too; the first may be the header.
    assert text.endswith("\r\n")
    assert text.count("\r\n") == text.count("\n") == 3
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [tuple(row) for row in rows] == [KEYS, KEYS]
    for row, said in zip(rows, json_rows(log), strict=True):
        for key, value in said.items():
            if value is None:
                assert row[key] == ""
            elif isinstance(value, bool):
                assert row[key] == {True: "true", False: "false"}[value]
            elif isinstance(value, list):
                assert row[key] == ";".join(value)
            elif isinstance(value, str):
                assert row[key] == value
            else:
                assert float(row[key]) == value


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1+1|x", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1+1"])
def test_a_name_that_a_spreadsheet_would_run_is_made_a_text(name: str) -> None:
    # OWASP, "CSV Injection": these beginnings, their full-width forms, tab and carriage return.
    assert csv_cell(name) == "'" + name


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (-120.5, "-120.5"),
        ("2 m calling", "2 m calling"),
        (["a", "b"], "a;b"),
        (True, "true"),
        ("", ""),
        (0, "0"),
    ],
)
def test_numbers_and_plain_texts_stay_as_they_are(cell: object, text: str) -> None:
    assert csv_cell(cell) == text  # type: ignore[arg-type]


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20))
def test_any_text_survives_the_quoting_and_none_begins_a_formula(text: str) -> None:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerow([csv_cell(text), "next"])
    ((cell, after),) = csv.reader(io.StringIO(out.getvalue(), newline=""))
    assert after == "next"
    assert cell in (text, "'" + text)
    assert not cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


def test_no_letter_whatever_tears_a_json_line(log: WatchLog) -> None:
    name = "Süd\u2028\x85\nend"
    log.add_transmission(1, replace(BARE, channel=name), None)
    out = io.StringIO()
    write_jsonl(log, out)
    lines = out.getvalue().splitlines()  # splits at every line end that Unicode knows
    assert json.loads(lines[-1])["channel"] == name
    assert out.getvalue().isascii()


@pytest.mark.parametrize("form", FORMS)
def test_a_file_appears_whole_or_not_at_all(log: WatchLog, tmp_path: Path, form: str) -> None:
    path = tmp_path / "export"
    assert export_to_file(log, path, form) == 2
    written = path.read_bytes()
    assert written.count(b"\n") == {"jsonl": 2, "csv": 3}[form]
    nowhere = tmp_path / "nowhere" / "export"
    with pytest.raises(StorageError) as refused:
        export_to_file(log, nowhere, form)
    assert str(refused.value) == (
        f"export {nowhere} cannot be written (No such file or directory); give a file in a folder that can be"
    )


def test_a_failure_in_the_middle_leaves_the_file_before_it(
    log: WatchLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "export"
    path.write_text("the one before")

    def fail(_log: object, out: io.StringIO, *_: object) -> int:
        out.write("half")
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(FORMS, "jsonl", fail)
    with pytest.raises(StorageError, match="No space left on device"):
        export_to_file(log, path, "jsonl")
    assert path.read_text() == "the one before"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["export", "log"]


def test_an_empty_log_gives_a_header_or_nothing(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        assert json_rows(log) == []
        out = io.StringIO(newline="")
        assert write_csv(log, out) == 0
        assert out.getvalue() == ",".join(KEYS) + "\r\n"
