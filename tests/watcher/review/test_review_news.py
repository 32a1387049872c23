"""What is new, as a page that listens hears it; no time passes but what the test lets pass."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import anyio
import pytest

from tests.watcher.report.made_records import START, channel, entry
from watcher.errors import StorageError
from watcher.log import WatchFacts, WatchLog
from watcher.review import news
from watcher.review.application import application
from watcher.review.desk import Desk
from watcher.review.hearing_order import HearingOrder, Ordering
from watcher.review.news import LOOK_EVERY_S, MOST_LISTENERS, SIGN_OF_LIFE_EVERY, messages

Act = Callable[[], None]


class Unordered(HearingOrder):
    """An order of hearing that is never worked out."""

    def latest(self, *_: object, **__: object) -> Ordering | None:
        return None


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    with WatchLog.open(tmp_path, create=True) as opened:
        opened.begin_watch(WatchFacts(START, "made", "", "", "0", channels=(channel("Ridge"),)))
        yield opened


def desk_of(log: WatchLog, order: HearingOrder) -> Desk:
    pages = application(log, order, lambda: datetime(2031, 5, 4, tzinfo=UTC))
    desk: Desk = pages._application.state.desk  # type: ignore[attr-defined]
    return desk


def told(log: WatchLog, *between: Act, looks: int | None = None) -> list[str]:
    """The messages of a page that is closed after some looks; what happens between them is done then."""
    said: list[str] = []
    acts = list(between)
    slept: list[float] = []

    async def gone() -> bool:
        return len(slept) >= (looks or len(between) + 1)

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        if acts:
            acts.pop(0)()

    async def listen(desk: Desk) -> None:
        async for message in messages(desk, gone, sleep):
            said.append(message)

    anyio.run(listen, desk_of(log, Unordered(log.folder)))
    assert set(slept) == {LOOK_EVERY_S}
    return said


def heard(message: str) -> dict[str, object]:
    """One event by the form of the standard (WHATWG HTML, 9.2.6): fields a line, a blank line at the end."""
    lines = message.split("\n")
    assert lines[0] == "event: heard"
    assert lines[2:] == ["", ""]
    found: dict[str, object] = json.loads(lines[1].removeprefix("data: "))
    return found


def add(log: WatchLog, start_s: float) -> Act:
    return lambda: (log.add_transmission(1, entry("Ridge", start_s, 5).transmission, None), None)[1]


def test_what_there_is_comes_first_and_then_every_change_once(log: WatchLog) -> None:
    said = told(log, add(log, 0), lambda: None, add(log, 60))
    events = [heard(message) for message in said if message.startswith("event")]
    assert [event["total"] for event in events] == [0, 1, 2]
    assert [event["newest"] for event in events] == [0, 1, 2]
    assert not any(event["ordered"] for event in events)


def test_in_the_quiet_there_is_a_sign_of_life_now_and_then(log: WatchLog) -> None:
    """A line that begins with a colon is passed over by the browser (WHATWG HTML, 9.2.6)."""
    said = told(log, looks=2 * SIGN_OF_LIFE_EVERY + 1)
    assert [message.startswith("event") for message in said] == [True, False, False]
    assert said[1:] == [": here\n\n"] * 2


def test_a_log_that_is_just_being_written_is_looked_at_again(
    log: WatchLog, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, looks = news._look, iter([True, False, True])

    def torn_at_first(desk: Desk) -> object:
        if next(looks, False):
            raise StorageError("written while it was read")
        return real(desk)

    monkeypatch.setattr(news, "_look", torn_at_first)
    said = told(log, add(log, 0), lambda: None)
    assert [heard(message)["total"] for message in said if message.startswith("event")] == [1]


def test_a_page_that_was_closed_is_let_go(log: WatchLog) -> None:
    async def gone() -> bool:
        return True

    async def listen() -> int:
        return len(
            [message async for message in messages(desk_of(log, Unordered(log.folder)), gone, anyio.sleep)]
        )

    assert anyio.run(listen) == 0


def test_so_many_may_listen_and_the_next_is_told(log: WatchLog) -> None:
    desk = desk_of(log, Unordered(log.folder))
    desk.listeners = MOST_LISTENERS
    request = SimpleNamespace(app=SimpleNamespace(state=SimpleNamespace(desk=desk)))

    async def ask() -> Awaitable[object]:
        return await news.news(request)  # type: ignore[return-value, arg-type]

    with pytest.raises(news.Refused, match=f"{MOST_LISTENERS} pages listen"):
        anyio.run(ask)


def test_it_says_when_the_order_of_hearing_is_there(log: WatchLog) -> None:
    add(log, 0)()
    with HearingOrder(log.folder) as order:
        desk = desk_of(log, order)
        assert desk.ordering(30.0) is not None
        assert news._look(desk)[1] is True


def test_the_order_of_hearing_grows_with_the_log_after_its_rest(log: WatchLog) -> None:
    """What it last found stands meanwhile: a page never waits for a better one."""
    add(log, 0)()
    with HearingOrder(log.folder) as order:
        desk = desk_of(log, order)
        first = desk.ordering(30.0)
        assert first is not None
        assert first.entry_ids == (1,)
        add(log, 60)()
        second = desk.ordering(30.0)
        assert second is first
        assert second.place(2) is None
