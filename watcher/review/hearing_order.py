"""The order of hearing, worked out beside the pages: it takes a whole summary, no page can wait for it."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Self

from watcher.errors import StorageError
from watcher.log.search import State
from watcher.report.ranking import Reason, in_order_of_hearing
from watcher.report.writing import read_summary

LEAST_PAUSE_S = 20.0
PAUSE_SHARE = 10.0
"""It rests ten times as long as it worked, so it takes a tenth of a core at most while a watch goes on."""


@dataclass(frozen=True, slots=True)
class Ordering:
    """Every entry in the order of hearing, and the reasons of those that have some."""

    state: State
    entry_ids: tuple[int, ...] = ()
    reasons: MappingProxyType[int, tuple[Reason, ...]] = field(default_factory=lambda: MappingProxyType({}))

    def place(self, entry_id: int) -> int | None:
        """Where an entry stands; None where it is newer than the order."""
        try:
            return self.entry_ids.index(entry_id)
        except ValueError:
            return None


def work_out(folder: Path, state: State) -> Ordering:
    """The order of hearing of all that the log holds, by the same ranking as the activity report."""
    try:
        summary = read_summary(folder)
    except StorageError:
        if state.total == 0:
            return Ordering(state)
        raise
    reasons = {
        piece.entry_id: ranked.reasons
        for ranked in summary.hear_first
        for one in ranked.exchange.transmissions
        for piece in one.pieces
    }
    ids = tuple(one.entry_id for one in in_order_of_hearing(summary.hear_first, summary.transmissions))
    return Ordering(state, ids, MappingProxyType(reasons))


class HearingOrder:
    """Works in a thread of its own; what it last found stands until it has found better."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._wanted: State | None = None
        self._latest: Ordering | None = None
        self._turn = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="order of hearing", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with self._turn:
            self._closing = True
            self._turn.notify_all()

    def latest(self, state: State, patience_s: float = 0.0) -> Ordering | None:
        """The order last found; asks for a better one where the log has grown since.

        Waits up to `patience_s` where there is none at all yet, and returns None if there is none then.
        """
        with self._turn:
            if self._latest is None or self._latest.state != state:
                self._wanted = state
                self._turn.notify_all()
            if self._latest is None:
                self._turn.wait_for(lambda: self._latest is not None, patience_s)
            return self._latest

    def _run(self) -> None:
        while True:
            with self._turn:
                self._turn.wait_for(lambda: self._closing or self._wanted is not None)
                if self._closing or self._wanted is None:
                    return
                state, self._wanted = self._wanted, None
            begun = time.monotonic()
            try:
                found = work_out(self._folder, state)
            except StorageError:
                found = None  # torn by a watch that just began to write; the next page asks again
            with self._turn:
                if found is not None:
                    self._latest = found
                    self._turn.notify_all()
                rest_s = 1.0 if found is None else (time.monotonic() - begun) * PAUSE_SHARE
                self._turn.wait_for(
                    lambda: self._closing, 1.0 if found is None else max(LEAST_PAUSE_S, rest_s)
                )
