"""The security list of the review page: what a hostile page, network, log or clip name could try.

The headings are the risks by the names of OWASP's lists (path traversal, cross-site request forgery, DNS
rebinding, cross-site scripting, content-security policy), from memory.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from tests.watcher.report.made_records import START, channel, entry
from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import LONGEST_NOTE, LONGEST_WHO, Change, change_marks, history
from watcher.receive.records import Clip
from watcher.review.application import Settings, application
from watcher.review.guard import Guard
from watcher.review.hearing_order import HearingOrder

HERE = "http://127.0.0.1:8714"
NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
SECRET = b"fLaC secret beside the folder"

NASTY_NAMES = [
    "</script><script>alert(1)</script>",
    '"><svg onload=alert(1)>',
    "' onmouseover='alert(1)' x='",
    "{{ 7 * 7 }}{% raw %}",
    "javascript:alert(1)",
    "\u202ereversed\u2066isolated",
    "a\r\nSet-Cookie: x=1",
    "&lt;b&gt;&amp;",
    "🏔" * 200 + "x" * 2000,
]
NASTY_PATHS = [
    "../secret.flac",
    "day/../../secret.flac",
    "/etc/hostname.flac",
    "day\\..\\..\\secret.flac",
    "linked/secret.flac",
    "linked.flac",
    "day/one.flac\u0000.txt",
    "watch-log.sqlite3",
    "day",
    "~/secret.flac",
    "loop.flac",
    "x" * 5000 + ".flac",
]


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    """One entry for every nasty path, then one on a channel of every nasty name; links lead outside."""
    folder = tmp_path / "watch"
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.flac").write_bytes(SECRET)
    (tmp_path / "secret.flac").write_bytes(SECRET)
    with WatchLog.open(folder, create=True) as opened:
        (folder / "day").mkdir()
        (folder / "linked").symlink_to(outside)
        (folder / "linked.flac").symlink_to(outside / "secret.flac")
        (folder / "loop.flac").symlink_to(folder / "loop.flac")
        watch_id = opened.begin_watch(WatchFacts(START, "made", "", "", "0", channels=(channel("Ridge"),)))
        for number, path in enumerate(NASTY_PATHS):
            heard = entry("Ridge", 60 * number, 5).transmission
            opened.add_transmission(watch_id, heard, Clip(heard, Path(f"day/{number}.flac"), "ab" * 32, 1))
            with opened._writable() as connection:  # as a damaged or forged log would have it
                forged = {"path": path, "entry": number + 1}
                connection.execute(
                    text("UPDATE transmission SET clip_path = :path WHERE entry_id = :entry"), forged
                )
        for number, name in enumerate(NASTY_NAMES):
            heard = entry(name, 3600 + 60 * number, 5, flags=(name[:50],)).transmission
            opened.add_transmission(watch_id, heard, None)
        yield opened


@pytest.fixture
def pages(log: WatchLog) -> Iterator[Guard]:
    with HearingOrder(log.folder) as order:
        yield application(log, order, lambda: NOON)


@pytest.fixture
def browser(pages: Guard) -> TestClient:
    return TestClient(pages, base_url=HERE, follow_redirects=False, raise_server_exceptions=False)


def token(browser: TestClient) -> str:
    found = re.search(r'name="token" value="([^"]+)"', browser.get("/clip/1").text)
    assert found is not None
    return found[1]


# --- path traversal -----------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(len(NASTY_PATHS)), ids=[path[:30] for path in NASTY_PATHS])
def test_no_path_in_the_log_leads_out_of_the_folder_or_to_what_is_no_clip(
    browser: TestClient, number: int
) -> None:
    for part in ("audio", "waveform", "spectrogram"):
        answer = browser.get(f"/clip/{number + 1}/{part}")
        assert answer.status_code == 503
        assert b"secret beside" not in answer.content
        assert b"SQLite format" not in answer.content
        assert "Traceback" not in answer.text
    assert browser.get(f"/clip/{number + 1}").status_code == 200  # the entry itself can be looked at


@pytest.mark.parametrize(
    "address",
    [
        *("/../secret.flac", "/%2e%2e/secret.flac", "/..%2fsecret.flac", "/%2e%2e%2fsecret.flac"),
        *("/%252e%252e%252fsecret.flac", "//etc/passwd", "/day/one.flac", "/own/../../secret.flac"),
        *("/own/%2e%2e%2f%2e%2e%2fsecret.flac", "/own//etc/passwd", "/own/..\\..\\secret.flac"),
        *(
            "/clip/../../secret.flac/audio",
            "/clip/%2fetc%2fpasswd/audio",
            "/status.json",
            "/own/review.js%00",
        ),
    ],
)
def test_no_address_is_a_path(browser: TestClient, address: str) -> None:
    answer = browser.get(address)
    assert answer.status_code in {400, 404}
    assert b"secret beside" not in answer.content


# --- reading changes nothing --------------------------------------------------------------------------

READ = [
    *(
        "/",
        "/?order=time",
        "/?words=x",
        "/clip/1",
        "/clip/1/audio",
        "/clip/1/waveform",
        "/strips",
        "/lessons",
    ),
    *("/clip/1/mark?mark=routine&revision=0", "/clip/1/undo?revision=0", "/marks?mark=routine&entry=1:0"),
    *("/marks/undo?batch=1", "/own/review.js"),
    *("/hand-over", "/hand-over/log.csv", "/hand-over/communications-log.pdf", "/clip/1/relay"),
]


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_reading_changes_nothing_whatever_is_asked(browser: TestClient, log: WatchLog, method: str) -> None:
    change_marks(log, [Change(1, 0, note="as it was")], NOON)

    def state() -> tuple[str, int]:
        with log.snapshot() as connection:
            rows = [
                connection.execute(text(f"SELECT * FROM {table}")).all()
                for table in ("transmission", "mark", "mark_history", "watch")
            ]
        files = sorted(path.name for path in log.folder.rglob("*") if "sqlite3" not in path.name)
        return hashlib.sha256(repr(rows).encode()).hexdigest(), len(files)

    before = state()
    secret = token(browser)
    for address in READ:
        joined = f"{address}{'&' if '?' in address else '?'}token={secret}"
        browser.request(method, joined)
    assert state() == before


@pytest.mark.parametrize(
    "method", ["PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PROPFIND", "mark"]
)
def test_other_methods_are_refused(browser: TestClient, method: str) -> None:
    for address in ("/", "/clip/1", "/clip/1/mark"):
        answer = browser.request(method, address)
        assert answer.status_code == 405
        assert "access-control-allow-origin" not in answer.headers


def test_a_form_overriding_its_method_changes_nothing(browser: TestClient, log: WatchLog) -> None:
    form = {"_method": "POST", "token": token(browser), "revision": "0", "mark": "routine"}
    assert browser.request("GET", "/clip/1/mark", params=form).status_code == 405
    assert browser.get("/clip/1/mark", headers={"x-http-method-override": "POST"}).status_code == 405
    assert history(log, 1) == []


# --- other pages and other names ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "host",
    [
        *(
            "rebound.example",
            "rebound.example:8714",
            "127.0.0.1.rebound.example",
            "localhost.rebound.example",
        ),
        *("0.0.0.0:8714", "[::ffff:127.0.0.1]", "127.0.0.1@rebound", "127.1", "2130706433"),
        *("127.0.0.1:8714:80", "127.0.0.1#rebound.example", "127.0.0.1\\rebound.example", "127.0.0.1:x"),
    ],
)
def test_a_name_rebound_to_this_machine_gets_nothing(browser: TestClient, host: str) -> None:
    for address in ("/", "/clip/1/audio", "/news", "/own/review.js"):
        answer = browser.get(address, headers={"host": host})
        assert answer.status_code == 421
        assert "Ridge" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8714", "LOCALHOST:8714", "localhost", "[::1]:8714"])
def test_its_own_names_are_answered(browser: TestClient, host: str) -> None:
    assert browser.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "origin",
    [
        *(
            "http://rebound.example",
            "null",
            "https://127.0.0.1.rebound.example",
            "http://127.0.0.1",
            "file://",
        ),
        *("http://127.0.0.1:8714.rebound.example", "http://[", "", "http://rebound.example/127.0.0.1:8714"),
    ],
)
def test_a_change_from_a_foreign_page_is_refused_though_it_had_the_token(
    browser: TestClient, log: WatchLog, origin: str
) -> None:
    form = {"token": token(browser), "revision": "0", "mark": "routine"}
    for address in ("/clip/1/mark", "/clip/1/undo", "/marks", "/marks/undo"):
        assert browser.post(address, data=form, headers={"origin": origin}).status_code == 403
    assert history(log, 1) == []


def test_no_foreign_page_is_let_read_an_answer(browser: TestClient) -> None:
    headers = browser.get("/", headers={"origin": "http://rebound.example"}).headers
    assert not [name for name in headers if name.startswith("access-control-")]
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"


def test_where_a_form_goes_back_to_is_never_another_site(browser: TestClient) -> None:
    form = {"token": token(browser), "revision": "0", "mark": "routine"}
    for back in (
        "//rebound.example",
        "http://rebound.example/",
        "\r\nLocation: http://rebound.example",
        "a=b",
    ):
        answer = browser.post("/clip/1/mark", data=form | {"back": back})
        assert answer.headers.get("location", "/").startswith("/")
        assert not answer.headers.get("location", "/").startswith("//")
        assert "rebound" not in answer.headers.get("location", "")


# --- headers ------------------------------------------------------------------------------------------


def test_the_policy_lets_nothing_in_but_our_own_files(browser: TestClient) -> None:
    """W3C, Content Security Policy Level 3: what is not listed falls to default-src, but for three."""
    policy = browser.get("/").headers["content-security-policy"]
    directives = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert directives["default-src"] == "'none'"
    assert set(directives.values()) <= {"'none'", "'self'"}
    assert {"base-uri", "form-action", "frame-ancestors"} <= set(directives)
    assert directives["frame-ancestors"] == directives["base-uri"] == "'none'"


def test_there_are_no_cookies_to_steal(browser: TestClient, pages: Guard) -> None:
    for address in ("/", "/clip/1", "/own/review.js", "/nowhere"):
        assert "set-cookie" not in browser.get(address).headers
    guarded = application(
        pages._application.state.desk.log,  # type: ignore[attr-defined]
        pages._application.state.desk.order,  # type: ignore[attr-defined]
        lambda: NOON,
        Settings(None, "brass lantern 7"),
    )
    answer = TestClient(guarded, base_url=HERE).get("/", auth=("who", "brass lantern 7"))
    assert answer.status_code == 200
    assert "set-cookie" not in answer.headers


def test_a_page_is_not_kept_by_the_browser_and_a_refusal_tells_no_more_than_it_must(
    browser: TestClient,
) -> None:
    assert browser.get("/").headers["cache-control"] == "no-store"
    refused = browser.get("/clip/999")
    assert (refused.status_code, refused.headers["cache-control"]) == (404, "no-store")
    assert "server" not in refused.headers
    assert str(Path.cwd()) not in refused.text


# --- words are words ----------------------------------------------------------------------------------


class Parts(HTMLParser):
    """What a browser would run or load, and the text it would show."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.shown: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "script" and not (named.get("src") or "").startswith("/own/"):
            self.found.append(tag)
        if tag in {"iframe", "object", "embed", "base", "style"}:
            self.found.append(tag)
        for name, value in attrs:
            if name.startswith("on") or name in {"style", "srcdoc"}:
                self.found.append(f"{tag} {name}")
            if name in {"href", "src", "action", "formaction"} and not (value or "").startswith(
                ("/", "?", "#")
            ):
                self.found.append(f"{tag} {name}={value}")

    def handle_data(self, data: str) -> None:
        self.shown.append(data)


@pytest.mark.parametrize("number", range(len(NASTY_NAMES)), ids=[name[:20] for name in NASTY_NAMES])
def test_names_notes_and_searches_are_shown_and_never_run(
    browser: TestClient, log: WatchLog, number: int
) -> None:
    nasty, entry_id = NASTY_NAMES[number], len(NASTY_PATHS) + number + 1
    change_marks(log, [Change(entry_id, 0, note=nasty[:LONGEST_NOTE], who=nasty[:LONGEST_WHO])], NOON)
    at = (START + timedelta(hours=1)).isoformat().replace("+00:00", "Z")
    for address, query in (
        (f"/clip/{entry_id}", {}),
        ("/", {}),
        ("/", {"order": "time", "words": nasty[:100], "channel": nasty[:100]}),
        ("/strips", {"length": "day", "at": at}),
        ("/lessons", {}),
        (f"/clip/{entry_id}", {"words": nasty[:100]}),
    ):
        answer = browser.get(address, params=query)
        assert answer.status_code == 200
        parts = Parts()
        parts.feed(answer.text)
        assert parts.found == []
    told = Parts()
    told.feed(browser.get(f"/clip/{entry_id}").text)
    shown = "".join(told.shown)
    assert "".join(nasty[:LONGEST_WHO].split())[:60] in "".join(shown.split())


def test_a_letter_that_reverses_stands_in_an_isolate_of_its_own(browser: TestClient, log: WatchLog) -> None:
    """WHATWG HTML, 4.5.24: the bdi element keeps its text from turning what stands around it."""
    entry_id = len(NASTY_PATHS) + 6
    change_marks(log, [Change(entry_id, 0, note="\u202enote", who="\u202ewho")], NOON)
    for address in ("/?order=time", f"/clip/{entry_id}"):
        page = browser.get(address).text
        assert "<bdi>\u202ereversed\u2066isolated</bdi>" in page
        assert "<bdi>\u202enote</bdi>" in page
        assert "<bdi>\u202ewho</bdi>" in page
