"""The only requests that change anything: marks set and undone, by POST, with the token of our own pages."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import parse_qs, parse_qsl, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from watcher.log.marks import (
    LONGEST_NOTE,
    LONGEST_WHO,
    Change,
    Outcome,
    Verdict,
    change_marks,
    undo,
    undo_batch,
)
from watcher.log.search import NOT_YET_HEARD, entries
from watcher.review.desk import Desk, desk_of
from watcher.review.query import PAGE_ROWS, VERDICTS, Query, Refused, whole_number
from watcher.review.reading_pages import beside, clip_html
from watcher.review.views import verdict_words

LARGEST_FORM_BYTES = 64 * 1024
Form = dict[str, list[str]]


async def change_one(request: Request) -> Response:
    """Set the mark, the note and who spoke of one clip, and go on to the next where that is wanted."""
    return await _answer(request, _change_one)


async def undo_one(request: Request) -> Response:
    """Take the latest change of one clip back."""
    return await _answer(request, _undo_one)


async def change_several(request: Request) -> Response:
    """Set one mark on several clips of a list."""
    return await _answer(request, _change_several)


async def undo_together(request: Request) -> Response:
    """Take changes back that were made together."""
    return await _answer(request, _undo_together)


async def _answer(request: Request, change: Callable[[Desk, Request, Form], Response]) -> Response:
    """Read the form and make the change in a thread: the log may have to wait its turn."""
    desk = desk_of(request)
    form = await checked_form(request)
    if not desk.may_change:
        raise Refused(403, "the folder cannot be written, so no mark can be kept; give it write permission")
    return await run_in_threadpool(change, desk, request, form)


async def checked_form(request: Request) -> Form:
    """The form of a request, once its token is the one of our own pages."""
    form = await _form(request)
    if not desk_of(request).token.fits(_one(form, "token")):
        raise Refused(403, "the page is older than this server; load it again and repeat the change")
    return form


async def _form(request: Request) -> Form:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Refused(415, "a change must come as one of our own forms")
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_FORM_BYTES:
            raise Refused(413, f"the form is too large; it must have at most {LARGEST_FORM_BYTES} bytes")
    try:
        return parse_qs(body.decode("utf-8", errors="replace"), keep_blank_values=True, max_num_fields=1000)
    except ValueError as problem:
        raise Refused(400, "the form has too many fields") from problem


def _change_one(desk: Desk, request: Request, form: Form) -> Response:
    entry = desk.entry(request.path_params["entry_id"])
    query = _back(form)
    note = text_of(form, "note", LONGEST_NOTE).replace("\r\n", "\n")
    who = text_of(form, "who", LONGEST_WHO)
    verdict = _one(form, "mark")
    change = Change(
        entry.entry_id,
        whole_number("revision", _one(form, "revision")),
        set_verdict=bool(verdict),
        verdict=_verdict(verdict) if verdict else None,
        note=note,
        who=who,
    )
    outcome = change_marks(desk.log, [change], desk.now_utc())
    if outcome.conflicts:
        wanted = {"verdict": verdict, "note": note, "who": who}
        page = clip_html(
            desk, entry, query, conflict=wanted | {"stands": verdict_words(outcome.conflicts[0])}
        )
        return HTMLResponse(page, 409)
    target = entry.entry_id
    if verdict and _one(form, "go_on"):
        target = beside(desk, entry, query)[1] or target
    return _to_clip(target, query, outcome)


def _undo_one(desk: Desk, request: Request, form: Form) -> Response:
    entry = desk.entry(request.path_params["entry_id"])
    query = _back(form)
    seen = whole_number("revision", _one(form, "revision"))
    outcome = undo(desk.log, entry.entry_id, seen, desk.now_utc())
    if outcome.conflicts:
        stands = {"verdict": "", "note": "", "who": "", "stands": verdict_words(outcome.conflicts[0])}
        return HTMLResponse(clip_html(desk, entry, query, conflict=stands), 409)
    return _to_clip(entry.entry_id, query, None)


def _change_several(desk: Desk, request: Request, form: Form) -> Response:
    verdict = _verdict(_one(form, "mark"))
    picked = form.get("entry", [])
    if len(picked) > PAGE_ROWS:
        raise Refused(400, f"{len(picked)} clips are picked; at most {PAGE_ROWS} can be marked at once")
    changes = []
    for text in picked:
        number, _, revision = text.partition(":")
        changes.append(
            Change(
                whole_number("the entry", number, 1),
                whole_number("revision", revision),
                set_verdict=True,
                verdict=verdict,
            )
        )
    there = {one.entry_id for one in entries(desk.log, [each.entry_id for each in changes])}
    outcome = change_marks(desk.log, [each for each in changes if each.entry_id in there], desk.now_utc())
    return _to_list(_back(form), outcome)


def _undo_together(desk: Desk, request: Request, form: Form) -> Response:
    outcome = undo_batch(desk.log, whole_number("batch", _one(form, "batch"), 1), desk.now_utc())
    query = _back(form)
    if clip := _one(form, "clip"):
        return _to_clip(whole_number("the entry", clip, 1), query, None)
    return _to_list(query, Outcome(None, outcome.done, outcome.conflicts))


def _to_clip(entry_id: int, query: Query, outcome: Outcome | None) -> Response:
    told = (
        ""
        if outcome is None or outcome.batch_id is None
        else urlencode({"batch": outcome.batch_id, "done": 1})
    )
    address = "&".join(filter(None, (query.address(page=query.page), told)))
    return RedirectResponse(f"/clip/{entry_id}" + (f"?{address}" if address else ""), 303)


def _to_list(query: Query, outcome: Outcome) -> Response:
    told = {"done": len(outcome.done), "missed": len(outcome.conflicts), "batch": outcome.batch_id or 0}
    address = "&".join(filter(None, (query.address(page=query.page), urlencode(told))))
    return RedirectResponse(f"/?{address}", 303)


def _back(form: Form) -> Query:
    """The view a form came from. It is read and written anew, so it can lead nowhere else."""
    return Query.read(dict(parse_qsl(_one(form, "back"), max_num_fields=50)))


def _verdict(text: str) -> Verdict | None:
    if text not in VERDICTS:
        raise Refused(400, f"mark is {text[:40]}; it must be one of {', '.join(VERDICTS)}")
    return None if text == NOT_YET_HEARD else Verdict(text)


def text_of(form: Form, key: str, longest: int) -> str:
    """What was typed into a field; too much of it is refused."""
    text = _one(form, key)
    if len(text) > longest:
        raise Refused(400, f"{key} has {len(text)} letters; it must have at most {longest}")
    return text


def _one(form: Form, key: str) -> str:
    return form.get(key, [""])[0]
