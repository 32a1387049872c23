"""The pages that only read."""

from __future__ import annotations

from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response

from watcher.log import search
from watcher.log.marks import Verdict, counts, history, marks
from watcher.log.reading import LoggedTransmission
from watcher.report.page_frame import house_style
from watcher.report.spectrogram import clip_picture
from watcher.report.unlisted_text import CAUTION, NOT_KEPT
from watcher.review.clip_files import clip_file, waveform_svg
from watcher.review.desk import FIRST_PAINT_PATIENCE_S, Desk, desk_of
from watcher.review.hearing_order import Ordering
from watcher.review.lessons import lessons
from watcher.review.query import HEAR_FIRST, PAGE_ROWS, VERDICTS, Query, Refused, whole_number
from watcher.review.spectrum_page import around
from watcher.review.strips import strip_page
from watcher.review.unlisted_lately import unlisted_lately
from watcher.review.views import clip_page, exchange_of, row_of, rows_of, verdict_words
from watcher.utc import read_utc

_STATIC = Path(__file__).parent / "static"
_OWN = {"review.css": "text/css", "review.js": "text/javascript", "lamp.svg": "image/svg+xml"}
# A clip does not change; a day spares a phone on a weak link the second fetch.
_KEPT = {"cache-control": "private, max-age=86400"}


def list_page(request: Request) -> Response:
    """The list: filtered, in one of two orders, a hundred at a time."""
    desk = desk_of(request)
    query = Query.read(request.query_params)
    in_log = search.state(desk.log).total  # before what is shown: what comes between is told as news
    ordering = desk.ordering(FIRST_PAINT_PATIENCE_S) if query.order == HEAR_FIRST else None
    total = search.count(desk.log, query.wanted)
    pages = max(1, -(-total // PAGE_ROWS))
    if query.page > pages:
        raise Refused(404, f"page is {query.page}; it must be at most {pages}")
    found = _page_of(desk, query, ordering)
    station, clock = desk.station()
    reasons = {} if ordering is None else ordering.reasons
    marked = marks(desk.log, [one.entry_id for one in found])
    tally = counts(desk.log)
    shown = {
        "title": "Clips",
        "here": "list",
        "station": station,
        "zone": clock.name,
        "query": query,
        "address": query.address(page=query.page),
        "rows": rows_of(found, marked, clock, reasons),
        "total": total,
        "pages": pages,
        "first": (query.page - 1) * PAGE_ROWS,
        "waiting": query.order == HEAR_FIRST and ordering is None,
        "channels": search.channels(desk.log),
        "flags": search.flags(desk.log),
        "verdicts": VERDICTS,
        "tally": [(search.NOT_YET_HEARD, tally[None]), *((one.value, tally[one]) for one in Verdict)],
        "in_log": in_log,
        "batch": _batch(request),
        "done": request.query_params.get("done", ""),
        "missed": _count(request, "missed"),
    }
    return HTMLResponse(desk.render("list.html.j2", **shown))


def _page_of(desk: Desk, query: Query, ordering: Ordering | None) -> list[LoggedTransmission]:
    offset = (query.page - 1) * PAGE_ROWS
    if ordering is None:
        return search.page(desk.log, query.wanted, offset, PAGE_ROWS)
    ids = _ordered(desk, query, ordering)
    return search.entries(desk.log, ids[offset : offset + PAGE_ROWS])


def _ordered(desk: Desk, query: Query, ordering: Ordering) -> list[int]:
    """The wanted ones in the order of hearing; what is newer comes before all, the latest first."""
    if not query.filtered and search.state(desk.log) == ordering.state:
        return list(ordering.entry_ids)
    chosen = search.ids(desk.log, query.wanted)
    newer = sorted(chosen.difference(ordering.entry_ids), reverse=True)
    return newer + [entry_id for entry_id in ordering.entry_ids if entry_id in chosen]


def one_clip(request: Request) -> Response:
    """One clip with all that is known of it."""
    desk = desk_of(request)
    query = Query.read(request.query_params)
    entry = desk.entry(request.path_params["entry_id"])
    return HTMLResponse(clip_html(desk, entry, query, batch=_batch(request), done=_count(request, "done")))


def clip_html(
    desk: Desk, entry: LoggedTransmission, query: Query, *, batch: int = 0, done: int = 0, **more: object
) -> str:
    """The page of one clip; `more` is what a conflict adds."""
    ordering = desk.ordering()
    reasons = {} if ordering is None else ordering.reasons
    station, clock = desk.station()
    together = exchange_of(desk.log, entry)
    marked = marks(desk.log, [entry.entry_id, *(one.entry_id for one in together)])
    mark = marked[entry.entry_id]
    row = row_of(entry, mark, clock, reasons.get(entry.entry_id, ()))
    previous_id, next_id = beside(desk, entry, query)
    shown = {
        "title": f"{row.channel}, {row.when}",
        "station": station,
        "page": clip_page(entry, row, rows_of(together, marked, clock, {})),
        "mark": mark,
        "changed": "" if mark.changed_utc is None else clock.full(mark.changed_utc),
        "history": [
            (clock.full(one.changed_utc), verdict_words(one), one.note, one.who)
            for one in reversed(history(desk.log, entry.entry_id))
            if one.changed_utc is not None
        ],
        "verdicts": VERDICTS,
        "address": query.address(page=query.page),
        "spectrum": around(entry),
        "previous_id": previous_id,
        "next_id": next_id,
        "batch": batch,
        "done": done,
        "conflict": None,
    }
    return desk.render("clip.html.j2", **(shown | more))


def beside(desk: Desk, entry: LoggedTransmission, query: Query) -> tuple[int | None, int | None]:
    """The numbers of the previous and the next clip in the view that one came from.

    The one at hand may have left the view, as a clip does that was just marked under "not yet heard".
    """
    ordering = desk.ordering() if query.order == HEAR_FIRST else None
    if ordering is None or (place := ordering.place(entry.entry_id)) is None:
        return search.neighbours(desk.log, entry, query.wanted)
    chosen = search.ids(desk.log, query.wanted)
    before = (one for one in reversed(ordering.entry_ids[:place]) if one in chosen)
    after = (one for one in ordering.entry_ids[place + 1 :] if one in chosen)
    return next(before, None), next(after, None)


def clip_audio(request: Request) -> Response:
    """The clip itself, in parts where the browser asks for parts."""
    desk = desk_of(request)
    path = clip_file(desk.folder, desk.entry(request.path_params["entry_id"]))
    return FileResponse(path, media_type="audio/flac", headers=_KEPT)


def clip_waveform(request: Request) -> Response:
    """The waveform of a clip."""
    desk = desk_of(request)
    path = clip_file(desk.folder, desk.entry(request.path_params["entry_id"]))
    return Response(waveform_svg(path), media_type="image/svg+xml", headers=_KEPT)


def clip_spectrogram(request: Request) -> Response:
    """The spectrogram of a clip."""
    desk = desk_of(request)
    path = clip_file(desk.folder, desk.entry(request.path_params["entry_id"]))
    return Response(clip_picture(path), media_type="image/png", headers=_KEPT)


def strips_page(request: Request) -> Response:
    """Channels down, time across."""
    desk = desk_of(request)
    station, clock = desk.station()
    at = None
    if text := request.query_params.get("at", ""):
        try:
            at = read_utc(text)
        except (ValueError, OverflowError) as problem:
            raise Refused(400, f"at is {text[:40]}; it must be like 2031-05-04T03:00:00Z") from problem
    found = strip_page(desk.log, request.query_params.get("length", "day"), at, clock)
    shown = {"title": found.title, "here": "strips", "station": station, "zone": clock.name, "page": found}
    return HTMLResponse(desk.render("strips.html.j2", **shown))


def lessons_page(request: Request) -> Response:
    """What wrong openings and the spectra suggest for the plan."""
    desk = desk_of(request)
    station, clock = desk.station()
    shown = {
        "title": "Suggestions for the plan",
        "here": "lessons",
        "station": station,
        "lessons": lessons(desk.log),
        "unlisted": unlisted_lately(desk.log, clock, desk.unlisted, FIRST_PAINT_PATIENCE_S),
        "caution": CAUTION,
        "not_kept": NOT_KEPT,
    }
    return HTMLResponse(desk.render("lessons.html.j2", **shown))


def own_file(request: Request) -> Response:
    """One of our own files, or the style that the report and these pages share."""
    name = request.path_params["name"]
    if name == "house.css":
        return Response(str(house_style()), media_type="text/css", headers=_KEPT)
    if name not in _OWN:
        raise Refused(404, "there is no such page")
    return Response((_STATIC / name).read_bytes(), media_type=_OWN[name], headers=_KEPT)


def _batch(request: Request) -> int:
    return _count(request, "batch")


def _count(request: Request, key: str) -> int:
    return whole_number(key, request.query_params.get(key) or "0")
