"""From the samples of one tuning to transmissions with clips, gaps, conditions and watched spans.

The chain takes blocks in order and gives records. It never drops time silently: a break in the
samples ends what is on the air, empties every filter, and becomes a gap on each channel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from dsp.blocks import IqBlock, RealSamples
from dsp.channelizer import ChannelCut, Channelizer, Slice
from dsp.detector import Detection, Detector, ImageHeard, SteadyGone, SteadySpoke, TurnedSteady
from dsp.squelch import Closing, Opening
from watcher.errors import RadioError
from watcher.plan.model import Channel
from watcher.receive.clips import ClipStore
from watcher.receive.conditions import ConditionBook, bare_transmission
from watcher.receive.decoders import decoding_of
from watcher.receive.edges import fall_of, rise_of
from watcher.receive.gathering import FrameRun
from watcher.receive.measuring import Place
from watcher.receive.on_air import OnAir, hand_out
from watcher.receive.receive_group import ReceiveGroup
from watcher.receive.receive_rules import ReceiveRules
from watcher.receive.records import (
    Clip,
    Condition,
    EndedBy,
    Gap,
    GapCause,
    Transmission,
    Watched,
)
from watcher.receive.spectra import SpectrumPicture, SpectrumStore
from watcher.receive.splitting import split_for_alerts, split_long_clips
from watcher.receive.stream_clock import StreamClock

LOOK_BACK_S = 0.5  # of audio ahead of the carrier; at least 0.25 s is promised
TAIL_S = 0.1  # of audio kept after the carrier fell
HISTORY_S = 1.2  # of channel samples kept: look-back, the search for the edge, and a slice
NARROWEST_SPAN = 2.5  # pass bands: in a narrower stream there is no noise to see beside a station
AT_START_S = 0.025  # a carrier that came up this close to the run's start was up before it
WATCHED_EVERY_S = 10  # how often the time watched is told: what a kill leaves unaccounted
SHORT_LIVED_S = 20.0  # a carrier there at the start that drops this soon was a station's, not a birdie

Record = Clip | Transmission | Gap | Condition | Watched


class ReceiveChain:
    """Receive every listed channel of one tuning.

    Parameters
    ----------
    channels : sequence of Channel
        All inside the span.
    sample_rate_hz, centre_hz : int
    anchor_utc : datetime
        Instant of input sample 0.
    clips : ClipStore or None
        Where clips go; None keeps none.
    ppm : float
        Error of the radio's reference: positive when it runs fast, so that it tunes too high.
    longest_clip_s : float
        A transmission longer than this is split into several clips without losing a sample.
    rules : ReceiveRules
        What the plan says of keeping and naming.
    spectra : SpectrumStore or None
        Where small spectra of the whole span go; None keeps none.

    Raises
    ------
    RadioError
        A channel lies outside the span.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        sample_rate_hz: int,
        centre_hz: int,
        anchor_utc: datetime,
        clips: ClipStore | None,
        *,
        ppm: float = 0.0,
        longest_clip_s: float = 300.0,
        rules: ReceiveRules = ReceiveRules(),  # noqa: B008 - frozen
        spectra: SpectrumStore | None = None,
    ) -> None:
        self.channels = tuple(channels)
        self._rate_hz = sample_rate_hz
        self._anchor_utc = anchor_utc
        self._clips = clips
        self._longest_clip_s = longest_clip_s
        self._rules = rules
        true_centre_hz = centre_hz * (1 + ppm * 1e-6)
        cuts = [ChannelCut(c.frequency_hz - true_centre_hz, c.pass_band_hz) for c in channels]
        try:
            self._bank = Channelizer(sample_rate_hz, cuts)
        except ValueError as problem:
            raise RadioError(f"the channels cannot be cut out of this recording: {problem}") from problem
        self._detector = Detector(
            self._bank,
            is_am=[c.mode == "am" for c in channels],
            raise_db=[c.raise_threshold_db for c in channels],
        )
        self._picture = SpectrumPicture(spectra, self._bank.shape, centre_hz, true_centre_hz)
        self._book = ConditionBook([c.name for c in channels], [cut.offset_hz for cut in cuts])
        self._groups = [ReceiveGroup.build(group, HISTORY_S) for group in self._bank.groups]
        self._place = {
            int(channel): (number, row)
            for number, group in enumerate(self._groups)
            for row, channel in enumerate(group.members)
        }
        self._next_sample = self._watched_from = 0
        self.problems: list[str] = []  # sentences for the user: what could not be done
        self._floor: RealSamples | None = None  # of the last slice
        self._start_run(0)

    @property
    def frame_s(self) -> float:
        """Length of a frame of the filter bank."""
        return self._bank.shape.hop_seconds

    @property
    def on_air(self) -> list[str]:
        """Names of the channels with a transmission right now."""
        return [self.channels[n].name for n in sorted(self._open)]

    @property
    def flagged_on_air(self) -> list[Transmission]:
        """Transmissions that go on and in which something was found that raises a flag, as far as known."""
        on_air = self._open.values()
        found = (one.flagged(self._groups[one.place.group].history.stop, self._clock) for one in on_air)
        return [one for one in found if one is not None]

    @property
    def noise_floor_dbfs(self) -> float | None:
        """Median over the channels of the noise in them, last slice; None before there is one."""
        return None if self._floor is None else float(10 * np.log10(np.median(self._floor) + 1e-20))

    def push(self, block: IqBlock) -> list[Record]:
        """Take the next block; return what has become certain.

        Raises
        ------
        ValueError
            The block goes back in time or has another rate; the message carries the counts.
        """
        if block.sample_rate_hz != self._rate_hz:
            raise ValueError(f"sample_rate_hz is {block.sample_rate_hz}; this chain runs at {self._rate_hz}")
        records: list[Record] = []
        if block.first_sample != self._next_sample:
            if block.first_sample < self._next_sample:
                raise ValueError(f"first_sample is {block.first_sample}; {self._next_sample} comes next")
            records += self._end_run(EndedBy.GAP)
            records += self._gaps(self._next_sample, block.first_sample)
            self._start_run(block.first_sample)
        self._next_sample = block.stop_sample
        for piece in self._bank.push(block.samples):
            records += self._receive(piece)
        return records

    def finish(self, ended_by: EndedBy = EndedBy.END_OF_SAMPLES) -> list[Record]:
        """End what is on the air and account for the time; the chain must not be used again."""
        return self._end_run(ended_by)

    # ------------------------------------------------------------------ runs without a break

    def _start_run(self, first_sample: int) -> None:
        self._clock = StreamClock(self._anchor_utc, self._rate_hz, first_sample, self._bank.shape.hop_samples)
        self._next_sample = first_sample
        self._watched_from = first_sample
        self._open: dict[int, OnAir] = {}
        # Channel samples since which a carrier is up that was taken for a condition, and one that spoke.
        self._idle_since: dict[int, int] = {}
        self._up_since: dict[int, int] = {}
        self._last_stop = np.zeros(len(self.channels), dtype=np.int64)  # channel samples
        self._bank.reset()
        self._detector.reset()
        self._picture.begin(self._clock)
        self._frame = 0
        for group in self._groups:
            group.history.clear()

    def _end_run(self, ended_by: EndedBy) -> list[Record]:
        records: list[Record] = []
        for piece in self._bank.finish():
            records += self._receive(piece)
        self._clock = replace(self._clock, run_stop=self._next_sample)
        for number in sorted(self._open):
            on_air = self._open[number]
            group = self._groups[on_air.place.group]
            stop = group.history.stop
            if self._detector.is_idle_from_before(number):
                on_air.discard()
                first = on_air.start // group.frame_samples
                self._book.idle_carrier(
                    number, first, self._frame, self._detector.idle_offset_hz(number), None
                )
            else:
                on_air.is_idle = self._detector.is_idle(number)
                path = group.path_of(on_air.channel)
                on_air.take_audio(path.flush(on_air.place.row, stop))
                records.append(self._finished(on_air, stop, stop, ended_by))
        self._open = {}
        self._picture.end()
        records += self._book.finish(self._frame, self._clock)
        return records + self._watched_to(self._next_sample)

    def _watched_to(self, sample: int) -> list[Record]:
        """The time since the last such record, on every channel."""
        if sample <= self._watched_from:
            return []
        span = self._clock.utc(self._watched_from), self._clock.utc(sample)
        self._watched_from = sample
        return [Watched(channel.name, *span) for channel in self.channels]

    def _gaps(self, start: int, stop: int) -> list[Record]:
        span = self._clock.utc(start), self._clock.utc(stop)
        return [Gap(channel.name, *span, GapCause.LOST_SAMPLES) for channel in self.channels]

    # ------------------------------------------------------------------ one slice

    def _receive(self, piece: Slice) -> list[Record]:
        detection = self._detector.push(piece)
        self._floor = detection.floor
        self._picture.take(detection.cells)
        for group, block in zip(self._groups, piece.blocks, strict=True):
            group.history.append(block.samples)
        self._feed(piece)
        measures = detection.measures
        run = FrameRun(detection.first_frame, measures.power, detection.floor, measures.lag_one)
        for on_air in self._open.values():
            on_air.gathering.take_frames(run)
        records: list[Record] = []
        for event in detection.events:
            match event:
                case Opening():
                    self._open_channel(event, detection, run)
                case Closing():
                    records.append(self._close_channel(event, detection))
                case TurnedSteady():
                    records += self._turn_steady(event, detection)
                case SteadyGone():
                    records += self._steady_gone(event)
                case SteadySpoke():
                    self._steady_spoke(event)
                case ImageHeard():
                    self._book.image(event, len(piece.spectra))
        self._frame = detection.first_frame + len(piece.spectra)
        records += split_long_clips(self._open, self._groups, self._longest_clip_s, self._clock)
        records += split_for_alerts(self._open, self._groups, self._clips, self._clock)
        records += self._book.over(self._frame, self.frame_s, self._clock)
        judged = self._clock.run_first + self._frame * self._clock.hop_samples
        if judged - self._watched_from >= WATCHED_EVERY_S * self._rate_hz:
            records += self._watched_to(min(judged, self._next_sample))
        return records

    def _feed(self, piece: Slice) -> None:
        """Demodulate this slice for every open channel, side by side."""
        for number, (group, block) in enumerate(zip(self._groups, piece.blocks, strict=True)):
            for path, is_am in ((group.fm, False), (group.am, True)):
                chosen = [
                    on_air
                    for on_air in self._open.values()
                    if on_air.place.group == number and (on_air.channel.mode == "am") == is_am
                ]
                if chosen:
                    rows = np.array([on_air.place.row for on_air in chosen], dtype=np.intp)
                    whole = len(rows) == len(block.samples) and np.array_equal(rows, np.arange(len(rows)))
                    samples = block.samples if whole else block.samples[rows]
                    first = group.history.stop - samples.shape[1]
                    hand_out(chosen, samples, path.push(samples, rows, first))

    # ------------------------------------------------------------------ opening and closing

    def _open_channel(self, event: Opening, detection: Detection, run: FrameRun) -> None:
        number = event.channel
        index, row = self._place[number]
        group = self._groups[index]
        channel = self.channels[number]
        known = self._up_since.pop(number, None)
        earliest = int(self._last_stop[number])
        place = group, row
        start = rise_of(event, detection, self._detector, place, earliest) if known is None else known
        on_at_start = start < AT_START_S * group.rate_hz
        if on_at_start:
            start = 0
        clip_start = max(start - int(LOOK_BACK_S * group.rate_hz), earliest, group.history.first)
        path = group.path_of(channel)
        up = self._clock.input_sample(start, group.rate_ratio)
        samples = group.history.take(row, clip_start - 1, group.history.stop)
        before = np.complex64(0)
        if clip_start > group.history.first:
            before, samples = samples[0], samples[1:]
        path.start(row, before)
        on_air = OnAir(
            channel,
            Place(
                number,
                index,
                row,
                group.frame_samples,
                group.rate_ratio,
                group.rate_hz,
                float(self._bank.noise_bandwidth_hz[number]),
                float(self._detector.squelch.noise_lag_one[number]),
                self._detector.floor_variance,
                self._rate_hz >= NARROWEST_SPAN * channel.pass_band_hz,
            ),
            start=start,
            clip_start=clip_start,
            on_at_start=on_at_start,
            path=path,
            clips=self._clips if channel.keep == "all" else None,
            clock=self._clock,
            rules=self._rules,
            decoding=decoding_of(channel, self._rules, self._clock.utc(up)),
        )
        samples = np.ascontiguousarray(samples)[None]
        batch = path.push(samples, np.array([row], dtype=np.intp), clip_start)
        hand_out([on_air], samples, batch)
        on_air.gathering.take_frames(run)
        self._open[number] = on_air

    def _close_channel(self, event: Closing, detection: Detection) -> Record:
        on_air = self._open.pop(event.channel)
        group = self._groups[on_air.place.group]
        stop = fall_of(event, detection, self._detector, (group, on_air.place.row), on_air.start)
        self._last_stop[event.channel] = stop
        on_air.is_idle = event.channel in detection.closed_idle
        return self._finished(on_air, stop, stop + int(TAIL_S * group.rate_hz), EndedBy.CARRIER_DROP)

    def _finished(self, on_air: OnAir, stop: int, clip_stop: int, ended_by: EndedBy) -> Record:
        record = on_air.finish(stop, clip_stop, ended_by, self._clock)
        for problem in on_air.problems:
            if problem not in self.problems:
                self.problems.append(problem)
        return record

    def _turn_steady(self, event: TurnedSteady, detection: Detection) -> list[Record]:
        on_air = self._open.pop(event.channel)
        group = self._groups[on_air.place.group]
        stop = group.history.stop
        floor = float(detection.floor[event.channel].mean())
        self._book.carrier(event, on_air.start // group.frame_samples, floor)
        if event.was_there_before:
            on_air.discard()
            self._idle_since[event.channel] = on_air.start
            return []
        on_air.is_idle = not event.spoke
        if event.spoke:  # it talked over a carrier that stays: the talk ended when the carrier idled again
            stop = event.idle_since_frame * group.frame_samples
        self._last_stop[event.channel] = stop
        clip_stop = min(stop + int(TAIL_S * group.rate_hz), group.history.stop)
        return [self._finished(on_air, stop, clip_stop, EndedBy.TURNED_STEADY)]

    def _steady_spoke(self, event: SteadySpoke) -> None:
        """What looked like the channel's condition is a station that kept silent until now."""
        self._book.forget_carrier(event.channel)
        since = self._idle_since.pop(event.channel, None)
        if since is None:  # its bare carrier has been logged already
            return
        start = max(since, int(self._last_stop[event.channel]))
        if event.channel in self._open:
            self._open[event.channel].up_since(start)
        else:
            self._up_since[event.channel] = start

    def _steady_gone(self, event: SteadyGone) -> list[Record]:
        """A carrier that was up at the start and soon dropped was a station's, with nothing to hear."""
        self._idle_since.pop(event.channel, None)
        since = self._book.carrier_since(event.channel)
        condition = self._book.carrier_gone(event.channel, event.frame, self._clock)
        if since is None or condition is None:
            return []
        if since > 0 or event.frame * self.frame_s > SHORT_LIVED_S:
            return [condition]
        first, stop = self._clock.run_first, self._clock.run_first + event.frame * self._clock.hop_samples
        return [bare_transmission(self.channels[event.channel], condition, first, stop)]
