"""What was measured on one transmission, drawn up when it ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from dsp.blocks import ComplexSamples, RealSamples
from dsp.frame_estimates import carrier_to_noise_of_frames, frequency_error_of_frames
from dsp.measure import ChannelNoise, Reading, peak_deviation_hz, rms_deviation_hz
from watcher.plan.model import Channel
from watcher.receive.findings import flags_of
from watcher.receive.gathering import Gathering
from watcher.receive.records import UNMODULATED, Finding, Measured, ToneReading, Transmission

SPEECH_LEAN = 0.01  # of the rated deviation: mean swing of lopsided speech, found by simulation


@dataclass(frozen=True, slots=True)
class Place:
    """Where a channel stands in the receiver, and what its rate group is like."""

    number: int
    group: int
    row: int
    frame_samples: int
    rate_ratio: Fraction
    rate_hz: float
    noise_width_hz: float
    noise_lag_one: float
    floor_variance: float
    floor_is_apart: bool = True  # False where the stream is too narrow to see noise beside the channel


@dataclass(frozen=True, slots=True)
class CarrierSpan:
    """When the carrier came up and fell, and where the clip begins, channel samples."""

    start: int
    stop: int
    clip_start: int

    def down_s(self, rate_hz: float) -> float:
        """The fall, seconds after the clip's first sample."""
        return (self.stop - self.clip_start) / rate_hz


def measured(
    known: Transmission,
    gathering: Gathering,
    channel: Channel,
    place: Place,
    carrier: CarrierSpan,
    *,
    is_idle: bool,
) -> Transmission:
    """A transmission with what was measured on its carrier; `is_idle` where it was never modulated."""
    n = place.frame_samples
    first_frame = -(-carrier.start // n)
    run = gathering.frames(first_frame, max(carrier.stop // n, first_frame + 1))
    ratio_db = carrier_to_noise_of_frames(
        run.power,
        run.floor,
        channel.pass_band_hz * n / place.rate_hz,
        place.floor_variance,
        width_share=channel.pass_band_hz / place.noise_width_hz,
    )
    error_hz = frequency_error_of_frames(run.lag_one, run.floor, place.noise_lag_one, place.rate_hz)
    rms_hz = peak_hz = None
    if channel.mode != "am" and error_hz is not None and len(run.floor) and place.floor_is_apart:
        sample = gathering.sample(carrier.down_s(place.rate_hz))
        rms_hz, peak_hz = _deviations(sample, run.floor, place, error_hz.value)
    return replace(
        known,
        snr_db=_measured(ratio_db) if place.floor_is_apart else None,
        power_dbfs=float(10 * np.log10(run.power.mean())) if run.power.any() else None,
        frequency_error_hz=_with_lean(error_hz, 0 if is_idle else channel.rated_deviation_hz or 0),
        peak_deviation_hz=_measured(peak_hz),
        rms_deviation_hz=_measured(rms_hz),
        flags=(UNMODULATED,) if is_idle else (),
    )


def with_signalling(
    heard: Transmission, gathering: Gathering, findings: Sequence[Finding], down_s: float
) -> Transmission:
    """A transmission with its tone or code, and what the audible decoders found."""
    # The code first: its lines can look like a tone, and nobody sends both.
    code = gathering.code(down_s)
    has_code = code is not None and code.code is not None
    return replace(
        heard,
        tone=ToneReading(None, probability=code.probability) if has_code and code else gathering.tone(down_s),
        code=code,
        flags=(*flags_of(findings), *heard.flags),
        findings=tuple(sorted(findings, key=lambda finding: finding.start_s)),
    )


def _with_lean(error_hz: Reading | None, deviation_hz: float) -> Measured | None:
    """The frequency error with what lopsided speech may add: it swings further one way than the other."""
    if error_hz is None:
        return None
    return Measured(error_hz.value, float(np.hypot(error_hz.sigma, SPEECH_LEAN * deviation_hz)))


def _deviations(
    sample: ComplexSamples, floor: RealSamples, place: Place, carrier_hz: float
) -> tuple[Reading | None, Reading | None]:
    """Rms and peak deviation; None where there is too little to say."""
    noise = ChannelNoise(
        power=float(floor.mean()),
        width_hz=place.noise_width_hz,
        sigma_db=float(4.34 * np.sqrt(place.floor_variance / len(floor))),
    )
    return (
        rms_deviation_hz(sample, noise, sample_rate_hz=place.rate_hz),
        peak_deviation_hz(sample, noise, sample_rate_hz=place.rate_hz, carrier_hz=carrier_hz),
    )


def _measured(reading: Reading | None) -> Measured | None:
    return None if reading is None else Measured(reading.value, reading.sigma)
