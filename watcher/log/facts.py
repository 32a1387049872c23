"""What the watch log keeps of a watch as a whole: one run of the receiver."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.plan.model import Channel
from watcher.radio.source import Stretch


class WatchEndedBy(StrEnum):
    """Why a watch is over."""

    END_OF_SAMPLES = "end of samples"
    STOPPED = "stopped"
    FAILED = "failed"
    BROKEN_OFF = "broken off"  # found without an end at a later start: it was killed, or the power went


@dataclass(frozen=True, slots=True)
class WatchFacts:
    """What is known when a watch begins.

    Parameters
    ----------
    started_utc : datetime
        Live, when the radio opened; in a replay, the instant of the first sample.
    source_label : str
        The radio or the recordings, as a person would call them.
    plan_text, plan_sha256 : str
        The plan file as it was read, and its digest.
    program_version : str
    channels : tuple of Channel
        What is listened to, in the order of the plan.
    stretches : tuple of Stretch
        What is known of the samples to come.
    station : str or None
    time_zone : str
        IANA name, for local times in reports.
    notes : str
        Anything a reader should know, in sentences.
    """

    started_utc: datetime
    source_label: str
    plan_text: str
    plan_sha256: str
    program_version: str
    channels: tuple[Channel, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    station: str | None = None
    time_zone: str = "UTC"
    notes: str = ""


@dataclass(frozen=True, slots=True)
class WatchEnd:
    """What is known when a watch ends.

    The counts are of input samples, and None where nobody counted.
    """

    ended_utc: datetime
    ended_by: WatchEndedBy
    samples_read: int | None = None
    samples_lost: int | None = None
    samples_clipped: int | None = None
    notes: str = ""
