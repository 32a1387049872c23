"""Tell a transmission from noise, frame by frame, for all channels at once.

The decision half of the detector: it takes :class:`~dsp.frame_measures.FrameMeasures` and the noise
floor of the same instant and gives edges. Three things must agree before a channel opens:

* energy over the floor, at a threshold that follows from the wanted false-opening rate;
* an envelope steadier than that of noise (a carrier in noise, of any modulation but strong AM, is
  steadier), or much energy for long that does not fill the channel as noise does;
* power that lies around the channel's centre, not spilled over its edge by a neighbour.

A channel closes when its energy has been gone for the hang time. The hang time bridges a fade of
200 ms and parts two key-downs 300 ms apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.energy_law import open_ratio
from dsp.frame_measures import FrameMeasures
from dsp.quiet_ratio import ENVELOPE_OF_NOISE, LOOK_FRAMES, QuietRatio

SHORT_FRAMES = 4  # 50 ms: opens a station of ordinary strength
LONG_FRAMES = 16  # 200 ms: opens a weak one
MOST_SEARCHED = LONG_FRAMES + 4  # frames before an opening in which the carrier came up
HANG_S = 0.25  # between the 200 ms fade that must not split and the 300 ms pause that must
FLOOR_DOUBT_DB = 0.5  # what the floor may be off beyond its scatter: passband slope, in-channel hum
SHORT_ENVELOPE = 1.70  # 3.5 standard deviations under noise in 50 ms (variance 4/n, delta method)
LONG_ENVELOPE = 1.87  # 3 standard deviations under noise in 200 ms, met by a carrier at -2 dB
STRONG_RATIO = 8.0  # 9 dB over the floor in every one of four frames needs no steady envelope,
STRONG_ENVELOPE = 3.0  # only one that is not made of impulses
CENTRE_SHARE = 0.30  # of the pass band: the power's centre must lie within this of the middle
BURST_RATIO = 2.0  # a floor this much over its own recent past is a broadband burst
QUIET_SHARE = 0.3  # of a carrier's power over the noise: 5 dB under it, it was not up yet
NOISE_SINCE_FRAMES = 20  # an open channel that looks like noise for this long is closed
NOISY_RATIO = 2.2  # ... if it also stands less than this over the floor
NOISY_ENVELOPE = 0.965 * ENVELOPE_OF_NOISE  # noise over 20 frames scatters by 0.038
RATIO_CAP = 1e4


class State(IntEnum):
    """Where a channel's squelch stands."""

    CLOSED = 0
    OPEN = 1
    HANGING = 2  # still open, energy gone for less than the hang time


@dataclass(frozen=True, slots=True)
class Opening:
    """A channel opened.

    `frame` is where the decision fell; the carrier came up after `searched_from` (frame counts).
    `abrupt` is False where energy had been there before, as from a carrier that drifts in.
    """

    channel: int
    frame: int
    searched_from: int
    abrupt: bool


@dataclass(frozen=True, slots=True)
class Closing:
    """A channel closed: `last_up` is the last frame that held energy, `frame` where the hang time ended."""

    channel: int
    frame: int
    last_up: int


Edge = Opening | Closing


class Squelch:
    """Open and close every channel.

    Parameters
    ----------
    independent_samples : ndarray of float64, shape (channels,)
        Independent complex samples per frame, pass band times frame length.
    channel_rate_hz, pass_band_hz, noise_lag_one : ndarray of float64, shape (channels,)
        Output rate, pass band, and lag-one autocorrelation of filtered noise
        (:func:`dsp.filter_bank_design.noise_lag_one`).
    frame_s : float
    floor_variance : float
        Of the noise floor estimate, relative, per frame.
    false_per_hour : float
        Per channel-hour, for the energy test alone; the other two tests only lower it.
    raise_db : ndarray of float64, shape (channels,), optional
        Thresholds raised by the plan, dB.
    """

    def __init__(
        self,
        independent_samples: NDArray[np.float64],
        channel_rate_hz: NDArray[np.float64],
        pass_band_hz: NDArray[np.float64],
        noise_lag_one: NDArray[np.float64],
        *,
        frame_s: float,
        floor_variance: float,
        false_per_hour: float = 0.001,
        raise_db: NDArray[np.float64] | None = None,
    ) -> None:
        channels = len(independent_samples)
        doubt = 10 ** ((FLOOR_DOUBT_DB + (np.zeros(channels) if raise_db is None else raise_db)) / 10)

        def thresholds(frames: int) -> NDArray[np.float64]:
            laws = {
                n: open_ratio(frames, n, floor_variance, false_per_hour, frame_s)
                for n in set(independent_samples.tolist())
            }
            return np.array([laws[n] for n in independent_samples.tolist()]) * doubt

        self.short_ratio = thresholds(SHORT_FRAMES)
        self.long_ratio = thresholds(LONG_FRAMES)
        self.close_ratio = np.minimum(thresholds(2), self.short_ratio)
        self.hang_frames = round(HANG_S / frame_s)
        self._frame_s = frame_s
        self._to_hz = channel_rate_hz / (2 * np.pi)
        self._reach_hz = CENTRE_SHARE * pass_band_hz
        self.noise_lag_one = noise_lag_one
        self._quiet = QuietRatio(noise_lag_one)
        self._raise = doubt
        self.reset()

    def reset(self) -> None:
        """Forget every channel: all closed, nothing learned, next frame is frame 0."""
        channels = len(self.short_ratio)
        history = (channels, LONG_FRAMES + NOISE_SINCE_FRAMES)
        self.state = np.full(channels, State.CLOSED, dtype=np.int8)
        self._quiet.reset()
        self._slow_floor = np.zeros(channels)
        self._ratio = np.ones(history)
        self._envelope = np.full(history, ENVELOPE_OF_NOISE)
        self._lag = np.zeros(history, dtype=np.complex128)
        self._down = np.zeros(channels, dtype=np.int64)
        self._opened_at = np.zeros(channels, dtype=np.int64)
        self._closed_at = np.full(channels, -10 * LONG_FRAMES, dtype=np.int64)
        self._next_frame = 0

    @property
    def quiet_ratio(self) -> NDArray[np.float64]:
        """Power over floor of each channel while nobody was on it, shape (channels,)."""
        return self._quiet.ratio

    def push(self, measures: FrameMeasures, floor: NDArray[np.float32]) -> list[Edge]:
        """Decide over the next frames.

        Parameters
        ----------
        measures : FrameMeasures
            Shape (channels, frames).
        floor : ndarray of float32, shape (channels, frames)
            Expected noise power of the same frames.

        Returns
        -------
        list of Edge
            In order of frame.
        """
        frames = measures.power.shape[1]
        if frames > self.hang_frames:  # so that no channel can close and open again within one look
            head, tail = slice(0, self.hang_frames), slice(self.hang_frames, None)
            return self.push(_some(measures, head), floor[:, head]) + self.push(
                _some(measures, tail), floor[:, tail]
            )
        if frames == 0:
            return []
        self._quiet.look(measures)
        known = np.maximum(floor * self.quiet_ratio[:, None], np.maximum(measures.power / RATIO_CAP, 1e-15))
        burst = self._bursts(floor)
        past = self._ratio.shape[1]
        now, shape_now = measures.power / known, measures.envelope
        if measures.clear_share is not None:
            # Fewer samples scatter more: drawn towards noise, they obey the law of whole frames.
            trust = np.sqrt(measures.clear_share)
            now = 1 + (now - 1) * trust
            shape_now = ENVELOPE_OF_NOISE + (shape_now - ENVELOPE_OF_NOISE) * trust
        ratio = np.hstack([self._ratio, now])
        envelope = np.hstack([self._envelope, shape_now])
        lag = np.hstack([self._lag, measures.lag_one / known])

        edges: list[Edge] = []
        # A closed channel that opens is seen as an open one from the same frames on.
        opens = self._open_evidence(ratio, envelope, lag, burst, frames)
        opening = np.asarray(opens.any(axis=1))
        up, noisy = self._stay_evidence(ratio, envelope, burst, opening, frames)
        active = np.flatnonzero(
            ((self.state == State.CLOSED) & opening)
            | ((self.state != State.CLOSED) & (self._quiet.is_plain_noise | ~(up & ~noisy).all(axis=1)))
            | (self.state == State.HANGING)
        )
        for channel in active.tolist():
            edges += self._walk(channel, opens[channel], up[channel], noisy[channel], ratio[channel])
        recent = slice(-LONG_FRAMES, None)
        is_quiet = (self.state == State.CLOSED) & ~opens.any(axis=1)
        moved = self._quiet.learn(
            measures, floor, is_quiet, ratio[:, recent].mean(axis=1), envelope[:, recent].mean(axis=1)
        )
        ratio[moved] = 1.0
        self._ratio, self._envelope, self._lag = ratio[:, -past:], envelope[:, -past:], lag[:, -past:]
        self._next_frame += frames
        return sorted(edges, key=lambda edge: edge.frame)

    def floor_moved(self, factor: NDArray[np.float64]) -> None:
        """The floor is taken elsewhere from now on and is so many times what it was, shape (channels,)."""
        self._quiet.floor_moved(factor)

    def force_closed(self, channel: int) -> None:
        """Close a channel and forget its recent frames, without an edge: what held it open is explained."""
        self.state[channel] = State.CLOSED
        self._ratio[channel] = 1.0
        self._envelope[channel] = ENVELOPE_OF_NOISE
        self._lag[channel] = self.noise_lag_one[channel]

    def _walk(
        self,
        channel: int,
        opens: NDArray[np.bool_],
        up: NDArray[np.bool_],
        noisy: NDArray[np.bool_],
        ratio: NDArray[np.float64],
    ) -> list[Edge]:
        """One channel through the frames that may change its state."""
        edges: list[Edge] = []
        past = len(ratio) - len(opens)
        plain_noise = bool(self._quiet.is_plain_noise[channel])
        for index in range(len(opens)):
            frame = self._next_frame + index
            # Frames from before the opening must not make the transmission look like noise.
            open_frames = frame - self._opened_at[channel]
            is_noise = (noisy[index] and open_frames >= NOISE_SINCE_FRAMES) or (
                plain_noise and open_frames >= LOOK_FRAMES
            )
            match State(int(self.state[channel])):
                case State.CLOSED:
                    if opens[index]:
                        self.state[channel] = State.OPEN
                        self._down[channel] = 0
                        self._opened_at[channel] = frame
                        before = ratio[: past + index + 1]
                        searched_from = max(0, frame - _frames_to_search(before))
                        is_abrupt = self._is_abrupt(channel, before)
                        edges.append(Opening(channel, frame, searched_from, is_abrupt))
                case State.OPEN:
                    if is_noise or not up[index]:
                        self.state[channel] = State.HANGING
                        self._down[channel] = self.hang_frames if is_noise else 1
                case State.HANGING:
                    if up[index] and not is_noise:
                        self.state[channel] = State.OPEN
                    else:
                        self._down[channel] += 1
            if self.state[channel] == State.HANGING and self._down[channel] >= self.hang_frames:
                self.state[channel] = State.CLOSED
                self._closed_at[channel] = frame
                if plain_noise:
                    self._quiet.was_noise(channel)
                edges.append(Closing(channel, frame, frame - int(self._down[channel])))
        return edges

    def _is_abrupt(self, channel: int, before: NDArray[np.float64]) -> bool:
        """Did energy come up at once? A carrier that drifts into the pass band was there before."""
        if self._next_frame + LONG_FRAMES - self._closed_at[channel] < len(before):
            return True  # what was there before was the transmission that just ended
        now = before[-SHORT_FRAMES:].mean()
        earlier = before[-NOISE_SINCE_FRAMES - LONG_FRAMES : -LONG_FRAMES - 2].mean()
        return bool(earlier - 1 < 0.3 * (now - 1))

    def _bursts(self, floor: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Frames whose floor jumped over its own recent past."""
        frames = floor.shape[1]
        if not self._slow_floor.any():
            self._slow_floor = np.median(floor, axis=1).astype(np.float64)
        burst: NDArray[np.bool_] = floor > BURST_RATIO * self._slow_floor[:, None]
        # A burst moves the slow floor little; a lasting rise is learned in about half a second.
        pace = 1 - 0.975**frames
        self._slow_floor += pace * (np.median(floor, axis=1) - self._slow_floor)
        return burst

    def _open_evidence(
        self,
        ratio: NDArray[np.float64],
        envelope: NDArray[np.float64],
        lag: NDArray[np.complex128],
        burst: NDArray[np.bool_],
        frames: int,
    ) -> NDArray[np.bool_]:
        opens = np.zeros((len(ratio), frames), dtype=bool)
        # Only closed channels can open; one that hangs may close and open again within the frames.
        rows = np.flatnonzero(self.state != State.OPEN)
        short, long = _means(ratio[rows], SHORT_FRAMES, frames), _means(ratio[rows], LONG_FRAMES, frames)
        loud = (short > self.short_ratio[rows, None]).any(axis=1) | (long > self.long_ratio[rows, None]).any(
            axis=1
        )
        rows, short, long = rows[loud], short[loud], long[loud]
        if not len(rows):
            return opens
        ratio, envelope, lag, burst = ratio[rows], envelope[rows], lag[rows], burst[rows]
        raised = self._raise[rows, None]
        short_up = _means(ratio > 1 + 0.5 * (self.short_ratio[rows, None] - 1), SHORT_FRAMES, frames)
        long_up = _means(ratio > 1.08 * raised, LONG_FRAMES, frames)
        by_short = (
            (short > self.short_ratio[rows, None])
            & (short_up == 1.0)
            & (_means(envelope, SHORT_FRAMES, frames) < SHORT_ENVELOPE)
            & self._is_centred(lag, SHORT_FRAMES, frames, rows)
        )
        by_long = (
            (long > self.long_ratio[rows, None])
            & (long_up > 0.8)
            & (_means(envelope, LONG_FRAMES, frames) < LONG_ENVELOPE)
            & self._is_centred(lag, LONG_FRAMES, frames, rows)
        )
        by_strength = (
            (_means(ratio > STRONG_RATIO * raised, SHORT_FRAMES, frames) == 1.0)
            & (_means(envelope, SHORT_FRAMES, frames) < STRONG_ENVELOPE)
            & self._is_centred(lag, SHORT_FRAMES, frames, rows)
            & ~self._fills_like_noise(ratio, envelope, lag, frames, rows)
            & ~burst
        )
        opens[rows] = by_short | by_long | by_strength
        return opens

    def _fills_like_noise(
        self,
        ratio: NDArray[np.float64],
        envelope: NDArray[np.float64],
        lag: NDArray[np.complex128],
        frames: int,
        rows: NDArray[np.intp],
    ) -> NDArray[np.bool_]:
        """Gaussian and as wide as the channel: a hump of noise, however strong."""
        power = np.maximum(_means(ratio, SHORT_FRAMES, frames), 1e-9)
        wide = np.abs(_means(lag, SHORT_FRAMES, frames)) / power < self._quiet.widest_lag[rows, None]
        return np.asarray(wide & (_means(envelope, SHORT_FRAMES, frames) > SHORT_ENVELOPE))

    def _is_centred(
        self, lag: NDArray[np.complex128], window: int, frames: int, rows: NDArray[np.intp]
    ) -> NDArray[np.bool_]:
        own = _means(lag, window, frames) - self.noise_lag_one[rows, None]  # the noise's own part taken off
        centre_hz = np.abs(np.angle(own)) * self._to_hz[rows, None]
        return np.asarray(centre_hz < self._reach_hz[rows, None])

    def _stay_evidence(
        self,
        ratio: NDArray[np.float64],
        envelope: NDArray[np.float64],
        burst: NDArray[np.bool_],
        opening: NDArray[np.bool_],
        frames: int,
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Which frames hold energy, and which end a span that is nothing but noise after all."""
        up, noisy = np.ones((len(ratio), frames), dtype=bool), np.zeros((len(ratio), frames), dtype=bool)
        rows = np.flatnonzero((self.state != State.CLOSED) | opening)
        # Most open channels stand far over the floor in every frame that counts: nothing to ask of them.
        lowest = ratio[rows, -(frames + NOISE_SINCE_FRAMES) :].min(axis=1)
        rows = rows[lowest < np.maximum(2 * self.close_ratio[rows], NOISY_RATIO)]
        ratio, close = ratio[rows], self.close_ratio[rows, None]
        up[rows] = _means(ratio, 2, frames) > close
        # A burst hides the channel; it neither holds a transmission up for long nor ends it.
        up[rows] |= burst[rows] & (_means(ratio, 8, frames) > close)
        noisy[rows] = (_means(envelope[rows], NOISE_SINCE_FRAMES, frames) > NOISY_ENVELOPE) & (
            _means(ratio, NOISE_SINCE_FRAMES, frames) < NOISY_RATIO
        )
        return up, noisy


def _some(measures: FrameMeasures, frames: slice) -> FrameMeasures:
    clear_share = measures.clear_share
    return FrameMeasures(
        measures.power[:, frames],
        measures.envelope[:, frames],
        measures.lag_one[:, frames],
        None if clear_share is None else clear_share[frames],
    )


def _frames_to_search(ratio: NDArray[np.float64]) -> int:
    """How far back the carrier came up at most: splatter before 50 ms of quiet is no part of it."""
    most = MOST_SEARCHED
    quiet = ratio[-most - 1 :] < 1 + QUIET_SHARE * (ratio[-SHORT_FRAMES:].mean() - 1)
    run = np.lib.stride_tricks.sliding_window_view(quiet, SHORT_FRAMES).all(axis=1)
    return most - int(np.flatnonzero(run)[-1]) - SHORT_FRAMES + 1 if run.any() else most


def _means(values: NDArray[Any], window: int, frames: int) -> NDArray[Any]:
    """Mean over the `window` values that end at each of the last `frames` values of every row."""
    tail = values[:, -(frames + window - 1) :]
    sums = np.cumsum(tail, axis=1, dtype=np.complex128 if np.iscomplexobj(values) else np.float64)
    sums[:, window:] = sums[:, window:] - sums[:, :-window]
    return np.asarray(sums[:, window - 1 :] / window)
