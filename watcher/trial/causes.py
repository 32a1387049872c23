"""Why a true transmission was missed, in words: by the log, the schedule, and the squelch's own law."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from dsp.channelizer import ChannelCut, Channelizer
from dsp.detector import Detector
from dsp.squelch import LONG_ENVELOPE, LONG_FRAMES, SHORT_ENVELOPE, SHORT_FRAMES
from watcher.log.spans import Span, Spans
from watcher.plan.model import Channel
from watcher.radio.source import Stretch
from watcher.receive.records import Condition, ConditionKind, Gap, GapCause
from watcher.receive.span import is_inside
from watcher.trial.truth import Sent

MOST_SHARE = 0.5  # what is left of a transmission after a gap took so much of it is not enough to judge by


class Why(StrEnum):
    """The kinds of cause, as they stand in JSON."""

    NOT_LISTED = "not listed in the plan"
    OUTSIDE_WINDOWS = "outside the windows"
    OTHER_TUNING = "another tuning was on the air"
    OUTSIDE_SPAN = "outside the radio's span"
    LOST_SAMPLES = "lost samples"
    NOT_WATCHED = "not watched"
    TONE_ABSENT = "required tone absent"
    TAKEN_FOR_CONDITION = "taken for a condition of the channel"
    TOO_SHORT = "too short for the squelch"
    UNDER_THRESHOLD = "under the threshold"
    FADED = "faded"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Cause:
    """Why one was missed; `under_db` is how far under the threshold it was (negative: over it)."""

    why: Why
    words: str
    under_db: float | None = None


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What opens one channel: carrier to noise in its pass band, and for how long it must last.

    The squelch asks two things of a weak carrier, energy and a steady envelope; the harder one is told.
    """

    short_db: float
    short_s: float
    long_db: float
    long_s: float

    def for_seconds(self, seconds: float) -> float | None:
        """The least that opens for a transmission of this length, dB; None where it is too short for any."""
        if seconds < self.short_s:
            return None
        if seconds < self.long_s:
            return self.short_db
        return min(self.short_db, self.long_db)


def thresholds_of(
    channels: Sequence[Channel], stretches: Iterable[Stretch], ppm: float
) -> dict[str, Thresholds]:
    """The squelch's thresholds of every channel that a stretch shows, by name.

    From the squelch itself: a ratio r of power over floor is a carrier of r - 1 over the noise.
    """
    found: dict[str, Thresholds] = {}
    for stretch in stretches:
        inside = [
            each
            for each in channels
            if each.name not in found and is_inside(each, stretch.sample_rate_hz, stretch.centre_hz, ppm)
        ]
        if not inside:
            continue
        true_centre_hz = stretch.centre_hz * (1 + ppm * 1e-6)
        bank = Channelizer(
            stretch.sample_rate_hz,
            [ChannelCut(each.frequency_hz - true_centre_hz, each.pass_band_hz) for each in inside],
        )
        squelch = Detector(bank, raise_db=[each.raise_threshold_db for each in inside]).squelch
        frame_s = bank.shape.hop_seconds
        for number, each in enumerate(inside):
            found[each.name] = Thresholds(
                max(_over_noise_db(squelch.short_ratio[number]), steady_enough_db(0)),
                SHORT_FRAMES * frame_s,
                max(_over_noise_db(squelch.long_ratio[number]), steady_enough_db(1)),
                LONG_FRAMES * frame_s,
            )
    return found


def _over_noise_db(ratio: float | np.floating) -> float:
    return float(10 * np.log10(ratio - 1))


def steady_enough_db(way: int) -> float:
    """The carrier to noise ratio at which a steady carrier in noise has an envelope that opens, dB.

    `way` is 0 for the quick way to open (50 ms) and 1 for the slow one (200 ms).

    E|x|^4 / (E|x|²)² is 2 for noise and 2 - (c / (1 + c))² with a carrier c times as strong as the noise
    (moments of Rice's distribution).
    """
    share = math.sqrt(2 - (SHORT_ENVELOPE, LONG_ENVELOPE)[way])
    return 10 * math.log10(share / (1 - share))


def cnr_in_pass_band_db(sent: Sent, channel: Channel) -> float | None:
    """The truth's carrier over the noise in the channel's own pass band; None where it does not say."""
    if sent.cnr_db is None:
        return None
    width_hz = sent.noise_width_hz or channel.pass_band_hz
    return sent.cnr_db + 10 * math.log10(width_hz / channel.pass_band_hz)


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known of one channel beside what was heard on it.

    Parameters
    ----------
    watched : Spans
    gaps : tuple of Gap
    conditions : tuple of Condition
    open_time : Spans or None
        When the plan's windows were open; None where windows were not kept.
    thresholds : Thresholds or None
        None where no recording shows the channel.
    """

    watched: Spans = Spans()  # noqa: RUF009 - frozen
    gaps: tuple[Gap, ...] = ()
    conditions: tuple[Condition, ...] = ()
    open_time: Spans | None = None
    thresholds: Thresholds | None = None


_OF_GAP: Mapping[GapCause, Why] = {
    GapCause.LOST_SAMPLES: Why.LOST_SAMPLES,
    GapCause.OUTSIDE_SPAN: Why.OUTSIDE_SPAN,
    GapCause.NO_RADIO_HEARS_IT: Why.OUTSIDE_SPAN,
    GapCause.OTHER_TUNING: Why.OTHER_TUNING,
    GapCause.TUNING: Why.OTHER_TUNING,
}


def cause_of(sent: Sent, channel: Channel | None, here: Circumstances, measured_db: float | None) -> Cause:
    """Why a transmission was not heard.

    Parameters
    ----------
    sent : Sent
    channel : Channel or None
        None where the plan lists none for it.
    here : Circumstances
    measured_db : float or None
        Carrier over noise in the pass band as measured on the recording, for a truth that tells none.
    """
    if channel is None:
        return Cause(Why.NOT_LISTED, Why.NOT_LISTED)
    span = Spans([Span(sent.start_utc, sent.stop_utc)])
    seconds = span.seconds
    left = here.watched & span
    if left.seconds <= MOST_SHARE * seconds:
        return _not_watched(span, seconds, here)
    for condition in here.conditions:
        if condition.start_utc < sent.stop_utc and condition.stop_utc > sent.start_utc:
            if condition.kind is ConditionKind.WITHOUT_TONE:
                wanted = channel.expects or "the tone it wants"
                return Cause(
                    Why.TONE_ABSENT, f"required tone absent: the channel wants {wanted}; {condition.evidence}"
                )
            return Cause(Why.TAKEN_FOR_CONDITION, f"taken for a {condition.kind}: {condition.evidence}")
    return _of_strength(sent, channel, here, left.seconds, measured_db)


def _not_watched(span: Spans, seconds: float, here: Circumstances) -> Cause:
    if here.open_time is not None and (here.open_time & span).seconds <= MOST_SHARE * seconds:
        return Cause(Why.OUTSIDE_WINDOWS, Why.OUTSIDE_WINDOWS)
    lengths: dict[GapCause, float] = {}
    for gap in here.gaps:
        shared = (Spans([Span(gap.start_utc, gap.stop_utc)]) & span).seconds
        if shared > 0:
            lengths[gap.cause] = lengths.get(gap.cause, 0.0) + shared
    if not lengths:
        return Cause(Why.NOT_WATCHED, "not watched: no recording holds this time")
    longest = max(lengths, key=lambda each: lengths[each])
    why = _OF_GAP.get(longest, Why.NOT_WATCHED)
    words = str(why) if why is not Why.NOT_WATCHED else f"not watched: {longest}"
    return Cause(why, f"{words} for {lengths[longest]:.1f} s of its {seconds:.1f} s")


def _of_strength(
    sent: Sent, channel: Channel, here: Circumstances, seconds: float, measured_db: float | None
) -> Cause:
    told_db = cnr_in_pass_band_db(sent, channel)
    cnr_db = measured_db if told_db is None else told_db
    source = "measured on the recording" if told_db is None else "by the truth"
    limits = here.thresholds
    if limits is not None and (needed_db := limits.for_seconds(seconds)) is None:
        return Cause(
            Why.TOO_SHORT,
            f"too short: {seconds * 1000:.0f} ms, the squelch needs {limits.short_s * 1000:.0f}",
        )
    if limits is None or cnr_db is None or needed_db is None:
        return Cause(Why.UNKNOWN, "unknown: the truth does not say how strong it was")
    under_db = needed_db - cnr_db
    if under_db > 0:
        return Cause(
            Why.UNDER_THRESHOLD,
            f"under the threshold by {under_db:.1f} dB ({cnr_db:.1f} dB {source}, {needed_db:.1f} needed)",
            under_db,
        )
    over = f"{-under_db:.1f} dB over the threshold ({cnr_db:.1f} dB {source})"
    if sent.fades:
        return Cause(Why.FADED, f"faded: {over} in the mean, its path fades", under_db)
    return Cause(Why.UNKNOWN, f"unknown: {over} and not heard all the same", under_db)
