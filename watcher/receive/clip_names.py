"""The names of clip files: finished ones for people, unfinished ones for the next start."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import count
from pathlib import Path, PurePosixPath
from urllib.parse import quote, unquote

from watcher.plan.figures import write_mhz
from watcher.plan.names import file_part
from watcher.receive.records import EndedBy, Transmission
from watcher.utc import write_utc

_QUOTED_CHARACTERS = 180
_PART_NAME = re.compile(r"(\d{8}T\d{6}\.\d{6})Z_(\d+)_([^_]+)_(\d+)_(.*)", re.ASCII | re.DOTALL)
_PART_TIME = "%Y%m%dT%H%M%S.%f"


def clip_path(transmission: Transmission, folder: Path) -> PurePosixPath:
    """Where the clip will stand, relative to `folder`: `2031-05-04/030201.250Z_146.520_2-m-calling.flac`.

    The time is when the carrier came up. Where the name is taken, `_2`, `_3` and so on follow it.
    """
    instant = write_utc(transmission.start_utc)
    day, clock = instant[:10], instant[11:].replace(":", "")
    name = f"{clock}_{write_mhz(transmission.frequency_hz)}_{file_part(transmission.channel)}"
    for number in count(1):
        path = PurePosixPath(day, f"{name}.flac" if number == 1 else f"{name}_{number}.flac")
        if not (folder / path).exists():
            return path
    raise AssertionError("count does not end")


def part_name(transmission: Transmission, folder: Path) -> str:
    """The name of an unfinished clip, without ending: enough to keep it should its side file be lost."""
    instant = transmission.clip_start_utc.astimezone(UTC).strftime(_PART_TIME) + "Z"
    channel = quote(transmission.channel, safe=" ")[:_QUOTED_CHARACTERS]
    mode = quote(transmission.mode.replace("_", "-"), safe="")
    for number in count(1):
        name = f"{instant}_{transmission.frequency_hz}_{mode}_{number}_{channel}"
        if not (folder / f"{name}.part").exists():
            return name
    raise AssertionError("count does not end")


def transmission_from_part_name(name: str, begun_utc: datetime) -> Transmission:
    """What the name of an unfinished clip still tells when nothing else does.

    Parameters
    ----------
    name : str
        Without ending.
    begun_utc : datetime
        When the file was begun, for a name that is none of ours.
    """
    match = _PART_NAME.fullmatch(name)
    channel, frequency_hz, mode = "unknown", 0, "unknown"
    if match is not None:
        begun_utc = datetime.strptime(match[1], _PART_TIME).replace(tzinfo=UTC)
        channel, frequency_hz, mode = unquote(match[5]), int(match[2]), unquote(match[3])
    return Transmission(
        channel=channel,
        frequency_hz=frequency_hz,
        mode=mode,
        start_sample=0,
        stop_sample=0,
        start_utc=begun_utc,
        end_utc=begun_utc,
        clip_start_utc=begun_utc,
        clip_end_utc=begun_utc,
        ended_by=EndedBy.RECOVERED,
    )
