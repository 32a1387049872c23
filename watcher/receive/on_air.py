"""One transmission while it is on the air: its clip grows, its measures gather, and it is drawn up."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import PurePosixPath
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples
from dsp.levelling import level_clip
from watcher.plan.model import Channel
from watcher.receive.clips import ClipStore
from watcher.receive.decoding import Decoding
from watcher.receive.findings import flags_of, kind_with_findings, merged
from watcher.receive.gathering import Gathering
from watcher.receive.kept_iq import IqKeeping
from watcher.receive.measuring import CarrierSpan, Place, measured, with_signalling
from watcher.receive.receive_rules import ReceiveRules, carries_expected
from watcher.receive.recent_audio import RecentAudio
from watcher.receive.records import (
    Clip,
    Condition,
    ConditionKind,
    EndedBy,
    Finding,
    Transmission,
)
from watcher.receive.stream_clock import StreamClock
from watcher.receive.voice_path import AUDIO_RATE_HZ, VoiceBatch, VoicePath

ALERT_MEMORY_S = 45.0  # three headers of the longest kind and the lead before them
WRITE_FRAMES = AUDIO_RATE_HZ // 2  # audio gathered before it is written: what a kill may cost of an open clip


Drawn = Clip | Transmission | Condition


class OnAir:
    """What is gathered between opening and closing. Sample counts are at the channel's own rate.

    Parameters
    ----------
    channel : Channel
    place : Place
    start : int
        The sample at which the carrier came up.
    clip_start : int
        The first sample that the clip shows, look-back included.
    on_at_start : bool
        The carrier was up when watching began.
    path : VoicePath
        Its demodulator; started for this row.
    clips : ClipStore or None
    clock : StreamClock
    piece : int
        1, or more where the longest clip split the transmission.
    first_frame : int, optional
        The audio frame with which the clip begins, where it follows on another piece.
    rules : ReceiveRules
    decoding : Decoding, optional
        Its audible decoders; None decodes nothing. The next piece of a split transmission gets the same ones.
    first_start : int, optional
        The sample at which the carrier of its first piece came up; `start` where this is the first.
    """

    def __init__(
        self,
        channel: Channel,
        place: Place,
        *,
        start: int,
        clip_start: int,
        on_at_start: bool,
        path: VoicePath,
        clips: ClipStore | None,
        clock: StreamClock,
        piece: int = 1,
        first_frame: int | None = None,
        rules: ReceiveRules = ReceiveRules(),  # noqa: B008 - frozen
        decoding: Decoding | None = None,
        first_start: int | None = None,
    ) -> None:
        self.channel = channel
        self.place = place
        self.start = start
        self.clip_start = clip_start
        self.piece = piece
        self.alert_since_s: float | None = None  # set where the clip is kept for an alert that began then
        self.is_idle = False  # set before finishing where nothing but a bare carrier was heard
        self._on_at_start = on_at_start
        self._path = path
        self._clips = clips
        self._waiting: list[NDArray[np.int16]] = []
        self._waiting_frames = 0
        if first_frame is None:  # the demodulator's first frames stand before the clip
            self._first_frame = path.frame_at(clip_start)
            self._skip = self._first_frame - path.frames_before(clip_start)
            low_band_from_s = path.low_band_delay_s
        else:
            self._first_frame, self._skip, low_band_from_s = first_frame, 0, 0.0
        self.gathering = Gathering(
            place.number,
            (start - clip_start) / place.rate_hz,
            place.rate_hz,
            path.low_band_rate_hz,
            low_band_from_s,
        )
        self._rules = rules
        self._decoding = decoding
        self._undecoded = max(0, path.frame_at(start) - self._first_frame) if piece == 1 else 0
        self._first_start = start if first_start is None else first_start
        self._taken = 0  # audio frames of this piece
        # Where only alerts make clips, the last audio is remembered: an alert is known after it has begun.
        self._recent: RecentAudio | None = None
        if channel.keep == "alerts" and clips is None:
            self._recent = RecentAudio(round(ALERT_MEMORY_S * AUDIO_RATE_HZ))
        self.findings: list[Finding] = []
        facts = self._known(clip_start + 1, clip_start + 1, EndedBy.STOPPED, clock)
        self._clip = clips.open_clip(facts) if clips is not None else None
        self._iq = None
        if clips is not None and self._clip is not None and rules.keep_iq != "none":
            self._iq = IqKeeping(
                clips.folder,
                clips.unfinished,
                self._clip.name,
                channel=channel,
                rate_hz=place.rate_hz,
                start_utc=facts.clip_start_utc,
            )

    @property
    def problems(self) -> list[str]:
        """Sentences for the user: which decoder failed."""
        return self.gathering.problems + (self._decoding.problems if self._decoding is not None else [])

    def take_samples(self, samples: ComplexSamples) -> None:
        """Take the next channel samples."""
        self.gathering.take_samples(samples)
        if self._iq is not None:
            self._iq.write(samples)

    def take_audio(self, audio: NDArray[np.int16]) -> None:
        """Append audio to the clip, and have it decoded from the carrier's rise on."""
        dropped = min(self._skip, len(audio))
        self._skip -= dropped
        if dropped == len(audio):
            return
        audio = audio[dropped:]
        self._taken += len(audio)
        if self._rules.hear is not None:
            self._rules.hear(self.channel, audio)
        if self._decoding is not None:
            passed = min(self._undecoded, len(audio))
            self._undecoded -= passed
            self.findings = merged(self.findings, self._decoding.push(audio[passed:]))
        if self._recent is not None:
            self._recent.append(self._first_frame + self._taken - len(audio), audio)
        if self._clip is None:
            return
        self._waiting.append(audio)
        self._waiting_frames += len(audio)
        if self._waiting_frames >= WRITE_FRAMES:
            self._write()

    def _write(self) -> None:
        if self._clip is not None and self._waiting:
            self._clip.write(np.concatenate(self._waiting))
        self._waiting, self._waiting_frames = [], 0

    def flagged(self, now: int, clock: StreamClock) -> Transmission | None:
        """What is known of it at channel sample `now` where a finding raised a flag already; else None.

        None too where a tone is required: whether it is there is known at the end.
        """
        flags = tuple(flags_of(self.findings))
        if not flags or self.channel.require_tone:
            return None
        so_far = self._known(now, now, EndedBy.STOPPED, clock)
        return replace(so_far, findings=tuple(self.findings), flags=flags)

    def up_since(self, start: int) -> None:
        """The carrier was up earlier than it was noticed; the clip begins where it does."""
        self.start = start
        self._on_at_start = start == 0

    def discard(self) -> None:
        """It was nobody's transmission."""
        if self._clip is not None:
            self._clip.discard()
        if self._iq is not None:
            self._iq.discard()

    def finish(
        self,
        stop: int,
        clip_stop: int,
        ended_by: EndedBy,
        clock: StreamClock,
        *,
        last_frame: int | None = None,
    ) -> Drawn:
        """Draw up the transmission whose carrier fell at `stop`, and its clip up to `clip_stop`.

        Where the sender said goodbye with a reverse burst or a turn-off code, the clip ends with the
        speech. What does not carry a tone that is required becomes a condition of the channel, and no clip is
        kept.
        """
        self._end_decoding(stop, ended_by)
        carrier = CarrierSpan(self.start, stop, self.clip_start)
        known = self._known(stop, clip_stop, ended_by, clock)
        facts = measured(known, self.gathering, self.channel, self.place, carrier, is_idle=self.is_idle)
        facts = with_signalling(facts, self.gathering, self.findings, carrier.down_s(self.place.rate_hz))
        if self._decoding is not None:
            kind = self._decoding.kind(facts.snr_db.value if facts.snr_db else None)
            facts = replace(facts, kind=kind and kind_with_findings(kind, facts.findings))
        if self.channel.require_tone and not carries_expected(self.channel, facts):
            self.discard()
            return _without_tone(self.channel, facts)
        speech_stop = stop
        if ended_by is EndedBy.CARRIER_DROP:
            goodbye_s = self.gathering.goodbye_s(
                stop_s := (stop - self.clip_start) / self.place.rate_hz, facts
            )
            if goodbye_s is not None and goodbye_s < stop_s:
                speech_stop = clip_stop = max(stop - round(goodbye_s * self.place.rate_hz), self.start + 1)
                facts = replace(facts, clip_end_utc=self._utc(clip_stop, clock))
        self._write()
        if self._clip is None:
            return facts
        if not self._clip.frames:  # cut off before the first audio came out
            self.discard()
            return facts
        frame_at = self._path.frame_at
        clip = self._clip.finish(
            facts,
            first_frame=0,
            last_frame=max(1, (last_frame or frame_at(clip_stop)) - self._first_frame),
            carrier_up_frame=max(0, frame_at(self.start) - self._first_frame),
            carrier_down_frame=max(1, frame_at(speech_stop) - self._first_frame),
            levelling=well_to_hear,
        )
        return self._with_iq(clip)

    def _end_decoding(self, stop: int, ended_by: EndedBy) -> None:
        if self._decoding is not None and ended_by is not EndedBy.SPLIT:
            behind = self._taken - (self._path.frame_at(stop) - self._first_frame)
            self.findings = merged(self.findings, self._decoding.finish(max(0, behind)))

    def _with_iq(self, clip: Clip) -> Clip:
        if self._iq is None:
            return clip
        if not self._rules.wants_iq(clip.transmission):
            self._iq.discard()
            return clip
        iq = self._iq.keep(PurePosixPath(clip.path.as_posix()), clip.transmission)
        return replace(clip, transmission=replace(clip.transmission, iq=iq))

    @property
    def keeps_clip(self) -> bool:
        """Whether its audio becomes a clip."""
        return self._clip is not None

    def seconds_up(self, sample: int) -> float:
        """How long after the first piece's carrier came up a channel sample stands: the clock of findings."""
        return (sample - self._first_start) / self.place.rate_hz

    def split(
        self, at: int, clock: StreamClock, *, clips: ClipStore | Literal["same"] | None = "same"
    ) -> tuple[Drawn, Self]:
        """Finish this piece at channel sample `at`, now, and go on with the next one.

        `clips` is where the next one's clip goes: the same place, another, or None for nowhere.
        """
        # What the filter still holds belongs to the next piece: its clip begins with the very next frame.
        seam = self._path.frames_before(at)
        boundary = max(self.start + 1, round(self._path.instant_of(seam)))
        following = self._following(boundary, seam, clock, self._clips if clips == "same" else clips)
        following.alert_since_s = self.alert_since_s if following.keeps_clip else None
        return self.finish(boundary, boundary, EndedBy.SPLIT, clock, last_frame=seam), following

    def split_for_alert(
        self, since_s: float, from_s: float, clock: StreamClock, clips: ClipStore | None
    ) -> tuple[Drawn, Self]:
        """Finish this piece at an instant of the past, and go on with one whose clip shows the alert.

        Parameters
        ----------
        since_s : float
            When the alert began, on the clock of findings.
        from_s : float
            Where the clip is wanted to begin; as far back as audio is remembered.
        """
        assert self._recent is not None, "only where alerts alone make clips"
        wanted = self._path.frame_at(self._first_start + round(from_s * self.place.rate_hz))
        seam = max(wanted, self._recent.first_frame, self._first_frame + 1)
        boundary = max(self.start + 1, round(self._path.instant_of(seam)))
        following = self._following(boundary, seam, clock, clips)
        following.alert_since_s = since_s
        following.gathering.follow(self.gathering)
        following._keep(self._recent.since(seam))
        boundary_s = self.seconds_up(boundary)
        following.findings = [each for each in self.findings if each.start_s >= boundary_s]
        self.findings = [each for each in self.findings if each.start_s < boundary_s]
        return self.finish(boundary, boundary, EndedBy.SPLIT, clock, last_frame=seam), following

    def _following(self, boundary: int, seam: int, clock: StreamClock, clips: ClipStore | None) -> Self:
        # The IQ of the past is gone: a piece that begins there keeps none.
        is_past = clips is not None and self._clips is None
        return type(self)(
            self.channel,
            self.place,
            start=boundary,
            clip_start=boundary,
            on_at_start=self._on_at_start,
            path=self._path,
            clips=clips,
            clock=clock,
            piece=self.piece + 1,
            first_frame=seam,
            rules=replace(self._rules, keep_iq="none") if is_past else self._rules,
            decoding=self._decoding,
            first_start=self._first_start,
        )

    def _keep(self, audio: NDArray[np.int16]) -> None:
        """Audio of the past, decoded already."""
        self._taken += len(audio)
        self._waiting, self._waiting_frames = [audio], len(audio)
        self._write()

    def _known(self, stop: int, clip_stop: int, ended_by: EndedBy, clock: StreamClock) -> Transmission:
        """Channel and times, no measures: what is known while it is on the air."""
        ratio = self.place.rate_ratio
        samples = [clock.input_sample(s, ratio) for s in (self.start, stop, self.clip_start, clip_stop)]
        start_utc, end_utc, clip_start_utc, clip_end_utc = map(clock.utc, samples)
        return Transmission(
            channel=self.channel.name,
            frequency_hz=self.channel.frequency_hz,
            mode=self.channel.mode,
            start_sample=samples[0],
            stop_sample=samples[1],
            start_utc=start_utc,
            end_utc=end_utc,
            clip_start_utc=clip_start_utc,
            clip_end_utc=clip_end_utc,
            ended_by=ended_by,
            on_at_start=self._on_at_start,
            piece=self.piece,
        )

    def _utc(self, sample: int, clock: StreamClock) -> datetime:
        return clock.utc(clock.input_sample(sample, self.place.rate_ratio))


def hand_out(chosen: list[OnAir], samples: ComplexSamples, batch: VoiceBatch) -> None:
    """Give each open transmission its row of a batch."""
    for row, on_air in enumerate(chosen):
        on_air.take_samples(samples[row])
        if batch.low_band is not None:
            on_air.gathering.take_low_band(batch.low_band[row])
        on_air.take_audio(batch.audio[row])


def _without_tone(channel: Channel, facts: Transmission) -> Condition:
    heard = "another code or none" if channel.expect_code is not None else "another tone or none"
    if facts.tone is not None and facts.tone.tone_hz is not None:
        heard = f"tone {facts.tone.tone_hz:.1f} Hz"
    elif facts.code is not None and facts.code.code is not None:
        heard = f"code {facts.code.code}"
    return Condition(
        channel=channel.name,
        kind=ConditionKind.WITHOUT_TONE,
        start_utc=facts.start_utc,
        stop_utc=facts.end_utc,
        offset_hz=facts.frequency_error_hz.value if facts.frequency_error_hz else None,
        snr_db=facts.snr_db.value if facts.snr_db else None,
        evidence=f"a carrier with {heard}, where {channel.expects} is required; no clip was kept",
    )


def well_to_hear(
    audio: NDArray[np.int16], carrier_up_frame: int, carrier_down_frame: int
) -> NDArray[np.int16]:
    """The clip's audio at one loudness, the open-squelch noise at either end turned down."""
    return level_clip(audio, AUDIO_RATE_HZ, carrier_up_frame, carrier_down_frame).samples
