"""The facts that receiving yields: transmissions, gaps, conditions, watched spans and clips.

Instants are UTC; sample counts are at the input rate of the stream the record came from.
Intervals are half-open.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from pathlib import Path

# Flags: reasons to hear a clip first. What each weighs, and the sentence for it, is told by
# watcher.report.ranking.
UNMODULATED = "unmodulated"  # a bare carrier, as of somebody who holds the key and does not speak
LONG_TONE = "long-tone"  # the touch-tone zero held three seconds or more: an amateur distress convention
ALERT_TONE = "alert-tone"  # the 1050 Hz warning tone of weather radio
SAME = "same"  # a digital alert header
BEACON = "beacon"  # the falling sweep of an emergency locator


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
    RETUNED = "the radio went to another tuning"
    RADIO_LOST = "the radio was lost"
    WINDOW_CLOSED = "the window closed"
    TURNED_STEADY = "idle carrier that stayed"
    RECOVERED = "recovered"


class GapCause(StrEnum):
    """Why a channel was not watched for a while."""

    LOST_SAMPLES = "lost samples"
    OUTSIDE_SPAN = "outside the radio's span"
    NO_SAMPLES = "no samples recorded"
    STORAGE = "storage failed"
    NOT_BEGUN = "the watch had not begun"
    OPENING = "opening the radio"
    RADIO_LOST = "no radio"
    TUNING = "tuning"
    CLOCK_SET = "the clock was set"
    OTHER_TUNING = "another tuning was on the air"
    NO_RADIO_HEARS_IT = "no radio can hear it"
    UNKNOWN = "unknown"


class ConditionKind(StrEnum):
    """What a channel suffers from without anybody transmitting."""

    STEADY_CARRIER = "steady carrier"
    ZERO_FREQUENCY_SPIKE = "zero-frequency spike"
    IMAGE = "image"
    WITHOUT_TONE = "without the required tone"


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


class Sign(StrEnum):
    """What sort of signalling a finding is."""

    DTMF = "dtmf"
    LONG_TONE = "long tone"
    ALERT_TONE = "alert tone"
    SAME = "same"
    SAME_UNSURE = "same, perhaps misread"
    SAME_END = "same end"
    BEACON = "beacon"
    SWEEP = "rising sweep"
    MORSE = "morse"
    TWO_TONE = "two-tone"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a decoder found in a transmission.

    Parameters
    ----------
    sign : Sign
    start_s, stop_s : float
        Since the carrier of the transmission, or of its first piece, came up.
    text : str
        What was sent, as it was: the keys, the header, the letters; or the figures measured.
    words : str
        The same for a person, as one phrase.
    probability : float or None
        How sure the decoder is, 0 to 1.
    figures : dict of str to float
        What was measured, the unit at the end of the name.
    """

    sign: Sign
    start_s: float
    stop_s: float
    text: str
    words: str
    probability: float | None = None
    figures: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CodeReading:
    """What a decoder of digital code squelch (DCS) said.

    `code` is the normal code with its N, or None for "no code"; `other_name` is what the same signal is
    called where the polarity is the other way round; `turn_off_s` is how long before the carrier's fall
    the turn-off code began, None where there was none.
    """

    code: str | None
    other_name: str | None = None
    deviation_hz: float | None = None
    probability: float | None = None
    turn_off_s: float | None = None


class Kind(StrEnum):
    """What sort of transmission it is, by what was measured on it."""

    VOICE = "voice"
    DATA = "data"
    TONES = "tones"
    CARRIER = "unmodulated carrier"
    NOISE = "noise"


@dataclass(frozen=True, slots=True)
class KindReading:
    """The likeliest kind, how sure, and the seconds of speech, tones and data; it never hides a clip."""

    kind: Kind
    probability: float
    speech_s: float | None = None
    tone_s: float | None = None
    data_s: float | None = None


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
    code: CodeReading | None = None
    kind: KindReading | None = None
    findings: tuple[Finding, ...] = field(default=())
    iq: str | None = None  # the SigMF recording of the channel, relative to the storage folder

    def texts(self, sign: Sign) -> tuple[str, ...]:
        """The texts of the findings of one sign, in order."""
        return tuple(finding.text for finding in self.findings if finding.sign is sign)

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
