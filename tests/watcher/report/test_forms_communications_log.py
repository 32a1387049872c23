"""The communications log: what the form asks for, what stays blank, and that paper and CSV agree."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.watcher.report.made_records import START, at, channel, entry, span, watch
from tests.watcher.report.made_watch import made_watch, pages
from watcher.log import WatchLog
from watcher.log.marks import LONGEST_WHO, Change, Verdict, change_marks
from watcher.log.spans import Spans
from watcher.report import read_summary, summarize
from watcher.report.forms import communications_log
from watcher.report.forms.communications_log import CSV_HEAD
from watcher.report.writing import read_marks

PREPARED = datetime(2031, 5, 4, 15, 0, tzinfo=UTC)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_watch(tmp_path_factory.mktemp("watch"))


def test_the_sheet_has_the_fields_of_the_form(folder: Path) -> None:
    """Fields shared by the local versions of ICS 309 (Santa Clara County ARES/RACES and others, read)."""
    form = communications_log(
        read_summary(folder), incident="Saddle search 31-7", prepared_by="E. Vint", prepared_utc=PREPARED
    )
    (text,) = pages(form.as_sheet())
    for label in (
        "ICS 309",
        "Incident name and number",
        "Operational period",
        "Radio operator",
        "Net, position or station",
        "From: call or ID",
        "To: call or ID",
        "Message or subject",
        "Prepared by",
        "Signature",
        "Date and time prepared",
        "Page 1 of 1",
    ):
        assert label in text, label
    for told in ("Saddle search 31-7", "Edda Vint, X0QAA", "Harrow Ridge", "Corrin lookout", "E. Vint"):
        assert told in text, told
    # 6:00 UTC is midnight in Boise in May, UTC-6 (tz database); prepared at 15:00 UTC.
    assert "2031-05-04 00:00:00 MDT" in text
    assert "2031-05-04 09:00:00 MDT" in text


def test_a_line_tells_channel_length_tone_and_findings(folder: Path) -> None:
    (text,) = pages(communications_log(read_summary(folder)).as_sheet())
    flat = " ".join(text.split())
    assert "calling, 146.520 MHz; 30 s; tone 100.0 Hz; entry 1" in flat
    assert "30 s; no tone; the touch-tone zero, held 3.5 s; entry 2" in flat
    assert "30 s; tone unknown; entry 3" in flat


def test_from_to_and_message_numbers_stay_blank(folder: Path) -> None:
    for row in rows_of(communications_log(read_summary(folder)).as_csv()):
        assert [row[key] for key in CSV_HEAD[2:6]] == ["", "", "", ""]


def told(folder: Path, **by_entry: dict[str, str]) -> Path:
    """The watch with who spoke and notes as somebody typed them in review."""
    with WatchLog.open(folder, create=False) as log:
        for key, said in by_entry.items():
            verdict = said.get("verdict")
            change = Change(
                int(key.removeprefix("entry")),
                0,
                set_verdict=verdict is not None,
                verdict=None if verdict is None else Verdict(verdict),
                note=said.get("note"),
                who=said.get("who"),
            )
            assert change_marks(log, [change], PREPARED).done
    return folder


def test_who_spoke_and_notes_fill_their_columns_and_the_rest_stays_blank(tmp_path: Path) -> None:
    folder = told(
        made_watch(tmp_path),
        entry1={
            "who": " X0QAB  Tor > Ridge base ",
            "note": "two hurt\nat the bridge",
            "verdict": "call for help",
        },
        entry2={"who": "X0QAC", "verdict": "routine"},
        entry3={"who": "> Camp two", "verdict": "wrong opening"},
    )
    form = communications_log(read_summary(folder), marks=read_marks(folder))
    rows = [row for row in rows_of(form.as_csv()) if row["entry"]]
    assert [(row["from"], row["to"], row["mark"]) for row in rows] == [
        ("X0QAB Tor", "Ridge base", "call for help"),
        ("X0QAC", "", "routine"),
        ("", "Camp two", "wrong opening"),
    ]
    assert rows[0]["subject"].startswith("“two hurt at the bridge”; calling, 146.520 MHz")
    assert rows[0]["subject"].endswith("; entry 1; marked: call for help")
    assert "marked" not in rows[1]["subject"]
    assert rows[2]["subject"].endswith("marked: wrong opening")
    assert {row["from_message_number"] + row["to_message_number"] for row in rows} == {""}
    paper = " ".join(" ".join(pages(form.as_sheet())).split())
    for words in ("X0QAB Tor", "Ridge base", "two hurt at the bridge", "X0QAC", "Camp two"):
        assert words in paper


def test_the_longest_name_and_note_are_on_the_paper_whole(tmp_path: Path) -> None:
    note = " ".join(f"word{n}" for n in range(500))
    folder = told(made_watch(tmp_path), entry1={"note": note, "who": "W" * LONGEST_WHO})
    form = communications_log(read_summary(folder), marks=read_marks(folder))
    paper = "".join("".join(pages(form.as_sheet())).split())
    assert paper.count("W") >= LONGEST_WHO
    assert all(f"word{n}" in paper for n in range(500))


def test_a_formula_for_a_name_is_not_run_either(tmp_path: Path) -> None:
    folder = told(made_watch(tmp_path), entry1={"who": "=cmd|' /C calc'!A0 > +1"})
    rows = rows_of(communications_log(read_summary(folder), marks=read_marks(folder)).as_csv())
    assert (rows[0]["from"], rows[0]["to"]) == ("'=cmd|' /C calc'!A0", "'+1")


def test_a_break_over_ten_minutes_has_a_line_with_its_cause(folder: Path) -> None:
    rows = rows_of(communications_log(read_summary(folder)).as_csv())
    breaks = [row for row in rows if row["subject"].startswith("Not watched")]
    assert [(row["time_utc"], row["subject"], row["entry"]) for row in breaks] == [
        ("2031-05-04T07:00:00Z", "Not watched for 30 min: no radio", "")
    ]


def test_a_short_break_has_none() -> None:
    parts = Spans([span(0, 3000), span(3600, 7200)])
    form = communications_log(summarize(span(0, 7200), "UTC", watched={"calling": parts}))
    assert form.lines == ()
    parts = Spans([span(0, 2999), span(3600, 7200)])
    form = communications_log(summarize(span(0, 7200), "UTC", watched={"calling": parts}))
    assert len(form.lines) == 1


def test_csv_and_sheet_have_the_same_lines_in_order_of_time(folder: Path) -> None:
    form = communications_log(read_summary(folder))
    rows = rows_of(form.as_csv())
    assert [row["time_utc"] for row in rows] == sorted(row["time_utc"] for row in rows)
    assert [row["entry"] for row in rows if row["entry"]] == ["1", "2", "3"]
    (text,) = pages(form.as_sheet())
    places = [" ".join(text.split()).index(row["subject"]) for row in rows]
    assert places == sorted(places)


def test_pages_are_numbered_and_every_line_is_on_one() -> None:
    heard = [entry("calling", 60 * n, 5, n + 1) for n in range(120)]
    summary = summarize(
        span(0, 7200),
        "UTC",
        transmissions=heard,
        watched={"calling": Spans([span(0, 7200)])},
        watches=[watch(channel("calling"))],
    )
    found = pages(communications_log(summary).as_sheet())
    assert len(found) >= 3
    for number, text in enumerate(found, 1):
        assert f"Page {number} of {len(found)}" in text
        assert "Message or subject" in text
        assert "Prepared by" in text
    numbers = [int(n) for text in found for n in re.findall(r"entry (\d+)", text)]
    assert numbers == list(range(1, 121))


@pytest.mark.parametrize("plan_text", ["", "not = [ toml", '[[channel]]\nname = "calling"\n'])
def test_a_plan_that_does_not_read_leaves_blanks_and_the_name(tmp_path: Path, plan_text: str) -> None:
    form = communications_log(read_summary(made_watch(tmp_path, plan_text)))
    assert (form.station.operator, form.station.call_sign, form.station.place) == ("", "", "")
    assert form.station.name == "Harrow Ridge"


def test_a_formula_in_a_name_is_not_run_by_a_spreadsheet(folder: Path) -> None:
    """OWASP, "CSV Injection"."""
    rows = rows_of(communications_log(read_summary(folder), incident="=1+1").as_csv())
    assert {row["incident"] for row in rows} == {"'=1+1"}


def test_an_empty_log_says_so(tmp_path: Path) -> None:
    (text,) = pages(communications_log(summarize(span(0, 60), "UTC")).as_sheet())
    assert "Nothing was heard. That does not mean that nobody called." in text


def test_a_chosen_part_says_that_it_is_one(folder: Path) -> None:
    form = communications_log(read_summary(folder), only={2})
    assert [line.entry for line in form.lines if line.entry] == ["2"]
    assert any("1 of the 3 heard" in note for note in form.notes)
    assert form.lines[0].when_utc == at(1200) > START
