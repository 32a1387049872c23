"""The review page as a browser meets it: pages, marks, conflicts, undo, and a list of hostile requests."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
from starlette.testclient import TestClient

from watcher.errors import UsageProblem
from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import Change, Verdict, change_marks, history, marks
from watcher.plan.model import Channel
from watcher.receive.records import LONG_TONE, Clip, EndedBy, Measured, Transmission, Watched
from watcher.review.application import Settings, application
from watcher.review.hearing_order import HearingOrder
from watcher.review.serving import settings_for

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
HERE = "http://127.0.0.1:8714"
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>{{7*7}}"


def heard(number: int, channel: str, **said: object) -> Transmission:
    start = NOON + timedelta(minutes=number)
    return Transmission(
        **{  # type: ignore[arg-type]
            "channel": channel,
            "frequency_hz": 146_520_000,
            "mode": "nfm",
            "start_sample": 0,
            "stop_sample": 1,
            "start_utc": start,
            "end_utc": start + timedelta(seconds=2),
            "clip_start_utc": start,
            "clip_end_utc": start + timedelta(seconds=2),
            "ended_by": EndedBy.CARRIER_DROP,
            "snr_db": Measured(12.0, 0.4),
            **said,
        }
    )


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    """Entry 1 has a clip, 2 a forged path, 3 a flag, 4 hostile words."""
    folder = tmp_path / "watch"
    (tmp_path / "secret.flac").write_bytes(b"secret")
    with WatchLog.open(folder, create=True) as opened:
        listed = Channel(name="Ridge", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500)
        facts = WatchFacts(NOON, "made", "plan", "00", "0", channels=(listed,), station="Harrow Ridge")
        watch_id = opened.begin_watch(facts)
        opened.add_watched(watch_id, Watched("Ridge", NOON, NOON + timedelta(hours=1)))
        (folder / "day").mkdir()
        noise = np.random.default_rng(1).normal(0, 0.1, 32_000).astype(np.float32)
        soundfile.write(folder / "day" / "one.flac", noise, 16_000)
        for number, path, said in (
            (0, "day/one.flac", {}),
            (1, "../secret.flac", {}),
            (2, "day/none.flac", {"flags": (LONG_TONE,)}),
        ):
            one = heard(number, "Ridge", **said)
            opened.add_transmission(watch_id, one, Clip(one, Path(path), "ab" * 32, 32_000))
        opened.add_transmission(watch_id, heard(3, HOSTILE, flags=(HOSTILE,)), None)
        yield opened


@pytest.fixture
def browser(log: WatchLog) -> Iterator[TestClient]:
    with HearingOrder(log.folder) as order:
        pages = application(log, order, lambda: NOON)
        yield TestClient(pages, base_url=HERE, follow_redirects=False, raise_server_exceptions=False)


def token(browser: TestClient) -> str:
    found = re.search(r'name="token" value="([^"]+)"', browser.get("/clip/1").text)
    assert found is not None
    return found[1]


def mark(browser: TestClient, entry_id: int = 1, revision: int = 0, **said: str) -> int:
    form = {"token": token(browser), "revision": str(revision), "mark": "routine", "note": "", "who": ""}
    return browser.post(f"/clip/{entry_id}/mark", data=form | said).status_code


def order_of(page: str) -> list[int]:
    return [int(number) for number in re.findall(r'class="open" href="/clip/(\d+)\?', page)]


def test_the_flagged_one_is_heard_first_and_time_goes_backwards(browser: TestClient, log: WatchLog) -> None:
    first = browser.get("/")
    assert first.status_code == 200
    assert "a zero held three seconds or more" in first.text
    assert order_of(first.text)[0] == 3
    assert order_of(browser.get("/?order=time").text) == [4, 3, 2, 1]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("channel=Ridge", {1, 2, 3}),
        ("flag=long-tone", {3}),
        ("tone=unknown", {1, 2, 3, 4}),
        ("tone=100.0", set()),
        ("mark=look+into+it", {2}),
        ("mark=not+yet+heard", {1, 3, 4}),
        ("words=BRIDGE", {2}),
        ("words=%25", set()),
        ("from=2031-05-04T12:02:30Z", {4}),
        ("to=2031-05-04T12:01:00Z", {1}),
    ],
)
def test_filters_leave_what_they_name(
    browser: TestClient, log: WatchLog, query: str, found: set[int]
) -> None:
    change_marks(log, [Change(2, 0, set_verdict=True, verdict=Verdict.LOOK, note="by the bridge")], NOON)
    assert set(order_of(browser.get(f"/?{query}").text)) == found


def test_a_mark_with_note_and_speaker_is_kept_and_undone(browser: TestClient, log: WatchLog) -> None:
    assert mark(browser, mark="call for help", note="two hurt", who="Ösker") == 303
    stands = marks(log, [1])[1]
    assert (stands.verdict, stands.note, stands.who) == (Verdict.HELP, "two hurt", "Ösker")
    undone = browser.post("/clip/1/undo", data={"token": token(browser), "revision": "1"})
    assert undone.status_code == 303
    assert marks(log, [1])[1].verdict is None


def test_the_slower_tab_is_told_and_its_words_are_shown(browser: TestClient, log: WatchLog) -> None:
    change_marks(log, [Change(1, 0, set_verdict=True, verdict=Verdict.HELP)], NOON)
    form = {"token": token(browser), "revision": "0", "mark": "routine", "note": "my words", "who": ""}
    answer = browser.post("/clip/1/mark", data=form)
    assert answer.status_code == 409
    assert "my words" in answer.text
    assert marks(log, [1])[1].verdict is Verdict.HELP


def test_several_are_marked_and_undone_together(browser: TestClient, log: WatchLog) -> None:
    form = {"token": token(browser), "mark": "wrong opening", "entry": ["1:0", "2:0", "3:7"]}
    answer = browser.post("/marks", data=form)
    assert "done=2&missed=1" in answer.headers["location"]
    batch = answer.headers["location"].partition("batch=")[2]
    browser.post("/marks/undo", data={"token": token(browser), "batch": batch})
    assert {one.verdict for one in marks(log, [1, 2, 3]).values()} == {None}


def test_after_a_mark_the_next_of_the_view_comes(browser: TestClient) -> None:
    form = {"token": token(browser), "revision": "0", "mark": "routine", "go_on": "1"}
    answer = browser.post("/clip/3/mark", data=form | {"back": "order=time&mark=not+yet+heard"})
    assert answer.headers["location"].startswith("/clip/2?")


def test_a_clip_is_sent_whole_and_in_parts(browser: TestClient, log: WatchLog) -> None:
    whole = (log.folder / "day" / "one.flac").read_bytes()
    assert browser.get("/clip/1/audio").content == whole
    part = browser.get("/clip/1/audio", headers={"range": "bytes=10-19"})
    assert (part.status_code, part.content) == (206, whole[10:20])
    assert browser.get("/clip/1/waveform").text.startswith("<svg ")
    assert browser.get("/clip/1/spectrogram").content[:4] == b"\x89PNG"


def test_what_the_row_names_outside_the_folder_is_not_read(browser: TestClient, log: WatchLog) -> None:
    for address in ("/clip/2/audio", "/clip/2/waveform", "/clip/2/spectrogram"):
        answer = browser.get(address)
        assert answer.status_code == 503
        assert "lies outside the folder" in answer.text
    (log.folder / "day" / "none.flac").symlink_to(log.folder.parent / "secret.flac")
    answer = browser.get("/clip/3/audio")
    assert (answer.status_code, b"secret" in answer.content) == (503, False)


HOSTILE_ADDRESSES = [
    *("/clip/0", "/clip/-1", "/clip/99999999999999999999", "/clip/1e3", "/clip/٣", "/clip/1%00"),
    *("/clip/..%2f..%2fetc%2fpasswd", "/own/..%2freview.js", "/own/%2e%2e/serving.py", "/own/serving.py"),
    *("/?page=0", "/?page=-1", "/?page=999999999", "/?order=<script>", "/?mark=1'--", "/?from=yesterday"),
    *("/?from=9999-99-99T00:00:00Z", "/?channel=" + "x" * 300, "/strips?length=aeon", "/strips?at=x"),
    *("/strips?at=0001-01-01T00:00:00Z&length=month", "/watch-log.sqlite3", "/?batch=x"),
]


@pytest.mark.parametrize("address", HOSTILE_ADDRESSES)
def test_a_hostile_address_is_refused_with_a_sentence(browser: TestClient, address: str) -> None:
    answer = browser.get(address)
    assert answer.status_code in {400, 404}, answer.text
    assert "<script>a" not in answer.text
    assert "Traceback" not in answer.text


def test_hostile_words_are_shown_as_words(browser: TestClient, log: WatchLog) -> None:
    assert mark(browser, 4, note=HOSTILE, who=HOSTILE) == 303
    for address in (
        "/",
        "/clip/4",
        "/strips?at=2031-05-04T12:00:00Z",
        "/lessons",
        "/?channel=" + "%3Cscript%3E",
    ):
        page = browser.get(address).text
        assert "<script>alert" not in page
        assert "<img src=x" not in page
        assert not re.search(r"<script(?! src=)|\son\w+=\"|\sstyle=", page)


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "a@127.0.0.1", "127.0.0.1/x"])
def test_another_host_name_is_refused(browser: TestClient, host: str) -> None:
    assert browser.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
    ],
)
def test_a_change_from_another_page_is_refused(
    browser: TestClient, log: WatchLog, headers: dict[str, str]
) -> None:
    form = {"token": token(browser), "revision": "0", "mark": "routine"}
    assert browser.post("/clip/1/mark", data=form, headers=headers).status_code == 403
    assert marks(log, [1])[1].revision == 0


@pytest.mark.parametrize("offered", ["", "x", "é"])
def test_a_change_without_the_token_is_refused(browser: TestClient, log: WatchLog, offered: str) -> None:
    assert mark(browser, token=offered) == 403
    assert marks(log, [1])[1].revision == 0


def test_nothing_changes_by_reading(browser: TestClient, log: WatchLog) -> None:
    for address in ("/clip/1/mark?mark=routine", "/clip/1/undo", "/marks", "/marks/undo"):
        assert browser.get(address).status_code == 405
    assert browser.put("/clip/1").status_code == 405
    assert marks(log, [1])[1].revision == 0


def test_a_form_too_large_or_of_another_kind_is_refused(browser: TestClient) -> None:
    assert mark(browser, note="x" * 70_000) == 413
    assert mark(browser, note="x" * 5_000) == 400
    assert browser.post("/clip/1/mark", json={"mark": "routine"}).status_code == 415


def test_every_answer_carries_the_security_headers(browser: TestClient) -> None:
    for address in ("/", "/clip/1/audio", "/nowhere", "/own/review.js"):
        headers = browser.get(address).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert "frame-ancestors 'none'" in policy


def test_another_address_needs_a_password(log: WatchLog) -> None:
    with pytest.raises(UsageProblem, match=r"--address is 0\.0\.0\.0, which other machines can reach"):
        settings_for("0.0.0.0", None)
    with HearingOrder(log.folder) as order:
        with pytest.raises(ValueError, match="a password must be set"):
            application(log, order, lambda: NOON, Settings(None, ""))
        pages = application(log, order, lambda: NOON, settings_for("0.0.0.0", "long enough"))
        browser = TestClient(pages, base_url="http://ridge.example")
        assert browser.get("/").status_code == 401
        for password, status in (("wrong", 401), ("long enough", 200)):
            offered = base64.b64encode(f"any:{password}".encode()).decode()
            assert browser.get("/", headers={"authorization": f"Basic {offered}"}).status_code == status
        assert browser.get("/", headers={"authorization": "Basic %%%"}).status_code == 401


def test_strips_tell_heard_quiet_and_not_watched_apart(browser: TestClient) -> None:
    page = browser.get("/strips?length=day&at=2031-05-04T12:00:00Z").text.replace("\N{NO-BREAK SPACE}", " ")
    assert "3 heard in 6 s, quiet for 59 min 54 s, not watched for 23 h" in page
    assert 'fill="url(#missed)"' in page
    assert 'class="quiet"' in page


def test_a_body_without_an_end_is_cut_off_early(browser: TestClient, log: WatchLog) -> None:
    sent = 0

    def endless() -> Iterator[bytes]:
        nonlocal sent
        while sent < 50_000_000:
            sent += 16_384
            yield b"note=" + b"x" * 16_379

    answer = browser.post(
        "/clip/1/mark", content=endless(), headers={"content-type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code == 413
    assert history(log, 1) == []


@pytest.mark.parametrize(
    "fields", ["&".join(f"a{n}=1" for n in range(5000)), "&" * 60_000, "%" * 60_000, "=" * 60_000]
)
def test_a_form_of_nonsense_is_refused(browser: TestClient, log: WatchLog, fields: str) -> None:
    answer = browser.post(
        "/clip/1/mark", content=fields, headers={"content-type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code in {400, 403}
    assert history(log, 1) == []


def test_more_clips_than_a_page_holds_are_not_marked_at_once(browser: TestClient, log: WatchLog) -> None:
    form = {"token": token(browser), "mark": "routine", "entry": [f"{n}:0" for n in range(1, 102)]}
    assert browser.post("/marks", data=form).status_code == 400
    assert history(log, 1) == []
