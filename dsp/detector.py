"""From slices of the filter bank to edges: floor, squelch, steady carriers and images together.

Everything here counts frames of the filter bank; the caller turns frames into samples and refines the
edges on the samples themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.channelizer import Channelizer, Slice, cell_powers
from dsp.filter_bank_design import CELL_BINS, noise_lag_one
from dsp.frame_measures import FrameMeasures, measure_frames
from dsp.image import WORST_IMAGE_POWER_RATIO, ImageGains
from dsp.impulse_mask import ImpulseMask
from dsp.noise_floor import NoiseFloor
from dsp.squelch import MOST_SEARCHED, Closing, Opening, Squelch, State
from dsp.steady_carrier import beside_skirt, has_skirt, split_carrier
from dsp.steady_watch import LOOK_FRAMES, Fate, IdleLook, SteadyWatch

AT_START_S = 0.3  # a channel that opens this early was busy when watching began
STEADY_AFTER_S = 3.0  # a carrier that was there before, idle this long, is the channel's condition
LOOKS_AGAIN = 1  # channels that have spoken over a carrier are looked at in turn, so many a slice
STEADY_AGAIN_S = 10.0  # so is one over which somebody spoke, idle this long afterwards
STEADY_AT_LAST_S = 60.0  # so is one that came up while watching, idle this long
AT_ZERO_HZ = 50.0  # a line this close to the radio's own centre is its spike, and flickers
SAME_LINE_HZ = 60.0  # a line that returns this close to where one went, at its power, is that one
IMAGE_LOOK_RATIO = 1.2  # energy over the floor that is worth asking whether it is an image


@dataclass(frozen=True, slots=True)
class TurnedSteady:
    """An open channel holds an idle carrier that is nobody's transmission; the squelch is closed.

    From now on the carrier is taken out before the channel is judged.
    """

    channel: int
    frame: int
    frequency_hz: float  # from the channel's centre
    carrier_power: float
    was_there_before: bool  # and never spoke: it is nobody's transmission
    spoke: bool = False  # somebody talked on the channel meanwhile, until `idle_since_frame`
    idle_since_frame: int = 0


@dataclass(frozen=True, slots=True)
class SteadyGone:
    """The steady carrier of a channel has gone; `frame` is the first without it."""

    channel: int
    frame: int


@dataclass(frozen=True, slots=True)
class SteadySpoke:
    """The steady carrier of a channel was a station's all along: it has begun to modulate."""

    channel: int
    frame: int


@dataclass(frozen=True, slots=True)
class ImageHeard:
    """The channel holds the mirrored copy of a strong signal, `rejection_db` under it."""

    channel: int
    frame: int
    rejection_db: float


DetectorEvent = Opening | Closing | TurnedSteady | SteadyGone | SteadySpoke | ImageHeard


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What one slice showed.

    Parameters
    ----------
    events : list
        In order of frame.
    closed_idle : frozenset of int
        Channels that closed in this slice without ever having shown modulation.
    measures : FrameMeasures
        Of each channel, steady carriers and images taken out.
    floor : ndarray of float32, shape (channels, frames)
        The noise expected there, learned corrections included.
    cells : ndarray of float32, shape (frames, cells)
        The coarse spectrum, lowest frequency first.
    """

    first_frame: int
    events: list[DetectorEvent]
    closed_idle: frozenset[int]
    measures: FrameMeasures
    floor: NDArray[np.float32]
    cells: NDArray[np.float32]


class Detector:
    """Judge every slice of one filter bank.

    Parameters
    ----------
    bank : Channelizer
    is_am : sequence of bool, optional
        Which channels carry AM; all FM if absent.
    raise_db : sequence of float, optional
        Thresholds raised by the plan, dB, one per channel.
    false_per_hour : float
        See :class:`dsp.squelch.Squelch`.
    """

    def __init__(
        self,
        bank: Channelizer,
        *,
        is_am: Sequence[bool] | None = None,
        raise_db: Sequence[float] | None = None,
        false_per_hour: float = 0.001,
    ) -> None:
        self._bank = bank
        shape = bank.shape
        channels = len(bank.cuts)
        pass_band_hz = np.array([cut.pass_band_hz for cut in bank.cuts], dtype=np.float64)
        rate_hz = np.empty(channels)
        for group in bank.groups:
            rate_hz[group.members] = float(group.rate_hz)
        self._rate_hz = rate_hz
        lags = {
            key: noise_lag_one(shape, *key)
            for key in {(float(p), float(r)) for p, r in zip(pass_band_hz, rate_hz, strict=True)}
        }
        self._floor = NoiseFloor(shape, bank.cuts, bank.noise_bandwidth_hz)
        self.impulses = ImpulseMask(shape, bank.cuts)
        self._place = {  # rate group and row of each channel
            int(channel): (number, row)
            for number, group in enumerate(bank.groups)
            for row, channel in enumerate(group.members)
        }
        self.squelch = Squelch(
            pass_band_hz * shape.hop_seconds,
            rate_hz,
            pass_band_hz,
            np.array([lags[float(p), float(r)] for p, r in zip(pass_band_hz, rate_hz, strict=True)]),
            frame_s=shape.hop_seconds,
            floor_variance=self._floor.relative_variance,
            false_per_hour=false_per_hour,
            raise_db=None if raise_db is None else np.array(raise_db, dtype=np.float64),
        )
        self._half_bins = (pass_band_hz / 2 / shape.bin_hz).astype(int)
        self._centre_bins = np.array([round(cut.offset_hz / shape.bin_hz) for cut in bank.cuts], dtype=int)
        cells = shape.fft_length // CELL_BINS
        edges = np.stack([-self._centre_bins - self._half_bins, -self._centre_bins + self._half_bins], axis=1)
        self._mirror_cells = np.clip(edges // CELL_BINS + cells // 2 + [0, 1], 0, cells)
        self._looks: dict[int, IdleLook] = {}
        silent = np.zeros(channels, dtype=bool) if is_am is None else np.array(is_am, dtype=bool)
        self._steady = SteadyWatch(shape.hop_seconds, silent)
        self._images = ImageGains()
        self._doubted: dict[int, int] = {}  # frame up to which a channel's image was guessed
        self._gone: dict[int, tuple[float, float]] = {}  # frequency and power of carriers that went

    @property
    def floor_variance(self) -> float:
        """Relative variance of one frame's floor estimate."""
        return self._floor.relative_variance

    def push(self, piece: Slice) -> Detection:
        """Judge the frames of one slice."""
        cells = cell_powers(piece.spectra)
        floor = self._floor.push(cells)
        if self._floor.moved is not None:
            self.squelch.floor_moved(self._floor.moved)
        if self.impulses.push(piece, self._floor.typical_cells):
            self.impulses.floor_between(floor, self._floor.typical())
        measures, events = self._measure(piece, floor)
        measures = self._without_images(piece, cells, measures, floor, events)
        floor = floor[:, : measures.power.shape[1]]
        idle: set[int] = set()
        edges = [self._searched_widely(edge) for edge in self.squelch.push(measures, floor)]
        known = (floor * self.squelch.quiet_ratio[:, None]).astype(np.float32)
        for edge in edges:
            if isinstance(edge, Opening):
                early = edge.frame * self._bank.shape.hop_seconds < AT_START_S
                self._looks[edge.channel] = IdleLook(edge.frame, early or not edge.abrupt)
            elif (look := self._looks.pop(edge.channel, None)) is not None and not look.spoke:
                idle.add(edge.channel)
        events += edges
        events += self._look_for_modulation(piece, known)
        events.sort(key=lambda event: event.frame)
        return Detection(piece.first_frame, events, frozenset(idle), measures, known, cells)

    def reset(self) -> None:
        """Forget everything: a new run of samples begins at frame 0."""
        self._floor.reset()
        self.impulses.reset()
        self.squelch.reset()
        self._looks.clear()
        self._steady.reset()
        self._images.reset()
        self._doubted.clear()
        self._gone.clear()

    def is_idle(self, channel: int) -> bool:
        """Has the open channel shown nothing but an idle carrier so far?"""
        look = self._looks.get(channel)
        return look is not None and not look.spoke

    def is_idle_from_before(self, channel: int) -> bool:
        """Has it shown nothing but an idle carrier that was there before the watch?"""
        look = self._looks.get(channel)
        return look is not None and look.was_there_before and not look.spoke

    def idle_offset_hz(self, channel: int) -> float:
        """Frequency of an undecided channel's idle carrier, from the channel's centre."""
        look = self._looks.get(channel)
        return look.frequency_hz if look is not None else 0.0

    def holds_more_than_noise(self, channel: int) -> bool:
        """Is a steady carrier or an image known, or suspected, on the channel?"""
        return channel in self._steady or channel in self._images or channel in self._doubted

    def without_carrier(
        self, channel: int, samples: NDArray[np.complex64], frame_samples: int
    ) -> NDArray[np.complex64]:
        """Samples of one channel without its steady carrier, if it holds one; whole frames only."""
        if channel not in self._steady:
            return samples
        whole = len(samples) // frame_samples
        frames = samples[: whole * frame_samples].reshape(whole, frame_samples)
        rate_hz = float(self._rate_hz[channel])
        return self._steady.without(channel, frames, rate_hz, with_skirt=False).rest.reshape(-1)

    def _skirt_band_hz(self, channel: int, line_hz: float) -> float:
        """The channel's noise bandwidth where a line is the radio's own at 0 Hz, around which it flickers."""
        at_zero = abs(self._bank.cuts[channel].offset_hz + line_hz) < AT_ZERO_HZ
        return float(self._bank.noise_bandwidth_hz[channel]) if at_zero else 0.0

    def _frames_of(self, piece: Slice, channel: int) -> tuple[NDArray[np.complex64], float]:
        """The whole frames of one channel, shape (frames, n), and its rate."""
        number, row = self._place[channel]
        group, samples = self._bank.groups[number], piece.blocks[number].samples[row]
        whole = len(samples) // group.frame_samples
        frames = samples[: whole * group.frame_samples].reshape(whole, group.frame_samples)
        return frames, float(group.rate_hz)

    def _measure(self, piece: Slice, floor: NDArray[np.float32]) -> tuple[FrameMeasures, list[DetectorEvent]]:
        channels, frames = floor.shape
        # A last frame shorter than half is left out: it says too little.
        group = self._bank.groups[0]
        got = piece.blocks[0].samples.shape[1]
        frames = min(frames, -(-got // group.frame_samples))
        if frames and got < (frames - 0.5) * group.frame_samples:
            frames -= 1
        power = np.empty((channels, frames), dtype=np.float32)
        envelope = np.empty((channels, frames), dtype=np.float32)
        lag_one = np.empty((channels, frames), dtype=np.complex64)
        for group, block in zip(self._bank.groups, piece.blocks, strict=True):
            clear = self.impulses.clear(group.frame_samples)
            measured = measure_frames(block.samples, group.frame_samples, clear)
            power[group.members] = measured.power[:, :frames]
            envelope[group.members] = measured.envelope[:, :frames]
            lag_one[group.members] = measured.lag_one[:, :frames]
        clear = self.impulses.clear(group.frame_samples, slice(0, frames))
        share = None if clear is None else clear.mean(axis=1, dtype=np.float32)
        measures = FrameMeasures(power, envelope, lag_one, share)
        return measures, self._without_steady(piece, measures, floor)

    def _without_steady(
        self, piece: Slice, measures: FrameMeasures, floor: NDArray[np.float32]
    ) -> list[DetectorEvent]:
        """Measure channels that hold a steady carrier without it; notice when it goes or speaks."""
        events: list[DetectorEvent] = []
        for channel in self._steady.channels():
            rows, rate_hz = self._frames_of(piece, channel)
            count = min(len(rows), measures.power.shape[1])
            if not count:
                continue
            clear = self.impulses.clear(rows.shape[1], slice(0, count))
            parts = self._steady.without(channel, rows[:count], rate_hz, clear)
            noise = floor[channel, :count] * self.squelch.quiet_ratio[channel]
            is_quiet = bool(self.squelch.state[channel] == State.CLOSED)
            known = self._steady.line(channel)
            fate, index = self._steady.judge(channel, parts, noise, is_quiet)
            if fate is Fate.SPOKE:  # its carrier belongs to the signal from now on
                events.append(SteadySpoke(channel, piece.first_frame))
                continue
            if fate is Fate.GONE:
                self._gone[channel] = known
                events.append(SteadyGone(channel, max(piece.first_frame + index, 0)))
            rest = measure_frames(parts.rest.reshape(1, -1), rows.shape[1], clear)
            measures.power[channel, :count] = rest.power[0]
            measures.envelope[channel, :count] = rest.envelope[0]
            measures.lag_one[channel, :count] = rest.lag_one[0]
        return events

    def _searched_widely(self, edge: Opening | Closing) -> Opening | Closing:
        """Where a station was taken for an image at first, its first frames looked quiet."""
        doubted = edge.frame - self._doubted.get(edge.channel, -MOST_SEARCHED) < MOST_SEARCHED
        if isinstance(edge, Opening) and doubted:
            return replace(edge, searched_from=max(0, edge.frame - MOST_SEARCHED))
        return edge

    def _without_images(
        self,
        piece: Slice,
        cells: NDArray[np.float32],
        measures: FrameMeasures,
        floor: NDArray[np.float32],
        events: list[DetectorEvent],
    ) -> FrameMeasures:
        """Take the image of a much stronger mirrored station out of a channel's power."""
        frames = measures.power.shape[1]
        if not frames:
            return measures
        own = measures.power.mean(axis=1)
        noise = floor[:, :frames].mean(axis=1)
        up_to = np.concatenate([[0.0], np.cumsum(cells.mean(axis=0), dtype=np.float64)])
        mirrored = up_to[self._mirror_cells[:, 1]] - up_to[self._mirror_cells[:, 0]]
        suspect = (
            (own > IMAGE_LOOK_RATIO * self.squelch.quiet_ratio * noise)
            & (mirrored * WORST_IMAGE_POWER_RATIO > 0.5 * (own - noise))
            & (np.abs(self._centre_bins) > self._half_bins + 1)
        )
        for channel in np.flatnonzero(suspect).tolist():
            is_open = bool(self.squelch.state[channel] != State.CLOSED)
            centre, half = int(self._centre_bins[channel]), int(self._half_bins[channel])
            fit = self._images.fit(channel, piece.spectra, centre, half, is_open=is_open)
            measures.power[channel] *= fit.share[:frames].astype(np.float32)
            if channel not in self._images and fit.power_ratio > 0:
                self._doubted[channel] = piece.first_frame + frames
            if fit.share[:frames].mean() < 0.5 and fit.power_ratio > 0 and not is_open:
                rejection_db = -10 * np.log10(fit.power_ratio)
                events.append(ImageHeard(channel, piece.first_frame, float(rejection_db)))
        return measures

    def _look_for_modulation(self, piece: Slice, floor: NDArray[np.float32]) -> list[DetectorEvent]:
        events: list[DetectorEvent] = []
        spoken = [channel for channel, look in self._looks.items() if look.spoke]
        turn = piece.first_frame // LOOK_FRAMES * LOOKS_AGAIN
        due = {spoken[(turn + step) % len(spoken)] for step in range(LOOKS_AGAIN) if spoken}
        for channel, look in list(self._looks.items()):
            if self.squelch.state[channel] != State.OPEN or (look.spoke and channel not in due):
                continue
            rows, rate_hz = self._frames_of(piece, channel)
            count = min(len(rows), floor.shape[1])
            start = max(0, look.opened_frame - piece.first_frame)
            if start >= count:
                continue
            clear = self.impulses.clear(rows.shape[1], slice(start, count))
            parts = split_carrier(rows[start:count], rate_hz, clear=clear)
            line_hz = float(np.median(parts.frequency_hz))
            noise = floor[channel, start:count].astype(np.float64)
            skirt_band_hz = self._skirt_band_hz(channel, line_hz) if has_skirt(parts, noise) else 0.0
            if skirt_band_hz:
                parts = beside_skirt(parts, rate_hz, line_hz, skirt_band_hz, clear)
            if not look.take(parts.carrier_power, parts.rest_power, noise):
                if not look.was_there_before:
                    del self._looks[channel]
                    continue
                look.spoke = True  # a birdie may stay behind
                look.idle_since_frame = piece.first_frame + count
            look.frequency_hz = line_hz
            if channel in self._gone:  # a birdie that comes back is the same birdie
                before_hz, before_power = self._gone[channel]
                again = float(parts.carrier_power.mean()) / before_power
                if abs(look.frequency_hz - before_hz) < SAME_LINE_HZ and 0.5 < again < 2.0:
                    look.was_there_before = True
            frame = piece.first_frame + count
            idle_s = (frame - look.idle_since_frame) * self._bank.shape.hop_seconds
            if look.spoke:
                patience_s = STEADY_AGAIN_S
            else:
                patience_s = STEADY_AFTER_S if look.was_there_before else STEADY_AT_LAST_S
            if idle_s >= patience_s:
                carrier = float(look.recent[0].mean())
                self._steady.begin(channel, look.frequency_hz, carrier, skirt_band_hz=skirt_band_hz)
                del self._looks[channel]
                self.squelch.force_closed(channel)
                events.append(
                    TurnedSteady(
                        channel,
                        frame,
                        look.frequency_hz,
                        carrier,
                        look.was_there_before and not look.spoke,
                        look.spoke,
                        look.idle_since_frame,
                    )
                )
        return events
