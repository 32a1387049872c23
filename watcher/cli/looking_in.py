"""The command that looks in on a standing watch: `status`."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from watcher.cli.terminal import LogFolder, app, out
from watcher.errors import StorageError
from watcher.log.reading import watches
from watcher.log.writing import WatchLog
from watcher.watch.clock import SystemClock
from watcher.watch.status import describe_status, read_status


@app.command()
def status(folder: LogFolder) -> None:
    """Say how the standing watch of a folder is."""
    told = read_status(folder)
    for line in describe_status(told, SystemClock().utc(), _zone_of(folder)):
        out.print(line, markup=False)


def _zone_of(folder: Path) -> ZoneInfo:
    """Of the latest watch of the folder; UTC where there is none."""
    try:
        with WatchLog.open_to_read(folder) as log:
            latest = watches(log)[-1:]
    except StorageError:
        latest = []
    return ZoneInfo(latest[0].time_zone if latest else "UTC")
