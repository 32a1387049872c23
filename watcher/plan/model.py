"""The watch plan as the program uses it: whole hertz, absolute paths, everything checked.

`watcher.plan.reading` makes these from a TOML file; a test may make them by hand.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import time
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, ValidationInfo

from watcher.plan.caller_rules import CallerRules
from watcher.plan.duties import Alert, KeepRules, LiveAudio
from watcher.plan.names import clean_name_problem
from watcher.plan.power_rules import PowerRules
from watcher.plan.radio_rules import (
    ADDRESS,
    DIRECT_SAMPLING,
    GAIN,
    DirectSampling,
    Gain,
    as_gain,
    check_address,
    check_index,
    check_kind,
)
from watcher.plan.review_rules import ReviewRules
from watcher.plan.rules import Wrong, as_real, as_whole, check_time_zone, check_window_hours
from watcher.plan.stay_rules import DwellRules, FollowUpRules
from watcher.plan.window_rules import as_clock_times, as_days, check_cron, check_month_day

Mode = Literal["nfm", "fm", "am"]
Keep = Literal["all", "alerts"]
KeepIq = Literal["none", "flagged", "all"]

# Trade width to the filter's pass band, Hz. By Carson's rule, 2 (peak deviation + 3 kHz of voice): 11 kHz for
# 2.5 kHz, 14 for 4 and 16 for 5. For 8.33 kHz AM: voice to 3 kHz on both sides and 250 Hz of frequency error.
_PASS_BAND_HZ = {12_500: 11_000, 20_000: 14_000, 25_000: 16_000}
_AM_PASS_BAND_HZ = {8_330: 6_500, 8_333: 6_500}
_OTHER_PASS_BAND_SHARE = 0.8

# Rated system deviation, Hz: TIA-603 (secondary), 2.5 kHz in 12.5 kHz channels, 5 kHz in wider ones.
_RATED_DEVIATION_HZ: dict[str, int | None] = {"nfm": 2_500, "fm": 5_000, "am": None}


def _short_text(text: str) -> str:
    problem = clean_name_problem(text)
    if problem:
        raise Wrong(problem)
    return text


def _index_beside(index: int | None, others: ValidationInfo) -> int | None:
    return check_index(index, others.data)


def _kind_with(kind: str | None, others: ValidationInfo) -> str | None:
    return check_kind(kind, others.data)


Whole = Annotated[int, BeforeValidator(as_whole)]
Real = Annotated[float, BeforeValidator(as_real)]
Name = Annotated[str, AfterValidator(_short_text)]
ShortText = Annotated[str, AfterValidator(_short_text), Field(description="a short text in quotes")]


class _Frozen(BaseModel):
    """Frozen, and closed to keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Channel(_Frozen):
    """One listed frequency.

    Parameters
    ----------
    name : str
        As the operator calls it; at most 60 characters, no control characters.
    frequency_hz : int
        Centre, Hz.
    mode : {"nfm", "fm", "am"}
        Frequency modulation rated for 2.5 kHz or 5 kHz deviation, or amplitude modulation.
    bandwidth_hz : int
        The trade's channel width, Hz; the filter is narrower, see `pass_band_hz`.
    expect_tone_hz : float or None
        The CTCSS tone the channel's users send. It is never needed for a transmission to be kept.
    priority : int
        1 (highest) to 9.
    raise_threshold_db : float
        Raises the opening threshold of the squelch for a channel with known interference, 0 to 20 dB.
    expect_code : str or None
        The digital code (DCS) its users send, as a normal code: "023N". Never with an expected tone.
    require_tone : bool
        Keep only what carries the expected tone or code; anything else is a condition of the channel.
    keep : {"all", "alerts"}
        "alerts" is for a channel that is always busy, such as weather radio: only alerts make clips.
    calling : bool
        A channel on which people call; what is heard there is to be heard first.
    purpose, licence : str or None
        What the channel is for, and what one needs to transmit there; told by `midwatch check` alone.
    """

    name: Name
    frequency_hz: int = Field(gt=0)
    mode: Mode
    bandwidth_hz: int = Field(gt=0)
    expect_tone_hz: float | None = Field(default=None, gt=0)
    priority: int = Field(default=5, ge=1, le=9)
    raise_threshold_db: float = Field(default=0.0, ge=0, le=20)
    expect_code: str | None = None
    require_tone: bool = False
    keep: Keep = "all"
    calling: bool = False
    purpose: str | None = None
    licence: str | None = None

    @property
    def expects(self) -> str | None:
        """The expected tone or code in words; None where the channel expects none."""
        if self.expect_code is not None:
            return f"code {self.expect_code}"
        return None if self.expect_tone_hz is None else f"tone {self.expect_tone_hz:.1f} Hz"

    @property
    def pass_band_hz(self) -> int:
        """Width of the filter's pass band, Hz, both sides of the centre together."""
        special = _AM_PASS_BAND_HZ if self.mode == "am" else {}
        known = special.get(self.bandwidth_hz) or _PASS_BAND_HZ.get(self.bandwidth_hz)
        return known or round(_OTHER_PASS_BAND_SHARE * self.bandwidth_hz)

    @property
    def rated_deviation_hz(self) -> int | None:
        """The peak deviation that full modulation gives, Hz; None in am."""
        return _RATED_DEVIATION_HZ[self.mode]

    @property
    def low_edge_hz(self) -> float:
        """The lower edge of the pass band, Hz."""
        return self.frequency_hz - self.pass_band_hz / 2

    @property
    def high_edge_hz(self) -> float:
        """The upper edge of the pass band, Hz."""
        return self.frequency_hz + self.pass_band_hz / 2


class Station(_Frozen):
    """Who watches, where the log goes, and in which zone the clock on the wall runs."""

    name: ShortText | None = None
    operator: ShortText | None = None
    call_sign: ShortText | None = None
    place: ShortText | None = None
    time_zone: Annotated[str, AfterValidator(check_time_zone)] = Field(
        default="UTC", description='the name of a time zone in quotes, like "America/Boise"'
    )
    storage: Path | None = Field(default=None, description="the path of a folder in quotes")
    longest_clip_minutes: Real = Field(
        default=5.0, ge=0.1, le=120, description="a number of minutes between 0.1 and 120"
    )

    keep_iq: KeepIq = Field(default="none", description='"none", "flagged" or "all"')
    health_port: Whole | None = Field(
        default=None, ge=1024, le=65_535, description="a whole number between 1024 and 65535"
    )

    @property
    def zone(self) -> ZoneInfo:
        """The station's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def longest_clip_s(self) -> float:
        """Where a transmission that does not end is split, seconds."""
        return 60 * self.longest_clip_minutes


class Radio(_Frozen):
    """One radio. Checked lightly: whether such a radio can do it is known only where it is opened.

    Parameters
    ----------
    serial, index : str or None, int or None
        Which receiver on USB; the first where neither is said.
    sample_rate_hz : int or None
        Samples per second; the kind's usual rate where it is not said.
    ppm : float
        How fast the radio's reference runs: at +10 ppm a station on 100 MHz shows 1 kHz too low.
    gain_db : float or "auto"
        "auto" measures when a tuning begins and sets a gain that then stays.
    bias_tee : bool
        Supply an amplifier at the antenna through its cable.
    direct_sampling : {"off", "i", "q"}
        Past the tuner, for short wave.
    address : str or None
        Host and port of a receiver on the network.
    path, loop : Path or None, bool
        A recording that stands in as a radio, once or over and over.
    driver : str or None
        What names the receiver to the library that knows many kinds.
    kind : {"rtlsdr", "network", "soapy", "recording"} or None
        None in a plan that is only for replay.
    """

    serial: ShortText | None = Field(default=None, description="the serial number in quotes")
    index: Annotated[Whole | None, AfterValidator(_index_beside)] = Field(
        default=None, ge=0, le=255, description="a whole number from 0, the receiver's place on the bus"
    )
    sample_rate_hz: Whole | None = Field(
        default=None, ge=8_000, le=100_000_000, description="a whole number between 8000 and 100000000"
    )
    ppm: Real = Field(default=0.0, ge=-200, le=200, description="a number between -200 and 200")
    gain_db: Annotated[Gain, BeforeValidator(as_gain)] = Field(default="auto", description=GAIN)
    bias_tee: Annotated[bool, Strict()] = Field(default=False, description="true or false")
    direct_sampling: DirectSampling = Field(default="off", description=DIRECT_SAMPLING)
    address: Annotated[str, AfterValidator(check_address)] | None = Field(default=None, description=ADDRESS)
    path: Path | None = Field(default=None, description="the path of a recording in quotes")
    loop: Annotated[bool, Strict()] = Field(default=False, description="true or false")
    driver: ShortText | None = Field(default=None, description="a short text in quotes")
    # Last, so that what it needs has been read when it is checked.
    kind: Annotated[ShortText | None, AfterValidator(_kind_with)] = None

    def beside(self, folder: Path) -> Radio:
        """The same with a relative `path` taken from a folder: that of the plan's file."""
        if self.path is None:
            return self
        return self.model_copy(update={"path": folder / self.path.expanduser()})


class Window(_Frozen):
    """When the watch is stood: local times at which it opens, on which days, and for how long.

    Exactly one of `every_hours` (from local midnight), `at`, `cron` and `continuous` gives the starts; a
    `preset` stands for one of them and is put in its place while the plan is read. `from_date` and `to_date`
    ("MM-DD", both included, possibly over New Year) and `days` narrow the local dates of the starts.
    """

    name: ShortText | None = None
    every_hours: Annotated[Whole, AfterValidator(check_window_hours)] | None = Field(
        default=None,
        description="a whole number of hours that divides the day: 1, 2, 3, 4, 6, 8, 12 or 24",
    )
    at: Annotated[tuple[time, ...], BeforeValidator(as_clock_times)] | None = Field(
        default=None, description='a list of local times in quotes, like ["07:00", "10:00"]'
    )
    cron: Annotated[str, AfterValidator(check_cron)] | None = Field(
        default=None, description='a cron expression in quotes, like "0 */3 * * *"'
    )
    continuous: Annotated[bool, Strict()] = Field(default=False, description="true, or be left out")
    preset: ShortText | None = Field(default=None, description="the name of a preset in quotes")
    length_minutes: Real | None = Field(
        default=None, gt=0, le=1440, description="a number of minutes above 0 and up to 1440"
    )
    lead_minutes: Real = Field(default=0.0, ge=0, le=60, description="a number of minutes between 0 and 60")
    from_date: Annotated[str, AfterValidator(check_month_day)] | None = Field(
        default=None, description='a month and a day in quotes, like "05-01"'
    )
    to_date: Annotated[str, AfterValidator(check_month_day)] | None = Field(
        default=None, description='a month and a day in quotes, like "10-15"'
    )
    days: Annotated[tuple[str, ...], BeforeValidator(as_days)] | None = Field(
        default=None, description='a list of days in quotes, like ["sat", "sun"]'
    )

    @property
    def said_starts(self) -> str:
        """When it opens, in words: `every 3 hours`, `at 07:00, 10:00`."""
        if self.every_hours is not None:
            return "every hour" if self.every_hours == 1 else f"every {self.every_hours} hours"
        if self.at is not None:
            return f"at {', '.join(f'{each:%H:%M}' for each in self.at)}"
        return f"by cron {self.cron}" if self.cron is not None else "continuous"

    @property
    def said_name(self) -> str:
        """Its name, its preset's name, or when it opens."""
        return self.name or self.preset or self.said_starts


class TonePair(_Frozen):
    """A two-tone page that a plan names: the frequencies of the first and of the second tone."""

    name: ShortText
    first_hz: Real = Field(ge=250, le=3100, description="a number of hertz between 250 and 3100")
    second_hz: Real = Field(ge=250, le=3100, description="a number of hertz between 250 and 3100")


class WatchPlan(_Frozen):
    """A whole watch plan.

    Parameters
    ----------
    channels : tuple of Channel
        In the order of the file; names are unique.
    station, radios, windows, tone_pairs, alerts, keep, dwell, follow_up
        As in the file, or what stands for an absent table.
    listen : LiveAudio or None
        None where the plan asks for no live audio.
    power : PowerRules or None
        None where the plan does not say what the watch runs on.
    callers : CallerRules
        What the outlook supposes of those who call.
    review : ReviewRules
        Where the review page is served, and its password.
    warnings : tuple of str
        What is allowed and probably not meant, one sentence each.
    text : str
        The file as read, for the watch log, a password masked; empty for a plan made by hand.
    """

    channels: tuple[Channel, ...] = Field(min_length=1)
    station: Station = Station()
    radios: tuple[Radio, ...] = ()
    windows: tuple[Window, ...] = ()
    tone_pairs: tuple[TonePair, ...] = ()
    alerts: tuple[Alert, ...] = ()
    keep: KeepRules = KeepRules()
    listen: LiveAudio | None = None
    dwell: DwellRules = DwellRules()
    follow_up: FollowUpRules = FollowUpRules()
    power: PowerRules | None = None
    callers: CallerRules = CallerRules()
    review: ReviewRules = ReviewRules()
    warnings: tuple[str, ...] = ()
    text: str = ""

    @property
    def ppm(self) -> float:
        """How fast the reference of the first radio runs, ppm; 0 where the plan names no radio."""
        return self.radios[0].ppm if self.radios else 0.0

    @property
    def digest(self) -> str:
        """SHA-256 of the text, hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def channel(self, name: str) -> Channel:
        """The channel of that name.

        Raises
        ------
        KeyError
            No channel has it.
        """
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise KeyError(name)

    def channels_outside(self, centre_hz: int, half_span_hz: float) -> tuple[Channel, ...]:
        """The channels whose pass band is not wholly within `centre_hz` ± `half_span_hz`."""
        return channels_outside(self.channels, centre_hz, half_span_hz)


def channels_outside(channels: Iterable[Channel], centre_hz: int, half_span_hz: float) -> tuple[Channel, ...]:
    """The channels whose pass band is not wholly within `centre_hz` ± `half_span_hz`.

    Parameters
    ----------
    channels : iterable of Channel
    centre_hz : int
        Where the radio is tuned, Hz.
    half_span_hz : float
        Half of the radio's usable passband, Hz: less than half the sample rate.
    """
    return tuple(
        channel
        for channel in channels
        if channel.low_edge_hz < centre_hz - half_span_hz or channel.high_edge_hz > centre_hz + half_span_hz
    )
