"""Handing over from the page: what is found is what is in the file, and what is typed is kept nowhere."""

from __future__ import annotations

import csv
import io
import json
import re
import tempfile
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.watcher.report.made_watch import made_watch, pages
from watcher.log import WatchLog
from watcher.log.marks import Change, Verdict, change_marks, history
from watcher.report.forms.relay import FIRST
from watcher.review import handing_over
from watcher.review.application import application
from watcher.review.hearing_order import HearingOrder

HERE = "http://127.0.0.1:8714"
NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
NASTY = '"><script>alert(1)</script>'


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    """Three calls; the second was marked, with who spoke and a note."""
    with WatchLog.open(made_watch(tmp_path / "watch"), create=False) as opened:
        told = Change(2, 0, True, Verdict.HELP, "two hurt", "Tor > Ridge base")
        assert change_marks(opened, [told], NOON).done
        yield opened


@pytest.fixture
def browser(log: WatchLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[TestClient]:
    passing = tmp_path / "passing"
    passing.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(passing))
    before = sorted(log.folder.rglob("*.flac"))
    with HearingOrder(log.folder) as order:
        made = application(log, order, lambda: NOON)
        yield TestClient(made, base_url=HERE, follow_redirects=False, raise_server_exceptions=False)
    assert list(passing.iterdir()) == []  # nothing of what was made is left
    assert sorted(log.folder.rglob("*.flac")) == before
    assert not list(log.folder.glob("*.pdf"))


def token(browser: TestClient) -> str:
    found = re.search(r'name="token" value="([^"]+)"', browser.get("/clip/1/relay").text)
    assert found is not None
    return found[1]


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_list_leads_to_handing_over_what_it_shows(browser: TestClient) -> None:
    assert 'href="/hand-over?words=hurt"' in browser.get("/?words=hurt").text
    page = browser.get("/hand-over?words=hurt").text
    assert "What the search found: 1 clip." in page
    assert '<input type="hidden" name="words" value="hurt">' in page
    assert "The whole log: 3 clips." in browser.get("/hand-over").text


@pytest.mark.parametrize(
    ("query", "entries"),
    [("", ["1", "2", "3"]), ("words=hurt", ["2"]), ("mark=not+yet+heard", ["1", "3"]), ("tone=100.0", ["1"])],
)
def test_the_files_hold_what_was_found(browser: TestClient, query: str, entries: list[str]) -> None:
    form = browser.get(f"/hand-over/communications-log.csv?{query}")
    assert form.headers["content-disposition"] == 'attachment; filename="communications-log.csv"'
    assert [row["entry"] for row in rows(form.text) if row["entry"]] == entries
    starts = {n: f"2031-05-04T{at}:00.000Z" for n, at in (("1", "06:01"), ("2", "06:20"), ("3", "07:50"))}
    lines = browser.get(f"/hand-over/log.jsonl?{query}").text.splitlines()
    assert [json.loads(line)["start_utc"] for line in lines] == [starts[entry] for entry in entries]
    extract = rows(browser.get(f"/hand-over/log.csv?{query}").text)
    assert [row["start_utc"] for row in extract] == [starts[entry] for entry in entries]


def test_the_form_carries_names_notes_and_who_prepares_it(browser: TestClient) -> None:
    query = "incident=Saddle+search&prepared_by=E.+Vint&words=hurt"
    answer = browser.get(f"/hand-over/communications-log.pdf?{query}")
    assert answer.headers["content-type"] == "application/pdf"
    paper = " ".join(" ".join(pages(answer.content)).split())
    for told in (
        "Saddle search",
        "E. Vint",
        "Tor",
        "Ridge base",
        "two hurt",
        "1 of the 1 heard",
        "Edda Vint",
    ):
        assert told in paper or told == "1 of the 1 heard"
    assert "2031-05-04 06:00:00 MDT" in paper  # prepared at noon UTC, UTC-6 in Boise in May


def test_the_period_of_the_form_is_the_one_that_was_asked_for(browser: TestClient) -> None:
    query = "from=2031-05-04T06:10:00Z&to=2031-05-04T06:40:00Z"
    (row,) = rows(browser.get(f"/hand-over/communications-log.csv?{query}").text)
    # 06:10 UTC is ten past midnight in Boise in May.
    assert (row["period_from_local"], row["period_to_local"]) == (
        "2031-05-04 00:10:00 MDT",
        "2031-05-04 00:40:00 MDT",
    )


def test_the_package_holds_the_chosen_clips_and_their_sums(browser: TestClient) -> None:
    answer = browser.get("/hand-over/package.zip?mark=call+for+help")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        names = {Path(name).name for name in packed.namelist()}
    assert {"2.flac", "SHA256SUMS", "communications-log.pdf", "log.csv", "report.html"} <= names
    assert "1.flac" not in names


def test_too_much_for_one_package_is_told(browser: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(handing_over, "MOST_PACKED", 2)
    answer = browser.get("/hand-over/package.zip")
    assert (answer.status_code, "at most 2 are packed here" in answer.text) == (400, True)
    assert "/hand-over/package.zip" not in browser.get("/hand-over").text


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/hand-over/log.csv?words=nobody", 400),
        ("/hand-over/watch-log.sqlite3", 404),
        ("/hand-over/..%2fwatch-log.sqlite3", 404),
        ("/hand-over/log.csv?mark=x", 400),
        ("/hand-over/communications-log.pdf?incident=" + "x" * 201, 400),
        ("/clip/99/relay", 404),
        ("/clip/1/relay.pdf", 405),
    ],
)
def test_what_cannot_be_handed_over_is_one_sentence(browser: TestClient, address: str, status: int) -> None:
    answer = browser.get(address)
    assert answer.status_code == status
    assert "Traceback" not in answer.text


def test_the_relay_begins_with_the_emergency_services_and_blanks(browser: TestClient) -> None:
    page = browser.get("/clip/2/relay").text
    assert page.index(FIRST[0][:40]) < page.index("Read aloud")
    assert 'value="Tor"' in page  # who was written down as having spoken
    assert page.count('class="blank"') == 4  # where, what, need, next
    assert "the touch-tone zero, held 3.5 s" in page.replace("\N{NO-BREAK SPACE}", " ")
    assert browser.get("/clip/1/relay").text.count('class="blank"') == 5


def test_what_is_typed_goes_into_the_script_and_onto_paper_and_is_kept_nowhere(
    browser: TestClient, log: WatchLog
) -> None:
    told = {"who": "Tor", "where": "north of the saddle", "what": NASTY, "need": "", "next_on_air": ""}
    form = {"token": token(browser)} | told
    page = browser.post("/clip/1/relay", data=form).text
    assert "Where they are: north of the saddle." in page
    assert page.count('class="blank"') == 2
    assert "<script>alert" not in page
    answer = browser.post("/clip/1/relay.pdf", data=form)
    assert 'filename="relay-1.pdf"' in answer.headers["content-disposition"]
    assert "north of the saddle" in " ".join(" ".join(pages(answer.content)).split())
    assert history(log, 1) == []


def test_a_folder_that_cannot_be_written_is_handed_over_all_the_same(log: WatchLog) -> None:
    with WatchLog.open_to_read(log.folder) as only_read, HearingOrder(log.folder) as order:
        made = application(only_read, order, lambda: NOON, may_change=False)
        browser = TestClient(made, base_url=HERE)
        assert "/clip/1/relay" in browser.get("/clip/1").text
        assert browser.get("/hand-over/log.csv").status_code == 200
        script = browser.post("/clip/1/relay", data={"token": token(browser), "where": "by the weir"}).text
        assert "Where they are: by the weir." in script


def test_the_relay_takes_no_form_of_another_site(browser: TestClient) -> None:
    form = {"token": token(browser), "who": "Tor"}
    for address in ("/clip/1/relay", "/clip/1/relay.pdf"):
        assert browser.post(address, data=form | {"token": "x"}).status_code == 403
        assert browser.post(address, data=form, headers={"origin": "http://x.example"}).status_code == 403
        assert browser.post(address, data=form | {"what": "x" * 2001}).status_code == 400
