"""One transmission while it is on the air: its clip grows, its measures gather, and it is drawn up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Self

import numpy as np
from numpy.typing import NDArray

from dsp.frame_estimates import carrier_to_noise_of_frames, frequency_error_of_frames
from dsp.levelling import level_clip
from dsp.measure import ChannelNoise, Reading, peak_deviation_hz, rms_deviation_hz
from watcher.plan.model import Channel
from watcher.receive.clips import ClipStore
from watcher.receive.gathering import FrameRun, Gathering
from watcher.receive.records import UNMODULATED, Clip, EndedBy, Measured, Transmission
from watcher.receive.stream_clock import StreamClock
from watcher.receive.voice_path import AUDIO_RATE_HZ, VoicePath

SPEECH_LEAN = 0.01  # of the rated deviation: mean swing of lopsided speech, found by simulation
WRITE_FRAMES = AUDIO_RATE_HZ // 2  # audio gathered before it is written: what a kill may cost of an open clip


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
    ) -> None:
        self.channel = channel
        self.place = place
        self.start = start
        self.clip_start = clip_start
        self.piece = piece
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
        facts = self._known(clip_start + 1, clip_start + 1, EndedBy.STOPPED, clock)
        self._clip = clips.open_clip(facts) if clips is not None else None

    def take_audio(self, audio: NDArray[np.int16]) -> None:
        """Append audio to the clip."""
        dropped = min(self._skip, len(audio))
        self._skip -= dropped
        if self._clip is None or dropped == len(audio):
            return
        self._waiting.append(audio[dropped:])
        self._waiting_frames += len(audio) - dropped
        if self._waiting_frames >= WRITE_FRAMES:
            self._write()

    def _write(self) -> None:
        if self._clip is not None and self._waiting:
            self._clip.write(np.concatenate(self._waiting))
        self._waiting, self._waiting_frames = [], 0

    def up_since(self, start: int) -> None:
        """The carrier was up earlier than it was noticed; the clip begins where it does."""
        self.start = start
        self._on_at_start = start == 0

    def discard(self) -> None:
        """It was nobody's transmission."""
        if self._clip is not None:
            self._clip.discard()

    def finish(
        self,
        stop: int,
        clip_stop: int,
        ended_by: EndedBy,
        clock: StreamClock,
        *,
        last_frame: int | None = None,
    ) -> Clip | Transmission:
        """Draw up the transmission whose carrier fell at `stop`, and its clip up to `clip_stop`."""
        facts = self._measured(stop, self._known(stop, clip_stop, ended_by, clock))
        self._write()
        if self._clip is None:
            return facts
        if not self._clip.frames:  # cut off before the first audio came out
            self._clip.discard()
            return facts
        frame_at = self._path.frame_at
        return self._clip.finish(
            facts,
            first_frame=0,
            last_frame=max(1, (last_frame or frame_at(clip_stop)) - self._first_frame),
            carrier_up_frame=max(0, frame_at(self.start) - self._first_frame),
            carrier_down_frame=max(1, frame_at(stop) - self._first_frame),
            levelling=well_to_hear,
        )

    def split(self, at: int, clock: StreamClock) -> tuple[Clip | Transmission, Self]:
        """Finish this piece at channel sample `at` and go on with the next one."""
        # What the filter still holds belongs to the next piece: its clip begins with the very next frame.
        seam = self._path.frames_before(at)
        boundary = max(self.start + 1, round(self._path.instant_of(seam)))
        following = type(self)(
            self.channel,
            self.place,
            start=boundary,
            clip_start=boundary,
            on_at_start=self._on_at_start,
            path=self._path,
            clips=self._clips,
            clock=clock,
            piece=self.piece + 1,
            first_frame=seam,
        )
        return self.finish(boundary, boundary, EndedBy.SPLIT, clock, last_frame=seam), following

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

    def _measured(self, stop: int, known: Transmission) -> Transmission:
        """The same with everything that was measured on it."""
        place = self.place
        n = place.frame_samples
        run = self.gathering.frames(-(-self.start // n), max(stop // n, -(-self.start // n) + 1))
        pass_band_hz = self.channel.pass_band_hz
        ratio_db = carrier_to_noise_of_frames(
            run.power,
            run.floor,
            pass_band_hz * n / place.rate_hz,
            place.floor_variance,
            width_share=pass_band_hz / place.noise_width_hz,
        )
        error_hz = frequency_error_of_frames(run.lag_one, run.floor, place.noise_lag_one, place.rate_hz)
        rms_hz, peak_hz = self._deviations(run, stop, error_hz)
        return replace(
            known,
            snr_db=_measured(ratio_db),
            power_dbfs=float(10 * np.log10(run.power.mean())) if run.power.any() else None,
            frequency_error_hz=self._with_lean(error_hz),
            peak_deviation_hz=_measured(peak_hz),
            rms_deviation_hz=_measured(rms_hz),
            tone=self.gathering.tone((stop - self.clip_start) / place.rate_hz),
            flags=(UNMODULATED,) if self.is_idle else (),
        )

    def _with_lean(self, error_hz: Reading | None) -> Measured | None:
        """The frequency error with what lopsided speech may add: it swings further one way than the other."""
        if error_hz is None:
            return None
        lean_hz = 0.0 if self.is_idle else SPEECH_LEAN * (self.channel.rated_deviation_hz or 0)
        return Measured(error_hz.value, float(np.hypot(error_hz.sigma, lean_hz)))

    def _deviations(
        self, run: FrameRun, stop: int, error_hz: Reading | None
    ) -> tuple[Reading | None, Reading | None]:
        """Rms and peak deviation; None in AM, and where there is too little to say."""
        if self.channel.mode == "am" or error_hz is None or not len(run.floor):
            return None, None
        rate_hz = self.place.rate_hz
        sample = self.gathering.sample((stop - self.clip_start) / rate_hz)
        noise = ChannelNoise(
            power=float(run.floor.mean()),
            width_hz=self.place.noise_width_hz,
            sigma_db=float(4.34 * np.sqrt(self.place.floor_variance / len(run.floor))),
        )
        return (
            rms_deviation_hz(sample, noise, sample_rate_hz=rate_hz),
            peak_deviation_hz(sample, noise, sample_rate_hz=rate_hz, carrier_hz=error_hz.value),
        )


def well_to_hear(
    audio: NDArray[np.int16], carrier_up_frame: int, carrier_down_frame: int
) -> NDArray[np.int16]:
    """The clip's audio at one loudness, the open-squelch noise at either end turned down."""
    return level_clip(audio, AUDIO_RATE_HZ, carrier_up_frame, carrier_down_frame).samples


def _measured(reading: Reading | None) -> Measured | None:
    return None if reading is None else Measured(reading.value, reading.sigma)
