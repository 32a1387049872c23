"""The application: what lies at which address."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from jinja2 import Environment
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from watcher.errors import StorageError, UsageProblem
from watcher.log.writing import WatchLog
from watcher.report import cautions
from watcher.report.page_frame import template_environment
from watcher.review.changing import change_one, change_several, undo_one, undo_together
from watcher.review.desk import Desk
from watcher.review.guard import LOOPBACK_NAMES, ChangeToken, Guard
from watcher.review.handing_over import hand_over_page, relay_page, relay_sheet, taken
from watcher.review.hearing_order import HearingOrder
from watcher.review.news import news
from watcher.review.query import Refused
from watcher.review.reading_pages import (
    clip_audio,
    clip_spectrogram,
    clip_waveform,
    lessons_page,
    list_page,
    one_clip,
    own_file,
    strips_page,
)
from watcher.review.spectrum_addresses import spectrum_picture, spectrum_view

_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True)
class Settings:
    """Who may ask.

    Parameters
    ----------
    hosts : collection of str or None
        Host names under which the page is asked for; None for any, only with a password.
    password : str or None
    """

    hosts: Collection[str] | None = LOOPBACK_NAMES
    password: str | None = None


def application(
    log: WatchLog,
    order: HearingOrder,
    now_utc: Callable[[], datetime],
    settings: Settings | None = None,
    *,
    may_change: bool = True,
    closing: Callable[[], bool] = lambda: False,
) -> Guard:
    """The review page of a log, ready for any ASGI server.

    Parameters
    ----------
    log : WatchLog
        Open for writing, or to read where `may_change` is False.
    order : HearingOrder
        At work.
    now_utc : callable
        What time it is, for marks.
    settings : Settings or None
    may_change : bool
        Whether marks can be set.
    closing : callable
        Whether the server is about to end.

    Raises
    ------
    ValueError
        Any host may ask and there is no password.
    """
    settings = settings or Settings()
    if settings.hosts is None and not settings.password:
        raise ValueError("any host may ask and password is empty; a password must be set")
    token = ChangeToken()
    desk = Desk(log, order, now_utc, token, _environment(token), may_change, closing)
    routes = [
        Route("/", list_page),
        Route("/clip/{entry_id}", one_clip),
        Route("/clip/{entry_id}/audio", clip_audio),
        Route("/clip/{entry_id}/waveform", clip_waveform),
        Route("/clip/{entry_id}/spectrogram", clip_spectrogram),
        Route("/clip/{entry_id}/mark", change_one, methods=["POST"]),
        Route("/clip/{entry_id}/undo", undo_one, methods=["POST"]),
        Route("/marks", change_several, methods=["POST"]),
        Route("/marks/undo", undo_together, methods=["POST"]),
        Route("/strips", strips_page),
        Route("/spectrum", spectrum_view),
        Route("/spectrum/picture", spectrum_picture),
        Route("/lessons", lessons_page),
        Route("/hand-over", hand_over_page),
        Route("/hand-over/{name}", taken),
        Route("/clip/{entry_id}/relay", relay_page, methods=["GET", "POST"]),
        Route("/clip/{entry_id}/relay.pdf", relay_sheet, methods=["POST"]),
        Route("/news", news),
        Route("/own/{name}", own_file),
    ]
    pages = Starlette(
        routes=routes,
        exception_handlers={
            Refused: _told,
            StorageError: _told,
            UsageProblem: _told,
            HTTPException: _told,
            Exception: _told,
        },
    )
    pages.state.desk = desk
    return Guard(pages, hosts=settings.hosts, password=settings.password)


def _environment(token: ChangeToken) -> Environment:
    environment = template_environment(_TEMPLATES)
    environment.globals |= {
        "token": token.text,
        "distress": cautions.DISTRESS,
        "edition": secrets.token_hex(4),
    }
    return environment


def _told(request: Request, problem: Exception) -> Response:
    """Every failure is a page with one sentence; of our own mistakes nothing but that there was one."""
    if isinstance(problem, Refused):
        status, sentence = problem.status, str(problem)
    elif isinstance(problem, StorageError):
        status, sentence = 503, str(problem)
    elif isinstance(problem, UsageProblem):
        status, sentence = 400, str(problem)
    elif isinstance(problem, HTTPException):
        status = problem.status_code
        sentence = "there is no such page" if status == 404 else "this cannot be asked for in this way"
    else:
        status, sentence = 500, "the program made a mistake; nothing was changed"
    desk: Desk = request.app.state.desk
    return HTMLResponse(desk.render("problem.html.j2", sentence=sentence, title="That did not work"), status)
