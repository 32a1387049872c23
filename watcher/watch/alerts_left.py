"""Calls for help that nobody could be told of yet, so that a kill or a power cut does not forget them.

A small file beside the log names them; the log holds what they were.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from watcher.durable import write_whole
from watcher.errors import StorageError
from watcher.log.reading import LoggedTransmission, transmissions
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.utc import read_utc, write_utc

FILE_NAME = "alerts-waiting.json"
SAME_START = timedelta(seconds=1)
"""What was told of while it was on the air may begin a little earlier in the log."""


@dataclass(frozen=True, slots=True)
class Left:
    """One call for help that one alert has still to tell."""

    alert: str  # its label
    channel: str
    start_utc: datetime
    flags: tuple[str, ...]  # a kill leaves a clip of it, but not what was found in it


def write_left(folder: Path, waiting: Sequence[Left]) -> None:
    """Remember what waits; nothing waiting leaves no file.

    Raises
    ------
    OSError
        It cannot be written.
    """
    path = folder / FILE_NAME
    if not waiting:
        path.unlink(missing_ok=True)
        return
    rows = [
        {
            "alert": one.alert,
            "channel": one.channel,
            "start_utc": write_utc(one.start_utc),
            "flags": one.flags,
        }
        for one in waiting
    ]
    write_whole(path, json.dumps(rows, indent=1).encode() + b"\n")


def read_left(folder: Path) -> list[Left]:
    """What an earlier watch left untold; a file that is damaged says nothing."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        rows = json.loads((folder / FILE_NAME).read_bytes())
        return [
            Left(
                str(row["alert"]),
                str(row["channel"]),
                read_utc(row["start_utc"]),
                tuple(map(str, row["flags"])),
            )
            for row in rows
        ]
    return []


def left_in_log(folder: Path, left: Sequence[Left]) -> Iterator[tuple[LoggedTransmission, list[str]]]:
    """Each transmission of the log that is meant, with the labels of the alerts that have to tell of it.

    One that was cut short by a kill has the flags that it had raised by then.
    """
    if not left:
        return
    times = [one.start_utc for one in left]
    span = Span(min(times) - SAME_START, max(times) + SAME_START)
    with contextlib.suppress(StorageError), WatchLog.open_to_read(folder) as log:
        for entry in transmissions(log, span, {one.channel for one in left}):
            heard = entry.transmission
            meant = [
                one
                for one in left
                if one.channel == heard.channel and abs(one.start_utc - heard.start_utc) <= SAME_START
            ]
            if meant:
                flags = dict.fromkeys((*heard.flags, *(flag for one in meant for flag in one.flags)))
                heard = replace(heard, flags=tuple(flags))
                yield replace(entry, transmission=heard), [one.alert for one in meant]
