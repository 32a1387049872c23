"""Several tabs and a standing watch at once: no mark that was kept is lost, and nothing heard."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.watcher.report.made_records import START, channel, entry
from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import history, marks
from watcher.log.search import state
from watcher.review.application import application
from watcher.review.hearing_order import HearingOrder

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
HERE = "http://127.0.0.1:8714"
TABS, ROUNDS, ENTRIES, HEARD = 6, 12, 3, 60
WATCH = """
import sys
from pathlib import Path
from tests.watcher.report.made_records import entry
from watcher.log import WatchLog

with WatchLog.open(Path(sys.argv[1]), create=False) as log:
    for number in range(int(sys.argv[2])):
        log.add_transmission(1, entry("Ridge", 3600 + 10 * number, 5).transmission, None)
"""


class Tab(threading.Thread):
    """Opens clips in turn and writes a note of its own into each; counts what the page said was kept."""

    def __init__(self, pages: object, number: int, token: str) -> None:
        super().__init__()
        self._browser = TestClient(pages, base_url=HERE, follow_redirects=False)  # type: ignore[arg-type]
        self._number, self._token = number, token
        self.kept: list[tuple[int, str]] = []
        self.refused = 0
        self.others: set[int] = set()

    def run(self) -> None:
        for turn in range(ROUNDS):
            entry_id = 1 + (turn + self._number) % ENTRIES
            note = f"tab {self._number}, turn {turn}"
            while True:
                seen = re.search(
                    r'name="revision" value="(\d+)"', self._browser.get(f"/clip/{entry_id}").text
                )
                assert seen is not None
                form = {"token": self._token, "revision": seen[1], "mark": "routine", "note": note, "who": ""}
                answer = self._browser.post(f"/clip/{entry_id}/mark", data=form)
                if answer.status_code == 303:
                    self.kept.append((entry_id, note))
                    break
                if answer.status_code != 409:
                    self.others.add(answer.status_code)
                    return
                assert note in answer.text  # what was typed is shown again
                self.refused += 1


@pytest.mark.slow
def test_tabs_that_mark_at_once_while_a_watch_writes_lose_nothing(checkout: Path, tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(WatchFacts(START, "made", "", "", "0", channels=(channel("Ridge"),)))
        for number in range(ENTRIES):
            log.add_transmission(watch_id, entry("Ridge", 60 * number, 5).transmission, None)
        with HearingOrder(tmp_path) as order:
            pages = application(log, order, lambda: NOON)
            first = TestClient(pages, base_url=HERE).get("/clip/1").text
            token = re.search(r'name="token" value="([^"]+)"', first)
            assert token is not None
            watch = subprocess.Popen([sys.executable, "-c", WATCH, str(tmp_path), str(HEARD)], cwd=checkout)
            tabs = [Tab(pages, number, token[1]) for number in range(TABS)]
            for tab in tabs:
                tab.start()
            for tab in tabs:
                tab.join(timeout=120)
            assert watch.wait(timeout=120) == 0
        assert [tab.others for tab in tabs] == [set()] * TABS
        kept = {each for tab in tabs for each in tab.kept}
        assert len(kept) == TABS * ROUNDS
        written = {
            (entry_id, one.note) for entry_id in range(1, ENTRIES + 1) for one in history(log, entry_id)
        }
        assert written == kept
        for entry_id in range(1, ENTRIES + 1):
            states = history(log, entry_id)
            assert [one.revision for one in states] == list(range(1, len(states) + 1))
            assert marks(log, [entry_id])[entry_id] == states[-1]
        assert state(log).total == ENTRIES + HEARD
