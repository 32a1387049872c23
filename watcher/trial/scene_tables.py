"""The tables of a scene file, each checked key by key; times count from the first sample.

A field's `description` is what a wrong value is told: "it must be …".
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict

from watcher.plan.figures import hz_from_mhz
from watcher.plan.model import Name, Real, ShortText, Whole
from watcher.plan.rules import Wrong, as_number, check_frequency_mhz
from watcher.plan.tones import normal_code
from watcher.utc import read_utc

LONGEST_SCENE_S = 31 * 86_400.0
AUDIO = ("voice", "none", "tone", "keys", "same", "morse", "two-tone", "beacon", "file")

Number = Annotated[Decimal, BeforeValidator(as_number)]
Megahertz = Annotated[Number, AfterValidator(check_frequency_mhz)]
AudioKind = Literal["voice", "none", "tone", "keys", "same", "morse", "two-tone", "beacon", "file"]
Datatype = Literal["cu8", "ci8", "ci16_le", "cf32_le"]
Sending = Literal["nfm", "fm", "am", "carrier"]
_MEGAHERTZ = "a number of MHz between 0.1 and 6000"
_INSTANT = "an instant with its zone in quotes, like 2031-05-04T03:00:00Z"


def _check_instant(text: str) -> str:
    try:
        read_utc(text)
    except (ValueError, OverflowError):
        raise Wrong(f"it must be {_INSTANT}") from None
    return text


def _check_code(written: str) -> str:
    if not written.isascii() or normal_code(written) is None:
        raise Wrong('it must be one of the 104 digital codes in quotes, like "023N" or "047I"')
    return written


def in_seconds(default: float, low: float = 0.0, high: float = LONGEST_SCENE_S) -> float:
    """A field of seconds with a default."""
    found: float = Field(default=default, ge=low, le=high, description=_between("seconds", low, high))
    return found


def in_decibels(default: float, low: float, high: float) -> float:
    """A field of decibels with a default."""
    found: float = Field(default=default, ge=low, le=high, description=_between("dB", low, high))
    return found


def in_hertz(default: float, low: float, high: float) -> float:
    """A field of hertz with a default."""
    found: float = Field(default=default, ge=low, le=high, description=_between("hertz", low, high))
    return found


def _between(unit: str, low: float, high: float) -> str:
    return f"a number of {unit} between {low:g} and {high:g}"


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SceneTable(_Table):
    """`[scene]`: the recording as a whole."""

    sample_rate_hz: Whole = Field(
        ge=20_000, le=20_000_000, description="a whole number between 20000 and 20000000"
    )
    seconds: Real = Field(
        gt=0, le=LONGEST_SCENE_S, description="a number of seconds above 0, at most 31 days"
    )
    centre_mhz: Megahertz = Field(description=_MEGAHERTZ)
    start_utc: Annotated[str, AfterValidator(_check_instant)] = Field(
        default="2031-05-04T03:00:00Z", description=_INSTANT
    )
    noise_dbfs: Real = in_decibels(-30.0, -90.0, -3.0)
    ppm_error: Real = Field(default=0.0, ge=-200, le=200, description="a number between -200 and 200")
    seed: Whole = Field(default=1, ge=0, le=2**31, description="a whole number from 0")
    datatype: Datatype = Field(default="cu8", description='"cu8", "ci8", "ci16_le" or "cf32_le"')
    description: ShortText | None = Field(default=None, description="a short text in quotes")

    @property
    def centre_hz(self) -> int:
        """What the receiver believes it is tuned to."""
        return hz_from_mhz(self.centre_mhz)


class TransmissionTable(_Table):
    """`[[transmission]]`: one key-down, or the same one again and again.

    `cnr_db` is the carrier over the noise in `noise_width_khz`, fading aside. Without `seconds` it lasts as
    long as its audio and the pauses around it; a voice needs them.
    """

    channel: Name = Field(description="a name in quotes")
    frequency_mhz: Megahertz = Field(description=_MEGAHERTZ)
    start_s: Real = Field(
        ge=-3600, le=LONGEST_SCENE_S, description=_between("seconds", -3600, LONGEST_SCENE_S)
    )
    cnr_db: Real = Field(ge=-30, le=120, description=_between("dB", -30, 120))
    seconds: Real | None = Field(
        default=None, ge=0.02, le=LONGEST_SCENE_S, description=_between("seconds", 0.02, LONGEST_SCENE_S)
    )
    repeat_every_s: Real | None = Field(
        default=None, ge=0.1, le=LONGEST_SCENE_S, description=_between("seconds", 0.1, LONGEST_SCENE_S)
    )
    repeats: Whole | None = Field(
        default=None, ge=1, le=100_000, description="a whole number between 1 and 100000"
    )
    mode: Sending = Field(default="nfm", description='"nfm", "fm", "am" or "carrier"')
    noise_width_khz: Real | None = Field(default=None, ge=1, le=100, description=_between("kHz", 1, 100))
    frequency_error_hz: Real = in_hertz(0.0, -20_000, 20_000)
    deviation_limit_hz: Real | None = Field(
        default=None, ge=500, le=8000, description=_between("hertz", 500, 8000)
    )
    drive: Real = Field(default=4.0, ge=0, le=20, description="a number between 0 and 20")
    low_cut_hz: Real | None = Field(default=None, ge=20, le=1000, description=_between("hertz", 20, 1000))
    depth: Real = Field(default=0.8, ge=0, le=1, description="a share between 0 and 1")
    tone_hz: Real | None = Field(default=None, ge=50, le=300, description=_between("hertz", 50, 300))
    tone_deviation_hz: Real | None = Field(
        default=None, ge=50, le=2000, description=_between("hertz", 50, 2000)
    )
    reverse_burst_s: Real = in_seconds(0.0, 0.0, 1.0)
    code: Annotated[str, AfterValidator(_check_code)] | None = Field(
        default=None, description='one of the 104 digital codes in quotes, like "023N" or "047I"'
    )
    turn_off_s: Real = in_seconds(0.0, 0.0, 1.0)
    audio: AudioKind = Field(default="voice", description=f"one of {', '.join(AUDIO)}, in quotes")
    text: str | None = Field(default=None, max_length=300, description="at most 300 characters in quotes")
    file: ShortText | None = Field(default=None, description="the name of a WAV file in quotes")
    audio_hz: Real = in_hertz(1000.0, 50, 3000)
    first_hz: Real = in_hertz(600.0, 200, 3100)
    second_hz: Real = in_hertz(1200.0, 200, 3100)
    words_per_minute: Real = Field(default=18.0, ge=4, le=60, description="a number between 4 and 60")
    alert_tone_s: Real = in_seconds(0.0, 0.0, 30.0)
    lead_s: Real = in_seconds(0.3, 0.0, 60.0)
    tail_s: Real = in_seconds(0.2, 0.0, 60.0)
    rise_s: Real = in_seconds(0.003, 0.0, 1.0)
    fall_s: Real = in_seconds(0.003, 0.0, 1.0)
    doppler_hz: Real = in_hertz(0.0, 0, 500)
    shadow_db: Real = in_decibels(0.0, 0.0, 30.0)
    shadow_s: Real = in_seconds(2.0, 0.01, 3600.0)
    comment: str = Field(default="", max_length=300, description="at most 300 characters in quotes")
    steady: Annotated[bool, Strict()] = Field(
        default=False, description="true for nobody's carrier, or false"
    )

    @property
    def frequency_hz(self) -> int:
        """Of the channel."""
        return hz_from_mhz(self.frequency_mhz)

    @property
    def noise_width_hz(self) -> float:
        """What `cnr_db` is stated in: the pass band of the mode's usual channel where it is not said."""
        if self.noise_width_khz is not None:
            return 1000 * self.noise_width_khz
        return {"fm": 16_000.0, "am": 6_500.0}.get(self.mode, 11_000.0)


class NoiseRiseTable(_Table):
    """`[[noise_rise]]`: the noise of the whole span stands higher for a while."""

    start_s: Real = Field(ge=0, le=LONGEST_SCENE_S, description=_between("seconds", 0, LONGEST_SCENE_S))
    stop_s: Real = Field(ge=0, le=LONGEST_SCENE_S, description=_between("seconds", 0, LONGEST_SCENE_S))
    rise_db: Real = Field(ge=-20, le=60, description=_between("dB", -20, 60))


class ImpulsesTable(_Table):
    """`[[impulses]]`: bursts of noise, as from ignition."""

    per_second: Real = Field(gt=0, le=10_000, description="a number above 0 and up to 10000")
    width_s: Real = Field(gt=0, le=1, description="a number of seconds above 0 and up to 1")
    power_dbfs: Real = Field(ge=-90, le=10, description=_between("dB", -90, 10))
    start_s: Real = in_seconds(0.0)
    stop_s: Real = in_seconds(LONGEST_SCENE_S)


class FrontEndTable(_Table):
    """`[front_end]`: the faults of a cheap receiver."""

    zero_spike_dbfs: Real | None = Field(default=None, ge=-90, le=0, description=_between("dB", -90, 0))
    skirt_dbfs: Real | None = Field(default=None, ge=-90, le=0, description=_between("dB", -90, 0))
    gain_imbalance_db: Real = in_decibels(0.0, -6.0, 6.0)
    phase_imbalance_deg: Real = Field(default=0.0, ge=-45, le=45, description="degrees between -45 and 45")
    edge_droop_db: Real = in_decibels(0.0, 0.0, 40.0)


class BirdieTable(_Table):
    """`[[birdie]]`: a line that the receiver makes itself."""

    frequency_mhz: Megahertz = Field(description=_MEGAHERTZ)
    power_dbfs: Real = Field(ge=-120, le=0, description=_between("dB", -120, 0))
    drift_hz_per_s: Real = Field(default=0.0, ge=-100, le=100, description="a number between -100 and 100")
