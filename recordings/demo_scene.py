"""Who says what, when and where in the demo recording. Place, people and call signs are invented.

A radio dwells on three tunings in turn, at three in the morning in a valley that does not exist. Two
people on the local repeater speak about two missing walkers; the walkers call on the calling frequency,
weakly, while the repeater is busy. Then the weather, then a family with small radios.

The call sign begins with Q, which no administration is given (from memory: ITU Radio Regulations,
Appendix 42).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

SAMPLE_RATE_HZ = 160_000
SEED = 146_520

# Top of the hour, 03:00 on the wall clock of the plan's time zone in summer.
FIRST_START_UTC = datetime(2026, 9, 19, 9, 0, 0, tzinfo=UTC)

RETUNE_S = 0.04  # what the radio loses between two dwells

# An 8-bit converter: noise of 4 steps rms on each rail, so that rounding (1/12 of a step squared) adds
# 1/192 of its power.
NOISE_DBFS = -27.0
ZERO_SPIKE_DBFS = -33.0  # 5.6 dB over the noise of an 11 kHz channel (-27 - 10 log10(160 / 11) = -38.6)
IMBALANCE_DB = 0.3  # gain of one rail against the other,
IMBALANCE_DEGREES = 1.5  # and their angle: the image of a station lies 33 dB under it


@dataclass(frozen=True, slots=True)
class Voice:
    """One speaker of the synthesiser: its voice, speed in words a minute, and pitch from 0 to 99."""

    name: str
    words_per_minute: int
    pitch: int


LOOKOUT = Voice("en-us", 185, 45)
BASE = Voice("en-gb-scotland+f3", 180, 55)
WALKER = Voice("en-us+m3", 165, 60)
BULLETIN = Voice("en-gb-x-rp", 170, 35)
CHILD = Voice("en-us+f2", 180, 80)
FATHER = Voice("en-us+m7", 180, 40)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sending:
    """One key-down on one channel.

    `carrier_to_noise_db` is in the channel's pass band, `pass_band_hz`. Without words it is a bare carrier.
    It lasts as long as its words and the pauses around them; a `whole` one is up before the capture and
    after.
    """

    channel: str
    frequency_hz: int
    start_s: float
    carrier_to_noise_db: float
    pass_band_hz: int
    words: str = ""
    voice: Voice | None = None
    mode: Literal["nfm", "fm"] = "fm"
    deviation_limit_hz: float = 4000.0
    low_cut_hz: float | None = None
    tone_hz: float | None = None
    tone_deviation_hz: float = 500.0
    reverse_burst_s: float = 0.0
    frequency_error_hz: int = 0
    lead_s: float = 0.3  # from pressing the key to the first word
    tail_s: float = 0.2  # from the last word to letting go; a repeater holds its carrier longer
    whole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwell:
    """One capture: the radio on one tuning."""

    centre_hz: int
    seconds: float
    sendings: tuple[Sending, ...]


def _repeater(start_s: float, words: str, voice: Voice, carrier_to_noise_db: float) -> Sending:
    return Sending(
        channel="Hollin Hill repeater",
        frequency_hz=146_610_000,
        start_s=start_s,
        carrier_to_noise_db=carrier_to_noise_db,
        pass_band_hz=14_000,
        words=words,
        voice=voice,
        low_cut_hz=300.0,
        tone_hz=123.0,
        frequency_error_hz=-120,
        tail_s=0.6,
    )


def _family(start_s: float, words: str, voice: Voice, carrier_to_noise_db: float, error_hz: int) -> Sending:
    return Sending(
        channel="Family radio 3",
        frequency_hz=462_612_500,
        start_s=start_s,
        carrier_to_noise_db=carrier_to_noise_db,
        pass_band_hz=11_000,
        words=words,
        voice=voice,
        mode="nfm",
        deviation_limit_hz=2500.0,
        tone_hz=67.0,
        tone_deviation_hz=350.0,
        reverse_burst_s=0.16,
        frequency_error_hz=error_hz,
    )


DWELLS = (
    Dwell(
        # 146.560: neither channel lies on the spike or on the image of another.
        centre_hz=146_560_000,
        seconds=15.8,
        sendings=(
            Sending(  # a birdie: up before the watch, never modulated
                channel="Hikers",
                frequency_hz=146_580_000,
                start_s=0.0,
                carrier_to_noise_db=9.0,
                pass_band_hz=14_000,
                frequency_error_hz=410,
                whole=True,
            ),
            _repeater(0.9, "Hollin Hill base, Tamber one. The ford gate is closed.", LOOKOUT, 26.0),
            _repeater(5.8, "Tamber one, copied. Any sign of the two walkers?", BASE, 26.0),
            Sending(
                channel="2 m calling",
                frequency_hz=146_520_000,
                start_s=6.4,
                carrier_to_noise_db=6.0,
                pass_band_hz=14_000,
                words="Emergency, emergency. Any station, Quebec seven Delta. "
                "Two walkers below Corrin Pass, one broken leg, battery low.",
                voice=WALKER,
                frequency_error_hz=640,
                tail_s=0.3,
            ),
            _repeater(10.1, "Negative. We keep listening.", LOOKOUT, 26.0),
        ),
    ),
    Dwell(
        centre_hz=162_515_000,
        seconds=6.4,
        sendings=(
            Sending(
                channel="Weather 162.550",
                frequency_hz=162_550_000,
                start_s=0.0,
                carrier_to_noise_db=22.0,
                pass_band_hz=16_000,
                words="This is an exercise. Tamber Valley: frost in the hollows, north wind rising by noon.",
                voice=BULLETIN,
                deviation_limit_hz=4500.0,
                lead_s=0.2,
                whole=True,
            ),
        ),
    ),
    Dwell(
        centre_hz=462_650_000,
        seconds=8.5,
        sendings=(
            _family(0.7, "Are you still awake? The dog ran off to the lake again.", CHILD, 17.0, 780),
            _family(4.7, "Found him. He is wet. Coming back now.", FATHER, 12.0, -450),
        ),
    ),
)
