"""Activity between the listed channels in the last day of kept spectra, for the page of suggestions.

A busy day takes some seconds to look through, which no page can wait for; `midwatch suggest` looks at thirty.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlencode

from watcher.log.reading import watches
from watcher.log.spans import Span
from watcher.log.spectra import latest_utc, spectra_files
from watcher.log.writing import WatchLog
from watcher.plan.figures import write_mhz
from watcher.report.local_time import LocalClock
from watcher.report.unlisted import MOST_TOLD, Place, Unlisted, UnlistedActivity, unlisted_activity
from watcher.report.unlisted_text import channel_table, describe, describe_steady
from watcher.utc import write_utc

LOOKED_BACK = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class UnlistedShown:
    """One signal on the page; `address` leads to where it can be seen in the spectrum over time."""

    place: str
    words: tuple[str, ...]
    table: str
    address: str


@dataclass(frozen=True, slots=True)
class UnlistedLately:
    """What the last day shows.

    `is_known` says whether there were spectra to look at, `is_awaited` that they are still looked through.
    """

    is_known: bool = False
    is_awaited: bool = False
    moving: tuple[UnlistedShown, ...] = ()
    steady: tuple[str, ...] = ()
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be looked through; `files` changes with every row that is written."""

    folder: Path
    files: tuple[tuple[str, int], ...]
    listed: tuple[Place, ...]
    span: Span


def look_through(asked: Asked) -> UnlistedActivity:
    """The work itself."""
    return unlisted_activity(asked.folder, asked.listed, asked.span)


class UnlistedLook:
    """Looks in a thread of its own, when asked; what it last found stands until it has looked again.

    Parameters
    ----------
    work : callable
        Looks through what was asked for.
    """

    def __init__(self, work: Callable[[Asked], UnlistedActivity] = look_through) -> None:
        self._work = work
        self._turn = threading.Condition()
        self._is_working = False
        self._found: tuple[Asked, UnlistedActivity] | None = None

    def latest(self, asked: Asked, patience_s: float) -> UnlistedActivity | None:
        """What was found, waiting so long for news; None where nothing was looked through yet."""
        with self._turn:
            if not self._is_new(asked):
                if not self._is_working:
                    self._is_working = True
                    threading.Thread(
                        target=self._run, args=(asked,), name="unlisted activity", daemon=True
                    ).start()
                self._turn.wait_for(lambda: self._is_new(asked) or not self._is_working, patience_s)
            return None if self._found is None else self._found[1]

    def _is_new(self, asked: Asked) -> bool:
        return self._found is not None and self._found[0] == asked

    def _run(self, asked: Asked) -> None:
        found = None
        try:
            with contextlib.suppress(OSError):  # a disk that does not answer; the next page asks again
                found = self._work(asked)
        finally:
            with self._turn:
                self._is_working = False
                if found is not None:
                    self._found = asked, found
                self._turn.notify_all()


def unlisted_lately(
    log: WatchLog, clock: LocalClock, look: UnlistedLook, patience_s: float
) -> UnlistedLately:
    """What was seen between the channels that any watch of the log listed."""
    stop_utc = latest_utc(log.folder)
    if stop_utc is None:
        return UnlistedLately()
    listed = {(one.frequency_hz, one.bandwidth_hz) for watch in watches(log) for one in watch.channels}
    asked = Asked(
        log.folder, _files(log.folder), tuple(sorted(listed)), Span(stop_utc - LOOKED_BACK, stop_utc)
    )
    found = look.latest(asked, patience_s)
    if found is None:
        return UnlistedLately(is_known=True, is_awaited=True)
    moving = [one for one in found.signals if not one.is_steady]
    steady = [one for one in found.signals if one.is_steady]
    return UnlistedLately(
        is_known=found.watched_s > 0,
        moving=tuple(_shown(one, clock) for one in moving[:MOST_TOLD]),
        steady=tuple(describe_steady(one) for one in steady[:MOST_TOLD]),
        left_out=max(0, len(moving) - MOST_TOLD),
    )


def _files(folder: Path) -> tuple[tuple[str, int], ...]:
    found = []
    for file in spectra_files(folder):
        try:
            found.append((file.path.name, file.path.stat().st_size))
        except FileNotFoundError:  # retention removed it meanwhile
            continue
    return tuple(found)


def _shown(one: Unlisted, clock: LocalClock) -> UnlistedShown:
    place = write_mhz(one.place_hz)
    address = urlencode({"length": "hour", "at": write_utc(one.last_utc), "mhz": place})
    return UnlistedShown(f"{place} MHz", tuple(describe(one, clock)), "\n".join(channel_table(one)), address)
