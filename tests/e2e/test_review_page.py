"""The review page in a real browser: heard, marked, noted and undone by keys, on a laptop and on a phone."""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.e2e.review_browser import QUIET_BROWSER, eventually, served

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="the system package chromium is not here"),
]
LAPTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, checkout: Path) -> Iterator[str]:
    """The page of the demo watch, served as a user would."""
    folder = tmp_path_factory.mktemp("review") / "watch"
    command = [sys.executable, "-m", "watcher.cli"]
    subprocess.run(
        [*command, "demo", "--into", str(folder), "--quiet"], cwd=checkout, check=True, timeout=120
    )
    with served(folder, checkout) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright.Browser]:
    with playwright.sync_playwright() as engine:
        opened = engine.chromium.launch(executable_path=CHROMIUM, args=QUIET_BROWSER)
        yield opened
        opened.close()


@pytest.fixture(params=[LAPTOP, PHONE], ids=["laptop", "phone"])
def page(browser: playwright.Browser, request: pytest.FixtureRequest) -> Iterator[playwright.Page]:
    """A fresh window whose console must stay silent: a blocked script or style would speak there."""
    context = browser.new_context(viewport=request.param, has_touch=request.param is PHONE)
    window = context.new_page()
    complaints: list[str] = []
    window.on(
        "console",
        lambda told: complaints.append(f"{told.text} {told.location}") if told.type == "error" else None,
    )
    window.on("pageerror", lambda failure: complaints.append(str(failure)))
    yield window
    context.close()
    assert complaints == []


def test_keys_lead_from_the_list_to_a_clip_that_sounds(page: playwright.Page, address: str) -> None:
    page.goto(address)
    # As many as recordings/README.md says were sent, in the order of hearing once that is worked out.
    eventually(page, "document.querySelectorAll('#several .entry').length === 7")
    eventually(page, "!document.querySelector('[data-waiting]') && document.readyState === 'complete'")
    page.keyboard.press(".")
    page.keyboard.press("Enter")
    page.wait_for_selector("#clip")
    eventually(page, "document.querySelector('#clip').readyState >= 2")
    page.keyboard.press("+")
    page.keyboard.press("Space")
    eventually(page, "document.querySelector('#clip').currentTime > 0.3")
    assert page.evaluate("document.querySelector('#clip').playbackRate") == 1.25
    page.keyboard.press("Space")
    assert page.evaluate("document.querySelector('#clip').paused")
    eventually(page, "[...document.querySelectorAll('#pictures img')].every(i => i.naturalWidth > 100)")
    box = page.locator("#pictures").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    length, at = page.evaluate(
        "[document.querySelector('#clip').duration, document.querySelector('#clip').currentTime]"
    )
    assert at == pytest.approx(length / 2, rel=0.02)


def test_a_mark_and_a_note_outlive_the_page_and_can_be_undone(page: playwright.Page, address: str) -> None:
    page.goto(address)
    page.locator("#several .entry .open").nth(1).click()
    page.wait_for_selector("#verdict")
    clip = page.url
    page.keyboard.press("n")
    page.keyboard.type("two voices; r is no mark while typing")
    page.keyboard.press("Escape")
    page.keyboard.press("l")
    page.wait_for_selector("text=Kept.")
    page.goto(clip)
    assert page.locator("#note").input_value() == "two voices; r is no mark while typing"
    assert "look into it" in page.locator(".lead").inner_text()
    page.keyboard.press("u")
    page.wait_for_selector(".lead:not(:has-text('look into it'))")
    assert page.locator("#note").input_value() == ""
    assert "look into it" not in page.locator(".lead").inner_text()


def test_the_help_sheet_opens_and_no_page_is_wider_than_the_window(
    page: playwright.Page, address: str
) -> None:
    for place in ("/", "/?order=time", "/strips", "/clip/1", "/spectrum", "/hand-over", "/clip/1/relay"):
        page.goto(address + place)
        overflow = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert overflow <= 0, f"{place} is {overflow} px too wide"
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    page.keyboard.press("?")
    assert not page.locator("#keys").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_scan_finds_nothing(browser: playwright.Browser, address: str, scheme: str) -> None:
    """By axe-core, the rules of WCAG 2 that a program can check; its script is let past the page's policy."""
    scanner = pytest.importorskip("axe_playwright_python.sync_playwright")
    context = browser.new_context(color_scheme=scheme, bypass_csp=True)
    window = context.new_page()
    for place in ("/", "/clip/1", "/strips", "/spectrum", "/lessons", "/hand-over", "/clip/1/relay"):
        window.goto(address + place)
        scan = scanner.Axe().run(window).response
        assert len(scan["passes"]) > 10  # it did look
        assert [(found["id"], found["help"]) for found in scan["violations"]] == []
    context.close()


def test_a_printed_clip_shows_the_note_no_buttons_and_ink_whatever_the_screen(
    browser: playwright.Browser, address: str
) -> None:
    context = browser.new_context(color_scheme="dark")
    window = context.new_page()
    window.goto(address + "/clip/2")
    window.locator("#who").fill("Tor > Ridge base")
    window.locator("#note").fill("two at the bridge")
    window.locator("#verdict button", has_text="Keep the note").click()
    window.wait_for_selector("text=Kept.")
    dark = window.evaluate("getComputedStyle(document.body).color")
    window.emulate_media(media="print", color_scheme="dark")
    assert window.locator(".on-paper").is_visible()
    assert window.locator(".on-paper").inner_text() == "Tor > Ridge base: two at the bridge"
    assert not window.locator("#verdict").is_visible()
    assert not window.locator("audio").is_visible()
    ink = "getComputedStyle(document.documentElement).getPropertyValue('--routine').trim()"
    printed = window.evaluate(ink)
    window.emulate_media(media="screen", color_scheme="light")
    assert window.evaluate(ink) == printed
    assert window.evaluate("getComputedStyle(document.body).color") != dark
    assert not window.locator(".on-paper").is_visible()
    context.close()


def test_what_a_search_finds_is_taken_away_as_a_form(
    page: playwright.Page, address: str, tmp_path: Path
) -> None:
    page.goto(address + "/clip/3")
    page.locator("#who").fill("Tor > Ridge base")
    page.locator("#note").fill("the lantern is out")
    page.locator("#verdict button", has_text="Keep the note").click()
    page.wait_for_selector("text=Kept.")
    page.goto(address)
    page.keyboard.press("/")
    page.keyboard.type("LANTERN")
    page.keyboard.press("Enter")
    page.wait_for_url("**words=LANTERN*")
    assert page.locator("#several .entry").count() == 1
    page.locator("a", has_text="Hand over what was found").click()
    page.locator("input[name=incident]").fill("Saddle search")
    with page.expect_download() as waited:
        page.locator("button", has_text="As CSV").click()
    waited.value.save_as(tmp_path / "form.csv")
    (row,) = csv.DictReader((tmp_path / "form.csv").read_text().splitlines())
    assert (row["from"], row["to"], row["incident"]) == ("Tor", "Ridge base", "Saddle search")
    assert row["subject"].startswith("“the lantern is out”")
    with page.expect_download() as waited:
        page.locator("button", has_text="As PDF").click()
    waited.value.save_as(tmp_path / "form.pdf")
    assert (tmp_path / "form.pdf").read_bytes().startswith(b"%PDF-")
    page.goto(address + "/clip/3")
    page.keyboard.press("u")
    eventually(page, "document.querySelector('#note')?.value === ''")


def test_a_call_is_made_into_a_script_to_read_aloud(page: playwright.Page, address: str) -> None:
    page.goto(address + "/clip/4")
    page.locator("a", has_text="Relay it as a call for help").click()
    page.wait_for_url("**/relay*")
    assert page.locator(".blank").count() >= 5
    blanks = page.locator(".blank").count()
    page.locator("#where").fill("north of the saddle")
    page.locator("button", has_text="Put it into the script").click()
    page.wait_for_selector("text=Where they are: north of the saddle.")
    assert page.locator(".blank").count() == blanks - 1
    with page.expect_download() as waited:
        page.locator("button", has_text="As PDF").click()
    assert waited.value.suggested_filename == "relay-4.pdf"
