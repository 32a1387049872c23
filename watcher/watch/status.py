"""How the watch stands, as a file in its folder, and what `midwatch status` makes of it.

The daemon writes the file whole every few seconds. Whether the daemon is still there is asked of the system:
its process, and the lock on the folder.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from watcher.durable import write_whole
from watcher.errors import StorageError
from watcher.receive.clips import UNFINISHED_FOLDER
from watcher.utc import read_utc, write_utc
from watcher.watch.alert_texts import write_times
from watcher.watch.health import HealthFigures

FILE_NAME = "status.json"
WRITE_EVERY_S = 10.0

STALE = timedelta(seconds=60)
"""Six writings missed: the daemon hangs, or its disk does."""

_LARGEST_BYTES = 1_000_000
_FIGURES = TypeAdapter(HealthFigures)


@dataclass(frozen=True, slots=True)
class StandStatus:
    """What the folder and the system say of the daemon.

    Parameters
    ----------
    figures : HealthFigures or None
        None where no daemon has written any.
    written_utc : datetime or None
    process_there : bool or None
        Whether the process that wrote them is there; None where nothing was written.
    locked : bool or None
        Whether some watch has the folder; None where the system does not tell.
    """

    figures: HealthFigures | None
    written_utc: datetime | None
    process_there: bool | None
    locked: bool | None


def write_status(folder: Path, figures: HealthFigures, now_utc: datetime) -> None:
    """Put the figures into the folder; the file is whole at any instant, and a power cut may take it.

    Raises
    ------
    OSError
        The file cannot be written; the one before stands.
    """
    said = {"written_utc": write_utc(now_utc)}
    for each in fields(HealthFigures):
        value = getattr(figures, each.name)
        said[each.name] = write_utc(value) if isinstance(value, datetime) else value
    write_whole(folder / FILE_NAME, (json.dumps(said, indent=1) + "\n").encode(), on_disk=False)


def process_is_there(pid: int) -> bool:
    """Whether a process of that number is there, whoever owns it."""
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def folder_is_locked(folder: Path, locks: Path = Path("/proc/locks")) -> bool | None:
    """Whether a watch has the folder; None where the system does not tell.

    The lock is only looked at. To try it would keep a watch that starts at that instant out of its folder.
    """
    try:
        inode = (folder / UNFINISHED_FOLDER / "lock").stat().st_ino
    except OSError:
        return False
    try:
        lines = locks.read_text(encoding="ascii").splitlines()
    except (OSError, ValueError):
        return None
    # "1: FLOCK  ADVISORY  WRITE 4242 08:01:131 0 EOF", proc_locks(5); one that waits has an arrow instead.
    held = [line.split() for line in lines]
    return any(len(each) >= 6 and each[1] == "FLOCK" and each[5].endswith(f":{inode}") for each in held)


def read_status(
    folder: Path | str,
    *,
    is_there: Callable[[int], bool] = process_is_there,
    locks: Path = Path("/proc/locks"),
) -> StandStatus:
    """What the folder and the system say.

    Parameters
    ----------
    folder : path-like
    is_there : callable
        Whether a process is.
    locks : Path
        Where the system lists its locks.

    Raises
    ------
    StorageError
        There is no such folder, or its status file cannot be read.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise StorageError(f"folder {folder} does not exist; give the folder of a watch")
    locked = folder_is_locked(folder, locks)
    path = folder / FILE_NAME
    try:
        with path.open("rb") as file:
            said = json.loads(file.read(_LARGEST_BYTES))
        written_utc = read_utc(said.pop("written_utc"))
        figures = _FIGURES.validate_python(said)  # what only a later program says is passed over
    except FileNotFoundError:
        return StandStatus(None, None, None, locked)
    except OSError as failure:
        raise StorageError(
            f"{path} cannot be read ({failure.strerror}); give read permission on it"
        ) from failure
    except (ValueError, KeyError, TypeError, AttributeError) as failure:
        raise StorageError(
            f"{path} is not a status this program wrote; remove it, a running watch writes it again"
        ) from failure
    return StandStatus(figures, written_utc, is_there(figures.pid), locked)


def describe_status(status: StandStatus, now_utc: datetime, zone: ZoneInfo) -> tuple[str, ...]:
    """The status in lines; the first says whether the watch is stood."""
    figures, written_utc = status.figures, status.written_utc
    if figures is None or written_utc is None:
        if status.locked:
            return (
                "A watch has this folder and has not said yet how it stands: it starts, or it is a replay.",
            )
        return ("No watch is stood here, and none has said how it stood.",)
    age = now_utc - written_utc
    if figures.ended_utc is not None:
        first = f"No watch is stood: it was ended at {write_times(figures.ended_utc, zone)}."
    elif not status.process_there or (status.locked is False and age > STALE):
        # The number may belong to another program since; a file just written is better evidence than a lock
        # that a container may not show.
        first = (
            f"NO WATCH IS STOOD: its process {figures.pid} is gone without an end. "
            f"Its last word is of {write_times(written_utc, zone)}."
        )
    elif age > STALE:
        first = (
            f"THE WATCH MAY HANG: its process {figures.pid} is there and has said nothing for "
            f"{_duration(age)}, since {write_times(written_utc, zone)}."
        )
    elif age < -STALE:
        first = (
            f"The watch is stood, by process {figures.pid}; "
            f"its clock or this one has stepped by {_duration(-age)}."
        )
    else:
        first = (
            f"The watch is stood, by process {figures.pid} since {write_times(figures.started_utc, zone)}."
        )
    return (first, *_lines(figures, zone))


def _lines(figures: HealthFigures, zone: ZoneInfo) -> list[str]:
    def times(instant: datetime | None) -> str:
        return "unknown" if instant is None else write_times(instant, zone)

    lines = []
    if figures.window is not None:
        lines.append(f"window: {figures.window}, open until {times(figures.window_until_utc)}")
    elif figures.ended_utc is None:
        following = figures.next_window_utc
        lines.append(
            "window: none, and none to come" if following is None else f"window: next {times(following)}"
        )
    if figures.last_sample_utc is not None:
        lines.append(f"last sample: {times(figures.last_sample_utc)}")
    lines.append(f"heard: {figures.transmissions} transmissions, {figures.clips} clips")
    lost = figures.samples_lost / max(1, figures.samples + figures.samples_lost)
    lines.append(f"samples: {figures.samples:,}, lost {figures.samples_lost:,} ({lost:.2g} of all)")
    gaps = ", ".join(f"{cause} × {number}" for cause, number in sorted(figures.gaps.items()))
    lines.append(f"gaps: {gaps or 'none'}")
    lines.append(f"radios: opened {figures.radio_opens} times, lost {figures.radio_losses} times")
    for tuning, dbfs in sorted(figures.noise_floor_dbfs.items()):
        lines.append(f"noise floor at {tuning} MHz: {dbfs:.1f} dBFS".replace("-", "−"))
    drift_s = figures.clock_drift_s
    lines.append(
        "clock drift: unknown"
        if drift_s is None
        else f"clock drift: {1000 * drift_s:+.1f} ms".replace("-", "−")
    )
    free = figures.disk_free_bytes
    lines.append("disk free: unknown" if free is None else f"disk free: {free / 1e9:.1f} GB")
    lines.append(
        f"alerts: {figures.alerts_sent} sent, {figures.alerts_failed} attempts failed, "
        f"{figures.alerts_held_back} held back, {figures.alerts_waiting} waiting"
    )
    return lines


def _duration(age: timedelta) -> str:
    minutes, seconds = divmod(round(age.total_seconds()), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {seconds} s" if minutes else f"{seconds} s"
