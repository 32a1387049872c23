"""What every page needs at hand: the log, the clock of the station, the order of hearing, the templates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from jinja2 import Environment
from starlette.requests import Request

from watcher.log.reading import LoggedTransmission, LoggedWatch, watches
from watcher.log.search import entries, state
from watcher.log.writing import WatchLog
from watcher.report.local_time import LocalClock
from watcher.review.guard import ChangeToken
from watcher.review.hearing_order import HearingOrder, Ordering
from watcher.review.query import Refused, whole_number
from watcher.review.unlisted_lately import UnlistedLook

FIRST_PAINT_PATIENCE_S = 0.25


@dataclass(slots=True)
class Desk:
    """One for the life of the server; everything in it may be used from any thread."""

    log: WatchLog
    order: HearingOrder
    now_utc: Callable[[], datetime]
    token: ChangeToken
    templates: Environment
    may_change: bool
    closing: Callable[[], bool]
    """Whether the server is about to end: then no page is kept waiting for news."""
    listeners: int = field(default=0)
    unlisted: UnlistedLook = field(default_factory=UnlistedLook)

    @property
    def folder(self) -> Path:
        """Where the clips lie."""
        return self.log.folder

    def render(self, template: str, **shown: Any) -> str:
        """One page."""
        texts = {"may_change": self.may_change, "here": "", "station": ""} | shown
        return self.templates.get_template(template).render(**texts)

    def station(self) -> tuple[str, LocalClock]:
        """The name of the station and its clock, by the latest watch."""
        latest = _latest_watch(self.log)
        if latest is None:
            return "", LocalClock("UTC")
        return latest.station or "", LocalClock(latest.time_zone)

    def ordering(self, patience_s: float = 0.0) -> Ordering | None:
        """The order of hearing; None where the first is still being worked out."""
        return self.order.latest(state(self.log), patience_s)

    def entry(self, text: str) -> LoggedTransmission:
        """The entry of a number in an address.

        Raises
        ------
        Refused
            It is no number, or there is no such entry.
        """
        number = whole_number("the entry", text, 1)
        found = entries(self.log, [number])
        if not found:
            raise Refused(404, f"the log has no entry {number}")
        return found[0]


def desk_of(request: Request) -> Desk:
    """The desk of the application that a request came to."""
    desk: Desk = request.app.state.desk
    return desk


def _latest_watch(log: WatchLog) -> LoggedWatch | None:
    found = watches(log)
    return found[-1] if found else None
