"""Log records made by hand for the tests of the report: one clock, seconds since its start."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath
from typing import Any

from watcher.log.facts import WatchEndedBy
from watcher.log.reading import LoggedTransmission, LoggedWatch
from watcher.log.spans import Span
from watcher.plan.model import Channel
from watcher.receive.records import EndedBy, Gap, GapCause, Measured, ToneReading, Transmission
from watcher.report.exchanges import WholeTransmission

START = datetime(2031, 5, 4, 6, 0, tzinfo=UTC)


def at(seconds: float) -> datetime:
    """The instant so many seconds after the start."""
    return START + timedelta(seconds=seconds)


def span(start_s: float, stop_s: float) -> Span:
    """A span in seconds after the start."""
    return Span(at(start_s), at(stop_s))


def gap(channel: str, start_s: float, stop_s: float, cause: GapCause = GapCause.LOST_SAMPLES) -> Gap:
    """A gap in seconds after the start."""
    return Gap(channel, at(start_s), at(stop_s), cause)


def entry(channel: str, start_s: float, seconds: float, entry_id: int = 1, **said: Any) -> LoggedTransmission:
    """One log entry; `said` replaces fields of the transmission, `snr` and `tone_hz` are short for theirs.

    `tone_hz=None` says that somebody looked and found none; leaving it out says that nobody looked.
    """
    snr = said.pop("snr", None)
    clip = said.pop("clip", None)
    watch_id = said.pop("watch_id", 1)
    if "tone_hz" in said:
        said["tone"] = ToneReading(said.pop("tone_hz"), probability=0.999)
    heard = Transmission(
        **{
            "channel": channel,
            "frequency_hz": 146_520_000,
            "mode": "nfm",
            "start_sample": 0,
            "stop_sample": 1,
            "start_utc": at(start_s),
            "end_utc": at(start_s + seconds),
            "clip_start_utc": at(start_s - 0.5),
            "clip_end_utc": at(start_s + seconds + 0.2),
            "ended_by": EndedBy.CARRIER_DROP,
            "snr_db": None if snr is None else Measured(snr, 0.4),
            **said,
        }
    )
    return LoggedTransmission(
        entry_id, watch_id, heard, None if clip is None else PurePosixPath(clip), None, None
    )


def whole(channel: str, start_s: float, seconds: float, **said: Any) -> WholeTransmission:
    """One transmission of one piece."""
    return WholeTransmission.of([entry(channel, start_s, seconds, **said)])


def channel(name: str, **said: Any) -> Channel:
    """A channel of the plan."""
    return Channel(
        **{"name": name, "frequency_hz": 146_520_000, "mode": "nfm", "bandwidth_hz": 12_500, **said}
    )


def watch(*channels: Channel, start_s: float = 0, stop_s: float | None = 3600, **said: Any) -> LoggedWatch:
    """A watch over these channels; `stop_s` None for one without an end."""
    return LoggedWatch(
        **{
            "watch_id": 1,
            "started_utc": at(start_s),
            "ended_utc": None if stop_s is None else at(stop_s),
            "ended_by": None if stop_s is None else WatchEndedBy.END_OF_SAMPLES,
            "source_label": "made",
            "station": "Harrow Ridge",
            "time_zone": "UTC",
            "plan_text": "",
            "plan_sha256": "",
            "program_version": "0",
            "samples_read": None,
            "samples_lost": None,
            "samples_clipped": None,
            "notes": "",
            "channels": channels,
            "stretches": (),
            **said,
        }
    )
