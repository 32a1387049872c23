"""The guard by itself: guesses at the password are slowed, whoever makes them."""

from __future__ import annotations

import base64

import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from watcher.review.guard import Guard, WrongGuesses

PASSWORD = "brass lantern 7"


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def basic(password: str) -> dict[str, str]:
    return {"authorization": "Basic " + base64.b64encode(f"who:{password}".encode()).decode()}


@pytest.fixture
def clock() -> Clock:
    return Clock()


def asker(clock: Clock, *sources: str) -> list[TestClient]:
    pages = Starlette(routes=[Route("/", lambda _: PlainTextResponse("inside"))])
    guard = Guard(pages, hosts=None, password=PASSWORD, guesses=WrongGuesses(clock))
    return [TestClient(guard, base_url="http://ridge.example", client=(one, 5)) for one in sources]


def test_a_few_slips_are_free_and_then_each_costs_twice_the_wait(clock: Clock) -> None:
    (browser,) = asker(clock, "192.0.2.1")
    for _ in range(3):
        assert browser.get("/", headers=basic("slip")).status_code == 401
    assert browser.get("/", headers=basic("slip")).status_code == 401
    for wait_s in (1, 2, 4, 8):
        refused = browser.get("/", headers=basic("slip"))
        assert (refused.status_code, refused.headers["retry-after"]) == (429, str(wait_s))
        clock.now_s += wait_s
        assert browser.get("/", headers=basic("slip")).status_code == 401


def test_while_somebody_waits_even_the_right_one_tells_nothing(clock: Clock) -> None:
    (browser,) = asker(clock, "192.0.2.1")
    for _ in range(4):
        browser.get("/", headers=basic("slip"))
    assert browser.get("/", headers=basic(PASSWORD)).status_code == 429
    assert browser.get("/").status_code == 401  # a browser's first question offers none: no guess
    clock.now_s += 1
    assert browser.get("/", headers=basic(PASSWORD)).text == "inside"
    assert browser.get("/", headers=basic("slip")).status_code == 401
    assert browser.get("/", headers=basic("slip")).status_code == 401  # forgotten by the right one


def test_one_who_guesses_keeps_nobody_else_out(clock: Clock) -> None:
    guesser, owner = asker(clock, "192.0.2.1", "192.0.2.2")
    for _ in range(30):
        guesser.get("/", headers=basic("slip"))
    assert owner.get("/", headers=basic(PASSWORD)).text == "inside"


def test_a_day_of_guessing_reaches_few(clock: Clock) -> None:
    """By arithmetic: 4 at once, 9 while the wait doubles up to 256 s, which is 511 s, then one in 300 s."""
    (browser,) = asker(clock, "2001:db8::1")
    looked_at = 0
    while clock.now_s < 86_400:
        answer = browser.get("/", headers=basic("slip"))
        looked_at += answer.status_code == 401
        clock.now_s += float(answer.headers.get("retry-after", 0))
    assert looked_at == 4 + 9 + (86_400 - 511) // 300


def test_all_addresses_of_one_network_of_version_6_wait_together() -> None:
    guesses = WrongGuesses(Clock())
    for host in range(5):
        guesses.wrong(f"2001:db8:0:1::{host:x}")
    assert guesses.wait_s("2001:db8:0:1:ffff::9") == 2
    assert guesses.wait_s("2001:db8:0:2::9") == 0


def test_what_is_remembered_is_bounded() -> None:
    guesses = WrongGuesses(Clock())
    for _ in range(6):
        guesses.wrong("192.0.2.1")
    for number in range(guesses.MOST_REMEMBERED):
        guesses.wrong(f"198.51.{number // 256}.{number % 256}")
    assert len(guesses._of) == guesses.MOST_REMEMBERED
    assert guesses.wait_s("192.0.2.1") == 0
