"""Where frames, channel samples and input samples of one unbroken run stand in UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from watcher.utc import instant_of_sample


@dataclass(frozen=True, slots=True)
class StreamClock:
    """The clock of a run of samples without a break.

    Parameters
    ----------
    anchor_utc : datetime
        Instant of input sample 0 of the stretch.
    sample_rate_hz : int
    run_first : int
        Input count of the run's first sample; channel samples and frames count from there.
    hop_samples : int
        Input samples per frame.
    run_stop : int or None
        Input count after the run's last sample, once it is known: nothing lies beyond.
    """

    anchor_utc: datetime
    sample_rate_hz: int
    run_first: int
    hop_samples: int
    run_stop: int | None = None

    def input_sample(self, channel_sample: int, rate_ratio: Fraction) -> int:
        """Input count of a channel sample, rounded to the nearest."""
        return self._within(self.run_first + round(channel_sample / rate_ratio))

    def utc(self, input_sample: int) -> datetime:
        """Instant of an input sample."""
        return instant_of_sample(self.anchor_utc, input_sample, self.sample_rate_hz)

    def utc_of_frame(self, frame: int) -> datetime:
        """Instant at which a frame begins."""
        return self.utc(self._within(self.run_first + frame * self.hop_samples))

    def _within(self, input_sample: int) -> int:
        return input_sample if self.run_stop is None else min(input_sample, self.run_stop)
