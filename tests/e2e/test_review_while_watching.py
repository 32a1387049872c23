"""The review page in a browser while a watch writes: what is new is told, and no tab loses a mark."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.e2e.review_browser import QUIET_BROWSER, eventually, served
from watcher.log import WatchLog
from watcher.log.marks import history
from watcher.log.search import state

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="the system package chromium is not here"),
]
CALLS = 4  # in the night's recording
NOTE = "document.querySelector('#note')"


@pytest.fixture
def context() -> Iterator[playwright.BrowserContext]:
    with playwright.sync_playwright() as engine:
        browser = engine.chromium.launch(executable_path=CHROMIUM, args=QUIET_BROWSER)
        yield browser.new_context()
        browser.close()


def replay(checkout: Path, plan: Path, night: Path, folder: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "watcher.cli", "replay", plan, night, "--into", folder, "--quiet"]
    return subprocess.Popen([str(word) for word in command], cwd=checkout)


def test_a_replay_and_three_tabs_at_once(
    context: playwright.BrowserContext, checkout: Path, plan: Path, night: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "log"
    assert replay(checkout, plan, night, folder).wait(timeout=120) == 0
    with served(folder, checkout) as address:
        listing = context.new_page()
        listing.goto(address + "/?order=time")
        assert listing.locator("#several .entry").count() == CALLS
        again = replay(checkout, plan, night, folder)
        tabs = [context.new_page() for _ in range(3)]
        kept: set[tuple[int, str]] = set()
        for entry_id in range(1, CALLS + 1):
            for number, tab in enumerate(tabs):
                tab.goto(f"{address}/clip/{entry_id}")
                tab.locator("#note").fill(f"tab {number} on {entry_id}")
            waiting = set(range(len(tabs)))
            while waiting:
                # All press at the same moment; one is quicker, and the others are shown what they had typed.
                for number in sorted(waiting):
                    tabs[number].evaluate(
                        f"window.old = true; {NOTE}.form.querySelector('[value=routine]').click()"
                    )
                for number in sorted(waiting):
                    note = f"tab {number} on {entry_id}"
                    eventually(tabs[number], "!window.old && document.readyState === 'complete'")
                    if tabs[number].locator("[role=alert]").count():
                        assert note in tabs[number].locator("[role=alert]").inner_text()
                        tabs[number].locator("#note").fill(note)
                    else:
                        assert "Kept." in tabs[number].locator("main").inner_text()
                        kept.add((entry_id, note))
                        waiting.discard(number)
        assert again.wait(timeout=120) == 0
        eventually(listing, f"document.querySelector('#news').textContent.startsWith('{CALLS} heard')")
        listing.locator("#news a").click()
        eventually(listing, f"document.querySelectorAll('#several .entry').length === {2 * CALLS}")
    with WatchLog.open_to_read(folder) as log:
        assert state(log).total == 2 * CALLS
        written = {(entry_id, one.note) for entry_id in range(1, CALLS + 1) for one in history(log, entry_id)}
    assert written == kept
    assert len(kept) == 3 * CALLS
