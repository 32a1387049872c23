"""The two addresses of the spectrum over time: the page, and the picture of one tuning."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from watcher.log.spans import Span
from watcher.report.span_picture import LONGEST, span_picture, tunings_kept
from watcher.review.desk import desk_of
from watcher.review.query import Refused, whole_number
from watcher.review.spectrum_drawing import WINDOW
from watcher.review.spectrum_page import spectrum_page
from watcher.utc import read_utc

LARGEST_MHZ = 100_000
# The present span still grows; a minute spares the second fetch when going back and forth.
_KEPT = {"cache-control": "private, max-age=60"}


def spectrum_view(request: Request) -> Response:
    """The page."""
    desk = desk_of(request)
    station, clock = desk.station()
    asked = request.query_params
    at = _instant(asked, "at") if asked.get("at") else None
    around_hz = _hertz(asked["mhz"]) if asked.get("mhz") else None
    page = spectrum_page(desk.log, asked.get("length", WINDOW), at, around_hz, clock)
    shown = {"title": "Spectrum over time", "here": "spectrum", "station": station, "zone": clock.name}
    return HTMLResponse(desk.render("spectrum.html.j2", page=page, **shown))


def spectrum_picture(request: Request) -> Response:
    """The picture of one tuning between two instants and two frequencies."""
    desk = desk_of(request)
    asked = request.query_params
    start, stop = _instant(asked, "from"), _instant(asked, "to")
    if not timedelta(0) < stop - start <= LONGEST:
        raise Refused(400, "to must lie after from, a day at most")
    tuned, rate, low, high = (
        whole_number(key, asked.get(key, "")) for key in ("tuned", "rate", "low", "high")
    )
    span = Span(start, stop)
    for tuning in tunings_kept(desk.folder, span):
        if (tuning.tuned_hz, tuning.sample_rate_hz) == (tuned, rate):
            picture = span_picture(desk.folder, tuning, span, low, high)
            if picture is not None:
                return Response(picture.png(), media_type="image/png", headers=_KEPT)
    raise Refused(404, "no spectrum was kept there")


def _instant(asked: Mapping[str, str], key: str) -> datetime:
    text = asked.get(key, "")
    try:
        return read_utc(text)
    except (ValueError, OverflowError) as problem:
        raise Refused(400, f"{key} is {text[:40]}; it must be like 2031-05-04T03:00:00Z") from problem


def _hertz(text: str) -> int:
    whole, _, part = text.partition(".")
    digits = whole.isascii() and whole.isdigit() and len(whole) < 7
    if not digits or not (part == "" or (part.isascii() and part.isdigit() and len(part) <= 6)):
        raise Refused(400, f"mhz is {text[:40]}; it must be a frequency in MHz like 146.52")
    return int(whole) * 1_000_000 + int(part.ljust(6, "0") or "0")
