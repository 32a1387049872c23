"""The facts that receiving yields: transmissions, gaps, conditions, watched spans and clips.

Instants are UTC; sample counts are at the input rate of the stream the record came from.
Intervals are half-open.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from pathlib import Path

UNMODULATED = "unmodulated"  # flag: a bare carrier, as of somebody who holds the key and does not speak


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty in the same unit; `sigma` is None where it is not known."""

    value: float
    sigma: float | None = None


class EndedBy(StrEnum):
    """Why a transmission's record ends where it does."""

    CARRIER_DROP = "carrier drop"
    END_OF_SAMPLES = "end of samples"
    GAP = "gap"
    SPLIT = "split"
    STOPPED = "stopped"
    TURNED_STEADY = "idle carrier that stayed"
    RECOVERED = "recovered"


class GapCause(StrEnum):
    """Why a channel was not watched for a while."""

    LOST_SAMPLES = "lost samples"
    OUTSIDE_SPAN = "outside the radio's span"
    NO_SAMPLES = "no samples recorded"
    STORAGE = "storage failed"


class ConditionKind(StrEnum):
    """What a channel suffers from without anybody transmitting."""

    STEADY_CARRIER = "steady carrier"
    ZERO_FREQUENCY_SPIKE = "zero-frequency spike"
    IMAGE = "image"


@dataclass(frozen=True, slots=True)
class ToneReading:
    """What the sub-audible part of a transmission said.

    `tone_hz` is the listed tone, or None for "no listed tone"; `estimate_hz` is the measured
    frequency; `probability` is the posterior probability that the stated tone (or its absence) is
    right; `first_word_ms` is how long after the start the tone was first named.
    """

    tone_hz: float | None
    estimate_hz: Measured | None = None
    deviation_hz: Measured | None = None
    probability: float | None = None
    first_word_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Transmission:
    """One key-down on one channel, or one piece of it where the longest clip split it."""

    channel: str
    frequency_hz: int
    mode: str
    start_sample: int
    stop_sample: int
    start_utc: datetime
    end_utc: datetime
    clip_start_utc: datetime
    clip_end_utc: datetime
    ended_by: EndedBy
    on_at_start: bool = False  # the carrier was already up when watching began
    piece: int = 1  # 1 for a whole transmission or the first piece of a split one
    snr_db: Measured | None = None  # carrier to noise in the channel's pass band
    power_dbfs: float | None = None  # in the pass band
    frequency_error_hz: Measured | None = None
    peak_deviation_hz: Measured | None = None
    rms_deviation_hz: Measured | None = None
    tone: ToneReading | None = None
    flags: tuple[str, ...] = field(default=())

    @property
    def seconds(self) -> float:
        """How long the carrier was up within this record."""
        return (self.end_utc - self.start_utc).total_seconds()


@dataclass(frozen=True, slots=True)
class Clip:
    """The finished audio file of one transmission; `path` is relative to the storage folder."""

    transmission: Transmission
    path: Path
    sha256: str
    audio_frames: int


@dataclass(frozen=True, slots=True)
class Gap:
    """A span in which a channel was not watched, with its cause."""

    channel: str
    start_utc: datetime
    stop_utc: datetime
    cause: GapCause


@dataclass(frozen=True, slots=True)
class Watched:
    """A span in which a channel was watched without a break: heard or quiet, never unknown."""

    channel: str
    start_utc: datetime
    stop_utc: datetime


@dataclass(frozen=True, slots=True)
class Condition:
    """A state of a channel that is nobody's transmission, with the evidence for it in words."""

    channel: str
    kind: ConditionKind
    start_utc: datetime
    stop_utc: datetime
    offset_hz: float | None  # from the channel's centre
    snr_db: float | None
    evidence: str
