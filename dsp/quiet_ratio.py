"""How each channel's own noise stands to the floor that the spectrum around it gives.

The floor knows nothing of what is noise in one channel alone: the slope of the passband, a hump of a
switching supply, a recorder's filter that leaves noise in the channel and none around it. Whatever looks
like noise (Gaussian, and as wide as the channel) for long enough is learned, whatever its power.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.frame_measures import FrameMeasures

ENVELOPE_OF_NOISE = 2.0
LEAST_RATIO = 0.85
FIRST_FRAMES = 40  # half a second: what the belief "ratio 1" is worth at first
TRUST_FRAMES = 800  # 10 s: memory of the ratio
LEFT_OUT_FRAMES = 8  # 0.1 s: the newest are not learned from, as they may be the onset of a transmission
RECENT_FRAMES = 16
LIKE_NOISE = 0.12  # of the recent envelope against noise: 3 standard deviations
LOOK_FRAMES = 80  # 1 s: noise of any power is known by now, as envelope and bandwidth scatter by 0.02
PLAIN_NOISE_ENVELOPE = 1.93  # over 1 s: noise has 1.97 less 2 deviations, a carrier at -5 dB 1.92
NOISE_FILLS = 0.45  # of the way from the lag of noise that fills the channel to that of a line
MOST_FOLLOWED = 2.5  # 4 dB: splatter of a neighbour and the slope of a passband are followed slowly
UNKNOWN_RATIO = 1.2  # energy over the floor, noise by its looks for 1 s, that is the channel's own
TOO_QUIET_RATIO = 0.7  # noise so far under what is expected of it (for 0.2 s, 10 deviations) has gone down


class QuietRatio:
    """Power over floor of each channel while nobody is on it.

    Parameters
    ----------
    noise_lag_one : ndarray of float64, shape (channels,)
        Lag-one autocorrelation of filtered noise (:func:`dsp.filter_bank_design.noise_lag_one`).
    """

    def __init__(self, noise_lag_one: NDArray[np.float64]) -> None:
        self._noise_lag_one = noise_lag_one
        self.widest_lag = noise_lag_one + NOISE_FILLS * (1 - noise_lag_one)
        self.reset()

    def reset(self) -> None:
        """Forget all channels: each stands at its floor."""
        channels = len(self._noise_lag_one)
        self.ratio = np.ones(channels)
        self.is_plain_noise = np.zeros(channels, dtype=bool)  # over the last second, whatever its power
        self._frames = np.zeros(channels)
        self._newest = np.zeros((2, channels, 0))  # power and floor of the frames left out so far
        self._was_quiet = np.zeros(channels, dtype=bool)  # in those frames
        self._slow_envelope = np.full(channels, ENVELOPE_OF_NOISE)
        self._slow_lag = self._noise_lag_one.astype(np.complex128)  # over power
        self._unknown_frames = np.zeros(channels)  # for how long there has been noise that the floor lacks

    def look(self, measures: FrameMeasures) -> None:
        """Take the looks of the next frames, of open channels too."""
        pace = 1 - (1 - 2 / LOOK_FRAMES) ** measures.power.shape[1]
        power = measures.power.mean(axis=1, dtype=np.float64)
        lag = measures.lag_one.mean(axis=1) / np.maximum(power, 1e-18)
        self._slow_envelope += pace * (measures.envelope.mean(axis=1) - self._slow_envelope)
        self._slow_lag += pace * (lag - self._slow_lag)
        self.is_plain_noise = (self._slow_envelope > PLAIN_NOISE_ENVELOPE) & (
            np.abs(self._slow_lag) < self.widest_lag
        )

    def floor_moved(self, factor: NDArray[np.float64]) -> None:
        """The floor is another from now on, by this factor: what was learned keeps its power."""
        known = self._frames > FIRST_FRAMES
        self.ratio[known] = np.maximum(self.ratio[known] / factor[known], LEAST_RATIO)
        self._newest = self._newest[:, :, :0]

    def was_noise(self, channel: int) -> None:
        """A channel closes because it held plain noise: its power is learned at the next `learn`."""
        self._unknown_frames[channel] = LOOK_FRAMES

    def learn(
        self,
        measures: FrameMeasures,
        floor: NDArray[np.float32],
        is_quiet: NDArray[np.bool_],
        recent_ratio: NDArray[np.float64],
        recent_envelope: NDArray[np.float64],
    ) -> NDArray[np.bool_]:
        """Follow the channels that are quiet over the frames just looked at.

        Parameters
        ----------
        measures, floor
            Shape (channels, frames).
        is_quiet : ndarray of bool, shape (channels,)
        recent_ratio, recent_envelope : ndarray of float64, shape (channels,)
            Means over the last `RECENT_FRAMES`; the ratio with what was learned so far taken into account.

        Returns
        -------
        ndarray of bool, shape (channels,)
            Channels that stand at another ratio at once: their past ratios mean nothing any more.
        """
        frames = floor.shape[1]
        unknown = is_quiet & self.is_plain_noise & (recent_ratio > UNKNOWN_RATIO)
        self._unknown_frames = np.where(unknown, self._unknown_frames + frames, 0)
        gone_down = is_quiet & (recent_ratio < TOO_QUIET_RATIO) & (self.ratio > 1 / TOO_QUIET_RATIO)
        moved = (self._unknown_frames >= LOOK_FRAMES) | gone_down
        self._unknown_frames[moved] = 0
        seen = measures.power.mean(axis=1) / np.maximum(floor.mean(axis=1), 1e-15)
        self.ratio[moved] = np.maximum(seen[moved], LEAST_RATIO)

        both = np.concatenate([self._newest, [measures.power, floor]], axis=2)
        self._newest = both[:, :, -LEFT_OUT_FRAMES:]
        old = both[:, :, :-LEFT_OUT_FRAMES]
        rows = np.flatnonzero(
            is_quiet
            & self._was_quiet
            & ~moved
            & (np.abs(recent_envelope - ENVELOPE_OF_NOISE) < LIKE_NOISE)
            & (recent_ratio < MOST_FOLLOWED)
        )
        if len(rows) and old.shape[2]:
            power, noise = old[:, rows].mean(axis=2)
            self._frames[rows] = np.minimum(self._frames[rows] + old.shape[2], TRUST_FRAMES)
            pace = old.shape[2] / (self._frames[rows] + FIRST_FRAMES)
            step = pace * (power / np.maximum(noise, 1e-15) - self.ratio[rows])
            self.ratio[rows] = np.maximum(self.ratio[rows] + step, LEAST_RATIO)
        self._was_quiet = is_quiet & ~moved
        return moved
