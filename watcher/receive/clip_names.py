"""The names of clip files: finished ones for people, unfinished ones for the next start."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime
from itertools import count
from pathlib import Path, PurePosixPath
from urllib.parse import quote, unquote

from watcher.receive.records import EndedBy, Transmission
from watcher.utc import write_utc

_CHANNEL_BYTES = 80  # file systems allow 255 for the whole name
_QUOTED_CHARACTERS = 180
_PART_NAME = re.compile(r"(\d{8}T\d{6}\.\d{6})Z_(\d+)_([^_]+)_(\d+)_(.*)", re.ASCII | re.DOTALL)
_PART_TIME = "%Y%m%dT%H%M%S.%f"


def clip_path(transmission: Transmission, folder: Path) -> PurePosixPath:
    """Where the clip will stand, relative to `folder`: `2031-05-04/030201.250Z_146.520_2-m-calling.flac`.

    The time is when the carrier came up. Where the name is taken, `_2`, `_3` and so on follow it.
    """
    instant = write_utc(transmission.start_utc)
    day, clock = instant[:10], instant[11:].replace(":", "")
    name = f"{clock}_{write_mhz(transmission.frequency_hz)}_{channel_in_file_name(transmission.channel)}"
    for number in count(1):
        path = PurePosixPath(day, f"{name}.flac" if number == 1 else f"{name}_{number}.flac")
        if not (folder / path).exists():
            return path
    raise AssertionError("count does not end")


def write_mhz(frequency_hz: int) -> str:
    """A frequency in MHz with every digit it has and at least three decimals: `146.520`, `118.008333`."""
    whole, rest = divmod(frequency_hz, 1_000_000)
    return f"{whole}.{f'{rest:06d}'.rstrip('0').ljust(3, '0')}"


def channel_in_file_name(channel: str) -> str:
    """A channel's name as every file system takes it: letters and digits, all else one hyphen."""
    words = "".join(c if c.isalnum() else " " for c in unicodedata.normalize("NFC", channel)).split()
    fitting = "-".join(words).encode()[:_CHANNEL_BYTES].decode(errors="ignore").rstrip("-")
    return fitting or "channel"


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
