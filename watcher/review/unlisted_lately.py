"""Activity between the listed channels in the last day of kept spectra, for the page of suggestions.

A day is what can be looked through while a page waits (1.3 s at 2.4 MS/s); `midwatch suggest` looks at 30.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
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
    """What the last day shows; `is_known` says whether there were spectra to look at."""

    is_known: bool
    moving: tuple[UnlistedShown, ...] = ()
    steady: tuple[str, ...] = ()
    left_out: int = 0


def unlisted_lately(log: WatchLog, clock: LocalClock) -> UnlistedLately:
    """What was seen between the channels that any watch of the log listed."""
    stop_utc = latest_utc(log.folder)
    if stop_utc is None:
        return UnlistedLately(is_known=False)
    listed = {(one.frequency_hz, one.bandwidth_hz) for watch in watches(log) for one in watch.channels}
    found = _found(
        log.folder, _state(log.folder), tuple(sorted(listed)), Span(stop_utc - LOOKED_BACK, stop_utc)
    )
    moving = [one for one in found.signals if not one.is_steady]
    steady = [one for one in found.signals if one.is_steady]
    return UnlistedLately(
        is_known=found.watched_s > 0,
        moving=tuple(_shown(one, clock) for one in moving[:MOST_TOLD]),
        steady=tuple(describe_steady(one) for one in steady[:MOST_TOLD]),
        left_out=max(0, len(moving) - MOST_TOLD),
    )


def _state(folder: Path) -> tuple[tuple[str, int], ...]:
    """Changes with every row that is written."""
    found = []
    for file in spectra_files(folder):
        try:
            found.append((file.path.name, file.path.stat().st_size))
        except FileNotFoundError:  # retention removed it meanwhile
            continue
    return tuple(found)


@lru_cache(maxsize=2)
def _found(
    folder: Path, state: tuple[tuple[str, int], ...], listed: tuple[Place, ...], span: Span
) -> UnlistedActivity:
    """Looked through once for each state of the files."""
    return unlisted_activity(folder, listed, span)


def _shown(one: Unlisted, clock: LocalClock) -> UnlistedShown:
    place = write_mhz(one.place_hz)
    address = urlencode({"length": "hour", "at": write_utc(one.last_utc), "mhz": place})
    return UnlistedShown(f"{place} MHz", tuple(describe(one, clock)), "\n".join(channel_table(one)), address)
