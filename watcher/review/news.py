"""What is new, as server-sent events: a page that is open learns of transmissions while the watch goes on."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable

import anyio
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from watcher.errors import StorageError
from watcher.log.search import State, state
from watcher.review.desk import Desk, desk_of
from watcher.review.query import Refused

LOOK_EVERY_S = 2.0
STEP_S = 0.25
SIGN_OF_LIFE_EVERY = 8  # looks: 16 s, under the half minute after which some networks drop a silent link
MOST_LISTENERS = 24


async def news(request: Request) -> Response:
    """The stream for one page."""
    desk = desk_of(request)
    if desk.listeners >= MOST_LISTENERS:
        raise Refused(503, f"{MOST_LISTENERS} pages listen for news already; close some")

    async def gone() -> bool:
        return desk.closing() or await request.is_disconnected()

    async def sleep(seconds: float) -> None:
        """In short steps: a server that ends waits for nobody's news."""
        for _ in range(round(seconds / STEP_S)):
            if desk.closing():
                return
            await anyio.sleep(STEP_S)

    async def stream() -> AsyncIterator[str]:
        desk.listeners += 1
        try:
            async for message in messages(desk, gone, sleep):
                yield message
        finally:
            desk.listeners -= 1

    return StreamingResponse(stream(), media_type="text/event-stream")


async def messages(
    desk: Desk,
    gone: Callable[[], Awaitable[bool]],
    sleep: Callable[[float], Awaitable[None]],
) -> AsyncIterator[str]:
    """One message for what there is, then one for every change, and now and then a sign of life.

    Parameters
    ----------
    desk : Desk
    gone : callable
        Whether the page has been closed.
    sleep : callable
        Waits for so many seconds.
    """
    told: tuple[State, bool] | None = None
    looks = 0
    while not await gone():
        seen: tuple[State, bool] | None
        try:
            seen = await run_in_threadpool(_look, desk)
        except StorageError:
            seen = told  # torn by a watch that just began to write: the next look sees it whole
        if seen is not None and seen != told:
            told = seen
            heard = {"newest": seen[0].newest_id, "total": seen[0].total, "ordered": seen[1]}
            yield f"event: heard\ndata: {json.dumps(heard)}\n\n"
        elif looks % SIGN_OF_LIFE_EVERY == 0:
            yield ": here\n\n"
        looks += 1
        await sleep(LOOK_EVERY_S)


def _look(desk: Desk) -> tuple[State, bool]:
    seen = state(desk.log)
    return seen, desk.order.latest(seen) is not None
