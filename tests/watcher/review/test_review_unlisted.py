"""The page of suggestions tells of what was seen between the listed channels in the last day of spectra."""

from __future__ import annotations

import re
import shutil
import threading
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from dsp.modulate import Unmodulated
from tests.on_the_air import BEGAN_UTC, call, listed, receive, scene
from watcher.log import WatchFacts, WatchLog
from watcher.log.spans import Span
from watcher.log.spectra import latest_utc
from watcher.receive.spectra import SpectrumStore
from watcher.receive.spectrum_file import SPECTRA_FOLDER
from watcher.report.unlisted import UnlistedActivity
from watcher.review.application import application
from watcher.review.hearing_order import HearingOrder
from watcher.review.unlisted_lately import Asked, UnlistedLook

RATE_HZ = 240_000
LISTED, UNLISTED = listed(30_000), listed(-60_000)
HERE = "http://127.0.0.1:8714"


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of forty seconds with its spectra: an unlisted call of 4 s and a carrier that never stops."""
    folder = tmp_path_factory.mktemp("watch")
    with WatchLog.open(folder, create=True) as log:
        log.begin_watch(WatchFacts(BEGAN_UTC, "made", "", "00", "0", channels=(LISTED,)))
    carrier = call(listed(70_000), 0, 40, 15, modulation=Unmodulated())
    made = scene(RATE_HZ, 40, call(UNLISTED, 20, 24, 15), call(LISTED, 30, 34, 30), carrier)
    receive(made, [LISTED], spectra=SpectrumStore(folder))
    return folder


@pytest.fixture
def folder(watched: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copytree(watched, tmp_path / "log"))


@pytest.fixture
def browser(folder: Path) -> Iterator[TestClient]:
    with WatchLog.open(folder, create=False) as log, HearingOrder(folder) as order:
        yield TestClient(application(log, order, lambda: BEGAN_UTC), base_url=HERE)


def page_of(browser: TestClient) -> str:
    """The page when it has been looked for."""
    for _ in range(100):
        page = browser.get("/lessons")
        assert page.status_code == 200
        if "Look again" not in page.text:
            return page.text
    raise AssertionError("it looks for ever")


def test_the_page_offers_a_table_and_shows_where_it_comes_from(browser: TestClient) -> None:
    page = page_of(browser)
    assert "style=" not in page
    (table,) = re.findall(r"<pre[^>]*>([^<]+)</pre>", page)
    (channel,) = tomllib.loads(table.replace("&#34;", '"'))["channel"]
    assert channel["frequency_mhz"] == 146.46
    assert "What never stopped" in page and "146.590" in page
    (address,) = re.findall(r'href="(/spectrum\?[^"]+mhz=146.460)"', page)
    assert browser.get(address.replace("&amp;", "&")).status_code == 200


def test_what_is_written_later_is_told_too(browser: TestClient, folder: Path) -> None:
    assert "146.430" not in page_of(browser)
    later = scene(RATE_HZ, 40, call(listed(-90_000), 10, 14, 15))
    receive(later, [LISTED], seed=2, spectra=SpectrumStore(folder))
    # The day as it was found stands while it is looked through again.
    assert any("146.430" in page_of(browser) for _ in range(100))


def test_a_folder_from_before_spectra_were_kept_is_read(browser: TestClient, folder: Path) -> None:
    shutil.rmtree(folder / SPECTRA_FOLDER)
    assert "no spectra lie beside this log" in page_of(browser)
    assert browser.get("/spectrum").status_code == 200
    assert latest_utc(folder) is None


def test_the_newest_spectra_end_where_the_samples_did(folder: Path) -> None:
    ended = latest_utc(folder)
    assert ended is not None
    assert abs((ended - BEGAN_UTC - timedelta(seconds=40)).total_seconds()) < 0.25


def test_damaged_spectra_do_not_stop_the_page(browser: TestClient, folder: Path) -> None:
    for path in (folder / SPECTRA_FOLDER).iterdir():
        path.write_bytes(path.read_bytes()[:50])
    assert "no spectra lie beside this log" in page_of(browser)


def test_a_page_does_not_wait_and_what_was_found_stands_meanwhile(tmp_path: Path) -> None:
    may_end = threading.Event()

    def work(asked: Asked) -> UnlistedActivity:
        may_end.wait(30)
        return UnlistedActivity(float(len(asked.files)), ())

    look = UnlistedLook(work)
    first = Asked(tmp_path, (("a", 1),), (), Span(BEGAN_UTC, BEGAN_UTC))
    second = replace(first, files=(("a", 1), ("b", 1)))
    assert look.latest(first, 0.0) is None
    may_end.set()
    assert look.latest(first, 30.0) == UnlistedActivity(1.0, ())
    may_end.clear()
    assert look.latest(second, 0.0) == UnlistedActivity(1.0, ())
    may_end.set()
    assert look.latest(second, 30.0) == UnlistedActivity(2.0, ())


def test_a_look_that_failed_is_made_again(tmp_path: Path) -> None:
    answers = iter([OSError("gone"), UnlistedActivity(1.0, ())])

    def work(asked: Asked) -> UnlistedActivity:
        answer = next(answers)
        if isinstance(answer, OSError):
            raise answer
        return answer

    look, asked = UnlistedLook(work), Asked(tmp_path, (), (), Span(BEGAN_UTC, BEGAN_UTC))
    assert look.latest(asked, 30.0) is None
    assert look.latest(asked, 30.0) == UnlistedActivity(1.0, ())
