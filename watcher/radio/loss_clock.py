"""Samples that no layer says are missing, found by counting what came against the clock."""

from __future__ import annotations

from collections import deque

FOLLOWED_PPM = 600.0
"""A slope up to this is clocks that differ, not loss: 100 ppm of an uncorrected crystal (RTL2832U class,
measured by users) and the 500 ppm by which time keeping may slew the system clock (RFC 5905, frequency
tolerance)."""

LOOK_BLOCKS = 24
"""A driver that queues 15 blocks delivers them, and the one under way, in one burst after a delay; working
the burst off takes some time too, and only the blocks after that come at their time again."""


class LossClock:
    """How many samples are missing, from when the others came.

    Parameters
    ----------
    sample_rate_hz : int
        As the radio runs.
    least_samples : int
        Steps smaller than this are taken for jitter. Half a block is right: a whole lost one is then seen,
        and the least lateness among many blocks scatters less.
    look_blocks : int
        The least lateness among this many blocks counts; must exceed the blocks a driver may queue.

    Notes
    -----
    A block may come late, never early, so that the least lateness among the last blocks shows what is really
    missing: a late burst without loss brings it back to where it was. A loss is told `look_blocks` blocks
    after the first block that was late for it, which for an overflow of the driver's queue is half a
    second after it happened. Slow drift up to `FOLLOWED_PPM` is followed and never told; so is a
    loss that small.
    """

    def __init__(self, sample_rate_hz: int, least_samples: int, look_blocks: int = LOOK_BLOCKS) -> None:
        self._rate_hz = sample_rate_hz
        self._least = least_samples
        self._recent: deque[float] = deque(maxlen=look_blocks)
        self._start: tuple[float, int] | None = None
        self._last_stamp_s = 0.0
        self._usual = 0.0
        self._told = 0

    def push(self, stamp_s: float, samples: int) -> int:
        """Samples found missing now.

        Parameters
        ----------
        stamp_s : float
            When the newest block came.
        samples : int
            How many samples came up to its end, those counted as dropped elsewhere included, those told
            here left out.
        """
        if self._start is None:
            self._start = (stamp_s, samples)
            self._last_stamp_s = stamp_s
        start_s, start_samples = self._start
        late = (stamp_s - start_s) * self._rate_hz - (samples - start_samples) - self._told
        may_rise = FOLLOWED_PPM * 1e-6 * self._rate_hz * (stamp_s - self._last_stamp_s)
        self._last_stamp_s = stamp_s
        self._recent.append(late)
        least = min(self._recent)
        if least <= self._usual:
            self._usual = least
            return 0
        if len(self._recent) == self._recent.maxlen and least - self._usual > self._least:
            missing = round(least - self._usual)
            self._told += missing
            self._recent = deque((each - missing for each in self._recent), self._recent.maxlen)
            return missing
        self._usual += min(may_rise, least - self._usual)
        return 0
