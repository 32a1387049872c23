"""Figures of health: what a person or a monitor looks at to see that the watch is really stood.

Any thread may tell and ask. The text form is Prometheus's exposition format, version 0.0.4 (prometheus.io,
"Exposition formats"): a widely read, open form for figures.
"""

from __future__ import annotations

import math
import os
import shutil
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from watcher.receive.chain import Record
from watcher.receive.records import Clip, Gap, Transmission
from watcher.watch.alerts import AlertCounts

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


@dataclass(frozen=True, slots=True)
class HealthFigures:
    """How the watch stands at one instant. None and an absent key: not known.

    Counts are since the start of the process, and begin anew where the plan is changed if their counters do.

    Parameters
    ----------
    started_utc : datetime
    pid : int
    samples, samples_lost, samples_clipped : int
        Of all radios together, at the input rate.
    gaps : mapping of str to int
        Gaps logged, by cause.
    transmissions, clips : int
    noise_floor_dbfs : mapping of str to float
        The median over the channels of each tuning, by the tuning's centre in MHz.
    clock_drift_s : float or None
        Sample clock minus system clock since the anchor of the stream.
    disk_free_bytes : int or None
        On the disk of the watch's folder.
    radio_opens, radio_losses : int
        How often a radio was opened, and how often one that was open went away.
    last_sample_utc : datetime or None
        Instant of the newest sample that was received.
    window, window_until_utc, next_window_utc
        The window that is open and its end; else the start of the next, None where there will be none.
    ended_utc : datetime or None
        When the watch ended in good order.
    """

    started_utc: datetime
    pid: int
    samples: int = 0
    samples_lost: int = 0
    samples_clipped: int = 0
    gaps: Mapping[str, int] = field(default_factory=dict)
    transmissions: int = 0
    clips: int = 0
    noise_floor_dbfs: Mapping[str, float] = field(default_factory=dict)
    clock_drift_s: float | None = None
    disk_free_bytes: int | None = None
    radio_opens: int = 0
    radio_losses: int = 0
    alerts_sent: int = 0
    alerts_failed: int = 0
    alerts_held_back: int = 0
    alerts_waiting: int = 0
    last_sample_utc: datetime | None = None
    window: str | None = None
    window_until_utc: datetime | None = None
    next_window_utc: datetime | None = None
    ended_utc: datetime | None = None


class Health:
    """Keeps the figures.

    Parameters
    ----------
    started_utc : datetime
    pid : int, optional
        Of this process where not given.
    """

    def __init__(self, started_utc: datetime, pid: int | None = None) -> None:
        self._lock = threading.Lock()
        self._figures = HealthFigures(started_utc, os.getpid() if pid is None else pid)

    @property
    def figures(self) -> HealthFigures:
        """The figures as they are now; nobody changes them afterwards."""
        with self._lock:
            return self._figures

    def update(self, **figures: Any) -> None:
        """Replace figures by name.

        Raises
        ------
        TypeError
            There is no figure of that name.
        """
        with self._lock:
            self._figures = replace(self._figures, **figures)

    def take(self, records: Iterable[Record]) -> None:
        """Count records that are in the log; a transmission that was split counts once."""
        with self._lock:
            now = self._figures
            heard, clips, gaps = now.transmissions, now.clips, dict(now.gaps)
            for record in records:
                match record:
                    case Clip():
                        clips += 1
                        heard += record.transmission.piece == 1
                    case Transmission():
                        heard += record.piece == 1
                    case Gap():
                        gaps[record.cause.value] = gaps.get(record.cause.value, 0) + 1
            self._figures = replace(now, transmissions=heard, clips=clips, gaps=gaps)

    def set_noise_floor(self, tuning: str, dbfs: float) -> None:
        """The noise floor of one tuning."""
        with self._lock:
            floors = {**self._figures.noise_floor_dbfs, tuning: dbfs}
            self._figures = replace(self._figures, noise_floor_dbfs=floors)

    def set_alerts(self, counts: AlertCounts) -> None:
        """What became of the alerts."""
        self.update(
            alerts_sent=counts.sent,
            alerts_failed=counts.failed,
            alerts_held_back=counts.held_back,
            alerts_waiting=counts.waiting,
        )

    def look_at_disk(self, folder: Path) -> None:
        """Ask how much room the disk of the folder has; not known where it cannot be asked."""
        self.update(disk_free_bytes=free_bytes(folder))


def free_bytes(folder: Path) -> int | None:
    """Free for this user on the disk of the folder; None where it cannot be asked."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def prometheus_text(figures: HealthFigures) -> str:
    """The figures in the exposition format; what is not known is not there."""
    lines: list[str] = []

    def add(name: str, kind: str, what: str, samples: Mapping[str, float | None]) -> None:
        known = {labels: value for labels, value in samples.items() if value is not None}
        if known:
            lines.extend((f"# HELP {name} {what}", f"# TYPE {name} {kind}"))
            lines.extend(f"{name}{labels} {_number(value)}" for labels, value in known.items())

    def count(name: str, what: str, value: float) -> None:
        add(f"midwatch_{name}_total", "counter", what, {"": value})

    def gauge(name: str, what: str, value: float | None) -> None:
        add(f"midwatch_{name}", "gauge", what, {"": value})

    gauge("start_time_seconds", "When the watch began, seconds since 1970.", _epoch_s(figures.started_utc))
    count("samples", "Samples received from all radios.", figures.samples)
    count("samples_lost", "Samples that a radio or this computer lost.", figures.samples_lost)
    count("samples_clipped", "Samples at the full scale of the converter.", figures.samples_clipped)
    gauge(
        "last_sample_time_seconds", "When the newest sample was received.", _epoch_s(figures.last_sample_utc)
    )
    by_cause = {_labels(cause=cause): float(number) for cause, number in sorted(figures.gaps.items())}
    add("midwatch_gaps_total", "counter", "Spans in which a channel was not watched, by cause.", by_cause)
    count("transmissions", "Transmissions logged.", figures.transmissions)
    count("clips", "Clips finished.", figures.clips)
    floors = {_labels(tuning_mhz=mhz): dbfs for mhz, dbfs in sorted(figures.noise_floor_dbfs.items())}
    add("midwatch_noise_floor_dbfs", "gauge", "Noise floor of each tuning, dB of full scale.", floors)
    gauge("clock_drift_seconds", "Sample clock minus system clock.", figures.clock_drift_s)
    gauge("disk_free_bytes", "Free on the disk of the watch log.", figures.disk_free_bytes)
    count("radio_opens", "How often a radio was opened.", figures.radio_opens)
    count("radio_losses", "How often a radio that was open went away.", figures.radio_losses)
    count("alerts_sent", "Alert messages sent.", figures.alerts_sent)
    count("alerts_failed", "Attempts to send an alert that failed.", figures.alerts_failed)
    count("alerts_held_back", "Transmissions not told for a limit or quiet hours.", figures.alerts_held_back)
    gauge("alerts_waiting", "Transmissions that wait to be told.", figures.alerts_waiting)
    gauge("window_open", "1 while a window is open, else 0.", float(figures.window is not None))
    gauge("next_window_time_seconds", "When the next window opens.", _epoch_s(figures.next_window_utc))
    return "\n".join(lines) + "\n"


def _epoch_s(instant: datetime | None) -> float | None:
    return None if instant is None else instant.timestamp()


def _number(value: float) -> str:
    if math.isfinite(value):
        return repr(value)
    return "NaN" if math.isnan(value) else "+Inf" if value > 0 else "-Inf"


def _labels(**labels: str) -> str:
    def quoted(value: str) -> str:
        return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")

    return "{" + ",".join(f'{name}="{quoted(value)}"' for name, value in labels.items()) + "}"
