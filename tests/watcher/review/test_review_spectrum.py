"""The spectrum over time as a browser meets it: spans, names, outlines, words, and wrong requests."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.watcher.report.test_span_picture import keep
from watcher.log import WatchFacts, WatchLog
from watcher.log.spans import Span
from watcher.plan.model import Channel
from watcher.receive.records import EndedBy, Transmission
from watcher.report.local_time import LocalClock
from watcher.review.application import application
from watcher.review.hearing_order import HearingOrder
from watcher.review.spectrum_drawing import LABEL_APART, UNITS
from watcher.review.spectrum_page import MOST_DRAWN, spectrum_page

NINE = datetime(2031, 5, 4, 9, tzinfo=UTC)
HERE = "http://127.0.0.1:8714"
HOSTILE = "<script>alert(1)</script>\"'>"
LISTED = (
    Channel(name="2 m calling", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500),
    Channel(name=HOSTILE, frequency_hz=146_532_500, mode="nfm", bandwidth_hz=12_500),
    Channel(name="Elsewhere", frequency_hz=462_562_500, mode="nfm", bandwidth_hz=12_500),
)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    """Two windows of five minutes at nine and at noon, spectra of the first, a call two minutes in."""
    with WatchLog.open(tmp_path, create=True) as opened:
        facts = WatchFacts(NINE, "made", "plan", "00", "0", channels=LISTED, time_zone="America/Boise")
        watch_id = opened.begin_watch(facts)
        for hours in (0, 3):
            start = NINE + timedelta(hours=hours)
            opened.add_window(watch_id, Span(start, start + timedelta(minutes=5)), "every 3 h")
        keep(tmp_path, 0, 145, (60, 146_520_000, 5, 40))
        start, stop = NINE + timedelta(seconds=120), NINE + timedelta(seconds=122)
        times = start, stop, start, stop
        heard = Transmission("2 m calling", 146_520_000, "nfm", 0, 1, *times, EndedBy.CARRIER_DROP)
        opened.add_transmission(watch_id, heard, None)
        yield opened


@pytest.fixture
def browser(log: WatchLog) -> Iterator[TestClient]:
    with HearingOrder(log.folder) as order:
        pages = application(log, order, lambda: NINE)
        yield TestClient(pages, base_url=HERE, follow_redirects=False, raise_server_exceptions=False)


def test_a_window_is_shown_with_its_channels_its_call_and_both_times(browser: TestClient) -> None:
    page = browser.get("/spectrum?at=2031-05-04T09:01:00Z")
    assert page.status_code == 200
    assert "Sun 4 May 2031, 03:00:00 MDT to 03:05:00 MDT" in page.text
    assert "2031-05-04 09:00:00 to 2031-05-04 09:05:00 UTC" in page.text
    assert "09:00:00 UTC" in page.text and ">03:00:00<" in page.text
    (box,) = re.findall(r'href="/clip/1" aria-label="([^"]+)"><rect class="outline" x="([\d.]+)"', page.text)
    assert box == (
        "2 m calling at 03:02:00 MDT, 2\N{NO-BREAK SPACE}s",
        "400.0",
    )  # of 1000 across: 120 of 300 s
    assert "1 transmission, 2" in page.text and "Elsewhere" not in page.text
    assert HOSTILE not in page.text and html.escape(HOSTILE, quote=False)[:20] in page.text
    assert "style=" not in page.text and "<style" not in page.text


def test_the_picture_is_where_the_page_says(browser: TestClient) -> None:
    page = browser.get("/spectrum?at=2031-05-04T09:01:00Z").text
    (source,) = re.findall(r'src="(/spectrum/picture\?[^"]+)"', page)
    picture = browser.get(html.unescape(source))
    assert picture.status_code == 200 and picture.headers["content-type"] == "image/png"
    assert picture.content.startswith(b"\x89PNG")


def test_earlier_and_later_lead_from_window_to_window(browser: TestClient) -> None:
    first = browser.get("/spectrum?at=2031-05-04T09:01:00Z").text
    assert 'rel="prev"' not in first
    (later,) = re.findall(r'rel="next" data-key="." href="([^"]+)"', first)
    second = browser.get(html.unescape(later)).text
    assert "06:00:00 MDT to 06:05:00 MDT" in second and "No spectrum was kept" in second
    (earlier,) = re.findall(r'rel="prev" data-key="," href="([^"]+)"', second)
    assert "03:00:00 MDT to 03:05:00 MDT" in browser.get(html.unescape(earlier)).text
    # Between windows the one before is shown; without an instant the last.
    assert "03:00:00 MDT" in browser.get("/spectrum?at=2031-05-04T10:00:00Z").text
    assert "06:00:00 MDT" in browser.get("/spectrum").text


def test_close_to_a_channel_its_band_is_drawn(browser: TestClient) -> None:
    page = browser.get("/spectrum?at=2031-05-04T09:01:00Z&mhz=146.52").text
    assert "146.470 to 146.570\N{NO-BREAK SPACE}MHz" in page and 'class="band"' in page
    assert "/spectrum?" in browser.get("/clip/1").text and "mhz=146.520" in browser.get("/clip/1").text
    assert "/spectrum?length=day" in browser.get("/strips").text


@pytest.mark.parametrize("length", ["day", "hour", "minute"])
def test_other_lengths_are_shown_too(browser: TestClient, length: str) -> None:
    page = browser.get(f"/spectrum?at=2031-05-04T09:02:00Z&length={length}")
    assert page.status_code == 200 and 'class="outline"' in page.text


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/spectrum?length=year", 400),
        ("/spectrum?at=yesterday", 400),
        ("/spectrum?at=2031-05-04T09:00:00", 400),
        ("/spectrum?length=hour&at=0001-01-01T00:00:00Z", 400),
        ("/spectrum?length=day&at=9999-12-31T23:59:59Z", 400),
        ("/spectrum?mhz=1e9", 400),
        ("/spectrum?mhz=-1", 400),
        ("/spectrum?mhz=146.5200001", 400),
        ("/spectrum/picture", 400),
        ("/spectrum/picture?from=2031-05-04T09:00:00Z&to=2031-06-04T09:00:00Z", 400),
        ("/spectrum/picture?from=2031-05-04T09:00:00Z&to=2031-05-04T09:00:00Z", 400),
        (
            "/spectrum/picture?from=2031-05-04T09:00:00Z&to=2031-05-04T09:05:00Z&tuned=1&rate=2&low=0&high=9",
            404,
        ),
        (
            "/spectrum/picture?from=9999-12-31T23:00:00Z&to=9999-12-31T23:59:59Z&tuned=1&rate=2&low=0&high=9",
            404,
        ),
    ],
)
def test_what_cannot_be_is_told_in_one_sentence(browser: TestClient, address: str, status: int) -> None:
    found = browser.get(address)
    assert found.status_code == status and "the program made a mistake" not in found.text


def test_a_folder_without_spectra_says_so(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        empty = spectrum_page(log, "window", None, None, LocalClock("UTC"))
        assert empty.tunings == ()
        watch_id = log.begin_watch(WatchFacts(NINE, "made", "plan", "00", "0", channels=LISTED))
        log.add_window(watch_id, Span(NINE, NINE + timedelta(hours=20)), "all day")
        page = spectrum_page(log, "window", NINE + timedelta(hours=5, minutes=10), None, LocalClock("UTC"))
        assert page.tunings == () and page.title == "Sun 4 May 2031, 14:00:00 UTC to 15:00:00 UTC"
        assert "13%3A59%3A59.999" in page.earlier and "15%3A00%3A00" in page.later


def test_what_is_not_listed_is_named_beside_the_picture_and_told(browser: TestClient, log: WatchLog) -> None:
    # Three calls of 20 dB in rows of 2 s, 100 kHz above the middle, beside a listed one.
    keep(log.folder, 3600, 145, *((row, 146_098_000, 4, 40) for row in (20, 70, 71, 120)))
    log.add_window(1, Span(NINE + timedelta(hours=1), NINE + timedelta(minutes=65)), "follow-up")
    page = browser.get("/spectrum?at=2031-05-04T10:01:00Z").text.replace("\N{NO-BREAK SPACE}", " ")
    assert '<text class="strange"' in page and '? <tspan class="long">146.1' in page
    (row,) = re.findall(r'<th scope="row">not listed</th>.*?</tr>', page)
    assert "seen 3 times from 04:00:40 MDT" in row and "146.10" in row
    assert "mostly the radio's own" in html.unescape(page)
    day = browser.get("/spectrum?at=2031-05-04T10:01:00Z&length=day").text
    assert '"strange" x=' not in day and "views of an hour or less" in day


def test_more_than_can_be_drawn_is_counted(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(WatchFacts(NINE, "made", "plan", "00", "0", channels=LISTED))
        log.add_window(watch_id, Span(NINE, NINE + timedelta(minutes=5)), "")
        keep(tmp_path, 0, 10)
        with log.unit():
            for number in range(MOST_DRAWN + 1):
                times = (NINE + timedelta(seconds=number), NINE + timedelta(seconds=number + 0.5)) * 2
                heard = Transmission("Ridge", 146_520_000, "nfm", 0, 1, *times, EndedBy.CARRIER_DROP)
                log.add_transmission(watch_id, heard, None)
        (view,) = spectrum_page(log, "window", None, None, LocalClock("UTC")).tunings
    assert view.outlines == () and view.left_out == MOST_DRAWN + 1


def test_names_stand_apart_and_inside(tmp_path: Path) -> None:
    crowd = [
        Channel(name=f"Nr {n}", frequency_hz=146_900_000 + 12_500 * n, mode="nfm", bandwidth_hz=12_500)
        for n in range(20)
    ]
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(WatchFacts(NINE, "made", "plan", "00", "0", channels=(*crowd, *LISTED)))
        log.add_window(watch_id, Span(NINE, NINE + timedelta(minutes=5)), "")
        keep(tmp_path, 0, 10)
        (view,) = spectrum_page(log, "window", None, None, LocalClock("UTC")).tunings
    places = [label.text_y for label in view.labels]
    assert len(places) == 22 and view.labels[0].name == "Nr 19"
    assert all(later - before >= LABEL_APART - 0.11 for before, later in pairwise(places))
    assert min(places) >= 0 and max(places) <= UNITS[1]
