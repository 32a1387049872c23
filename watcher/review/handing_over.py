"""What a view of the list becomes in other hands: forms, extracts, a package; and the draft of a relay.

Everything is made into the temporary folder of the system and sent from there; the folder of the watch stays
as it is. What a person types for a form goes onto that form and is kept nowhere.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response

from watcher.log import search
from watcher.log.export import export_to_file
from watcher.log.marks import all_marks
from watcher.log.reading import LoggedTransmission
from watcher.log.spans import Span
from watcher.report.forms.communications_log import CommunicationsLog, communications_log
from watcher.report.forms.relay import FIRST, WRITE_HERE, RelayDraft, relay_draft
from watcher.report.package import write_package
from watcher.report.writing import read_summary
from watcher.review.changing import Form, checked_form, text_of
from watcher.review.desk import Desk, desk_of
from watcher.review.query import Query, Refused

MOST_PACKED = 1_000  # clips, some hundred megabytes; `midwatch package` packs more
LONGEST_FIELD = 200
LONGEST_ANSWER = 2_000  # letters; it is to be read aloud
ANSWERS = {
    "who": "Who calls",
    "where": "Where they are",
    "what": "What has happened",
    "need": "What help is needed",
    "next_on_air": "When they are next on the air",
}


@dataclass(frozen=True, slots=True)
class _View:
    """What is to be handed over: the numbers of the entries, None for all; and who prepares it for what."""

    query: Query
    chosen: frozenset[int] | None
    incident: str
    prepared_by: str


def hand_over_page(request: Request) -> Response:
    """What can be made of the view that one came from."""
    desk = desk_of(request)
    query = Query.read(request.query_params)
    station, _ = desk.station()
    shown = {
        "title": "Hand over",
        "station": station,
        "query": query,
        "parts": query.parts(),
        "total": search.count(desk.log, query.wanted),
        "most_packed": MOST_PACKED,
    }
    return HTMLResponse(desk.render("hand_over.html.j2", **shown))


def taken(request: Request) -> Response:
    """One of the files, made now."""
    desk, name = desk_of(request), request.path_params["name"]
    make = _MAKERS.get(name)
    if make is None:
        raise Refused(404, "there is no such page")
    query = Query.read(request.query_params)
    view = _View(
        query,
        search.ids(desk.log, query.wanted) if query.filtered else None,
        _field(request, "incident"),
        _field(request, "prepared_by"),
    )
    if search.count(desk.log, query.wanted) == 0:
        raise Refused(
            400, "nothing in the log is like that, so there is nothing to hand over; widen the search"
        )
    place = tempfile.TemporaryDirectory(prefix="midwatch-review-")
    try:
        path = Path(place.name) / name
        make(desk, view, path)
    except BaseException:
        place.cleanup()
        raise
    return FileResponse(path, filename=name, background=BackgroundTask(place.cleanup))


async def relay_page(request: Request) -> Response:
    """The draft of a relay: empty where nobody has told, then with what was typed into the form."""
    desk = desk_of(request)
    form = await checked_form(request) if request.method == "POST" else {}
    return await run_in_threadpool(_relay_html, desk, request, form)


async def relay_sheet(request: Request) -> Response:
    """The same on paper."""
    desk = desk_of(request)
    form = await checked_form(request)
    draft = await run_in_threadpool(_draft, desk, request, form)
    sheet = bytes(await run_in_threadpool(lambda: draft.as_sheet().output()))
    name = f'attachment; filename="relay-{draft.heard.entry_id}.pdf"'
    return Response(sheet, media_type="application/pdf", headers={"content-disposition": name})


def _relay_html(desk: Desk, request: Request, form: Form) -> Response:
    draft = _draft(desk, request, form)
    station, _ = desk.station()
    shown = {
        "title": "Relay of a call for help: draft",
        "station": station,
        "entry_id": draft.heard.entry_id,
        "first": FIRST,
        "script": [sentence.split(WRITE_HERE) for sentence in draft.script()],
        "answers": [(key, label, getattr(draft, key)) for key, label in ANSWERS.items()],
        "facts": draft.facts(),
        "longest": LONGEST_ANSWER,
        "address": request.url.query,
    }
    return HTMLResponse(desk.render("relay.html.j2", **shown))


def _draft(desk: Desk, request: Request, form: Form) -> RelayDraft:
    entry = desk.entry(request.path_params["entry_id"])
    answers = {key: " ".join(text_of(form, key, LONGEST_ANSWER).split()) for key in ANSWERS}
    return relay_draft(desk.log, entry.entry_id, **answers)


def _field(request: Request, key: str) -> str:
    text = " ".join(request.query_params.get(key, "").split())
    if len(text) > LONGEST_FIELD:
        raise Refused(400, f"{key} has {len(text)} letters; it must have at most {LONGEST_FIELD}")
    return text


def _form_of(desk: Desk, view: _View) -> CommunicationsLog:
    wanted = view.query.wanted
    span = None
    heard = search.span_of(desk.log, wanted)
    if view.chosen is not None and heard is not None:
        # The period is the one that was asked for; without one, from the first to the last that were chosen.
        start, stop = wanted.since_utc or heard.start_utc, wanted.until_utc or heard.stop_utc
        span = Span(start, max(start, stop))
    return communications_log(
        read_summary(desk.folder, span),
        incident=view.incident,
        prepared_by=view.prepared_by,
        prepared_utc=desk.now_utc(),
        only=view.chosen,
        marks=all_marks(desk.log),
    )


def _entries(desk: Desk, view: _View) -> list[LoggedTransmission] | None:
    if view.chosen is None:
        return None
    found = search.entries(desk.log, sorted(view.chosen))
    return sorted(found, key=lambda one: (one.transmission.start_utc, one.entry_id))


def _form_pdf(desk: Desk, view: _View, path: Path) -> None:
    _form_of(desk, view).as_sheet().save(path)


def _form_csv(desk: Desk, view: _View, path: Path) -> None:
    path.write_bytes(_form_of(desk, view).as_csv().encode())


def _extract(form: str) -> Callable[[Desk, _View, Path], None]:
    def make(desk: Desk, view: _View, path: Path) -> None:
        export_to_file(desk.log, path, form, entries=_entries(desk, view))

    return make


def _package(desk: Desk, view: _View, path: Path) -> None:
    count = search.count(desk.log, view.query.wanted)
    if count > MOST_PACKED:
        raise Refused(
            400,
            f"{count:,} clips are in this view; at most {MOST_PACKED:,} are packed here: narrow the search",
        )
    write_package(desk.folder, path, None, view.chosen)


_MAKERS: dict[str, Callable[[Desk, _View, Path], None]] = {
    "communications-log.pdf": _form_pdf,
    "communications-log.csv": _form_csv,
    "log.csv": _extract("csv"),
    "log.jsonl": _extract("jsonl"),
    "package.zip": _package,
}
