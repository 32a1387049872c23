"""The audio sweep of an emergency locator beacon on 121.5 MHz, AM: over and over from high to low.

47 CFR 87.141 (figures from memory): downward over at least 700 Hz within 1600 to 300 Hz, 2 to 4 times a
second. Each spectrum gives the frequency of its strongest line; a beacon's falls steadily and jumps back. A
siren also rises steadily, speech neither falls so far nor comes back in time. Some beacons sweep upwards
(from memory): those are reported as rising and are no distress sweep by the rule above.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from dsp.signalling.passage import BIN_HZ, HOP_SAMPLES, RATE_HZ, Passage

Track = NDArray[np.float64]

LEAST_SWEEPS = 3
TEST_SWEEPS = 3  # of a ground test, at most: FAA AIM 6-2-4 b

_HOPS_A_SECOND = RATE_HZ // HOP_SAMPLES
_LOW_HZ, _HIGH_HZ = 300.0, 1600.0
_LEAST_SPAN_HZ = 700.0
_RATES_HZ = (2.0, 4.0)
_RATE_SLACK = 0.1  # makers' tolerance and ours for an edge seen through 32 ms
#: A spectrum of 32 ms sees neither the first nor the last 16 ms of a sweep: 80 Hz of the slowest, 170 of
#: the fastest.
_SPAN_SLACK_HZ = 60.0
_EDGE_HZ = 150.0

_FIRST_BIN = round(250 / BIN_HZ)
_STOP_BIN = round(1750 / BIN_HZ) + 1
#: Fall in 50 ms of the slowest sweep the rule allows, 70 Hz, less a bin; and of the fastest, 1300 Hz in
#: 0.25 s by equal ratios, where it is steepest: 535 Hz at its very first, 450 soon after (computed).
_LAG_HOPS = 5
_FALL_HZ = (70 - BIN_HZ, 450.0)
#: Hops, in any 0.6 s, that have to fall so: 80 % do in a beacon. What rises is taken off: noise keeps none.
_GATE_HOPS = 60
_GATE_FALLING = 33

_JUMP_HOPS = 3
_LEAST_JUMP_HZ = 450.0  # over 60 ms; a siren of 600 to 1400 Hz rising in 150 ms makes 320
_NEAR_HZ = 100.0  # from the fitted line: a sweep smears over 170 Hz in a spectrum
_LEAST_NEAR = 0.72  # share of a sweep's hops; a siren rises for a third of its time or more
_LEAST_FALLING = 0.5  # of a sweep's hops, against 50 ms before: a cheap look ahead of the fit
_KEPT_HOPS = 140  # two of the longest periods and the seam
_ALIKE = 0.2  # periods, against the run's; edges may differ by _ALIKE_HZ
_ALIKE_HZ = 200.0


@dataclass(frozen=True, slots=True)
class BeaconSweep:
    """Sweeps that followed each other.

    Parameters
    ----------
    direction : str
        "falling" or "rising".
    sweeps : int
        How many, 3 or more.
    rate_hz : float
        Sweeps per second.
    high_hz, low_hz : float
        Where a sweep begins and ends, medians.
    start_s, stop_s : float
        Counted from the carrier's rise. A later report with the same start goes on counting.
    """

    direction: str
    sweeps: int
    rate_hz: float
    high_hz: float
    low_hz: float
    start_s: float
    stop_s: float

    @property
    def is_distress_sweep(self) -> bool:
        """Whether it is the sweep the rule describes, which falls."""
        return self.direction == "falling"

    @property
    def is_short_as_a_test(self) -> bool:
        """Whether no more sweeps were heard than a ground test may have."""
        return self.sweeps <= TEST_SWEEPS


@dataclass(frozen=True, slots=True)
class _Sweep:
    first_hop: int
    stop_hop: int
    high_hz: float
    low_hz: float


class BeaconDecoder:
    """Beacon sweeps in one transmission, of either direction.

    `push` returns a report when a third sweep has come, and another when a run of sweeps has ended; `finish`
    that of a run still going on. Holds 1.4 s of line frequencies and a few figures.
    """

    def __init__(self) -> None:
        self._line_hz: Track = np.zeros(0)
        self._first_hop = 0
        self._runs = (_Run("falling"), _Run("rising"))
        self._hops_to_look_at = 0

    def push(self, passage: Passage) -> list[BeaconSweep]:
        """Take the next passage."""
        fresh = _line_hz(passage)
        joined = np.concatenate([self._line_hz, fresh])
        if _moves_one_way(joined[-len(fresh) - _GATE_HOPS - _LAG_HOPS :]):
            # This passage and two more: the next one completes a sweep, the one after shows it was the last.
            self._hops_to_look_at = 2 * _HOPS_A_SECOND + len(fresh)
        told: list[BeaconSweep] = []
        if self._hops_to_look_at > 0:
            self._hops_to_look_at -= len(fresh)
            for run in self._runs:
                told += run.look(joined, self._first_hop, at_end=self._hops_to_look_at <= 0)
        dropped = max(len(joined) - _KEPT_HOPS, 0)
        self._line_hz = joined[dropped:].copy()
        self._first_hop += dropped
        return told

    def finish(self) -> list[BeaconSweep]:
        """The transmission is over."""
        return [
            report for run in self._runs for report in run.look(self._line_hz, self._first_hop, at_end=True)
        ]


class _Run:
    """Sweeps of one direction that follow each other."""

    def __init__(self, direction: str) -> None:
        self._direction = direction
        self._sign = 1.0 if direction == "falling" else -1.0
        self._sweeps = 0
        self._first: _Sweep | None = None
        self._last: _Sweep | None = None
        self._shapes: list[tuple[float, float, int]] = []  # of the first sweeps
        self._told = 0
        self._seen_hop = 0

    def look(self, line_hz: Track, first_hop: int, *, at_end: bool) -> list[BeaconSweep]:
        """Find the sweeps between the jumps of a track, count them, and tell what is due."""
        told: list[BeaconSweep] = []
        jumps = _jumps(self._sign * line_hz) + first_hop
        for begin, end in pairwise(jumps.tolist()):
            if begin < self._seen_hop:
                continue
            sweep = self._sweep(line_hz, first_hop, begin, end)
            if sweep is None:
                continue
            self._seen_hop = end
            told += self._take(sweep, line_hz, first_hop)
        end_hop = first_hop + len(line_hz)
        if self._last is not None:
            period = self._last.stop_hop - self._last.first_hop
            if at_end or end_hop - self._last.stop_hop > 2.2 * period:
                told += self._end(line_hz, first_hop)
        return told

    def _take(self, sweep: _Sweep, line_hz: Track, first_hop: int) -> list[BeaconSweep]:
        told: list[BeaconSweep] = []
        if self._last is not None and not _follows(self._last, sweep):
            told += self._end(line_hz, first_hop)
        if self._last is None:
            self._begin(sweep, line_hz, first_hop)
        self._count(sweep)
        if self._sweeps >= LEAST_SWEEPS and not self._told:
            told.append(self._report())
        return told

    def _begin(self, sweep: _Sweep, line_hz: Track, first_hop: int) -> None:
        """The first sweep of all has no jump before it, so it is looked for where it should lie."""
        period = sweep.stop_hop - sweep.first_hop
        before = self._sweep(line_hz, first_hop, max(sweep.first_hop - period, 0), sweep.first_hop)
        if before is not None and _follows(before, sweep):
            self._count(before)

    def _end(self, line_hz: Track, first_hop: int) -> list[BeaconSweep]:
        """The last has none after it. Then the run is over."""
        if self._last is not None:
            period = self._last.stop_hop - self._last.first_hop
            stop = min(self._last.stop_hop + period, first_hop + len(line_hz))
            after = self._sweep(line_hz, first_hop, self._last.stop_hop, stop)
            if after is not None and _follows(self._last, after):
                self._count(after)
        told = [self._report()] if self._sweeps >= LEAST_SWEEPS and self._told != self._sweeps else []
        self._sweeps, self._first, self._last, self._shapes, self._told = 0, None, None, [], 0
        return told

    def _count(self, sweep: _Sweep) -> None:
        self._sweeps += 1
        self._first = self._first or sweep
        self._last = sweep
        if len(self._shapes) < 64:
            self._shapes.append((sweep.high_hz, sweep.low_hz, sweep.stop_hop - sweep.first_hop))

    def _report(self) -> BeaconSweep:
        assert self._first is not None and self._last is not None
        high_hz, low_hz, _ = np.median(self._shapes, axis=0)
        hops = float(np.mean([length for _, _, length in self._shapes]))  # of one sweep; some go uncounted
        self._told = self._sweeps
        return BeaconSweep(
            direction=self._direction,
            sweeps=self._sweeps,
            rate_hz=_HOPS_A_SECOND / hops,
            high_hz=float(high_hz),
            low_hz=float(low_hz),
            start_s=self._first.first_hop / _HOPS_A_SECOND,
            stop_s=self._last.stop_hop / _HOPS_A_SECOND,
        )

    def _sweep(self, line_hz: Track, first_hop: int, begin: int, end: int) -> _Sweep | None:
        """The sweep between two jumps, or None where what lies there is none."""
        count = end - begin
        longest = _HOPS_A_SECOND / (_RATES_HZ[0] * (1 - _RATE_SLACK))
        shortest = _HOPS_A_SECOND / (_RATES_HZ[1] * (1 + _RATE_SLACK))
        if begin < first_hop or not shortest <= count <= longest:
            return None
        piece = line_hz[begin - first_hop : end - first_hop]
        fallen = self._sign * (piece[:-_LAG_HOPS] - piece[_LAG_HOPS:])
        if np.count_nonzero((fallen > _FALL_HZ[0]) & (fallen < _FALL_HZ[1])) < _LEAST_FALLING * count:
            return None
        fit, near = _fit(piece)
        if np.count_nonzero(near) < _LEAST_NEAR * count:
            return None
        places = np.flatnonzero(near)
        moved = fit[places[0] : places[-1] + 1] * self._sign
        steady = np.all(np.diff(moved) < 0)
        high, low = float(np.max(np.abs(moved))), float(np.min(np.abs(moved)))
        is_sweep = (
            steady
            and high - low >= _LEAST_SPAN_HZ - _SPAN_SLACK_HZ
            and high <= _HIGH_HZ + _EDGE_HZ
            and low >= _LOW_HZ - _EDGE_HZ
        )
        return _Sweep(begin, end, high, low) if is_sweep else None


def _line_hz(passage: Passage) -> Track:
    """Frequency of the strongest line of each spectrum, from 250 to 1750 Hz; steady in silence."""
    with np.errstate(all="ignore"):  # broken input: some frequency comes out, the same every time
        power = passage.spectra[:, _FIRST_BIN - 1 : _STOP_BIN + 1]
        spread = power[:, :-2] + power[:, 1:-1]
        spread += power[:, 2:]  # a sweep smears over some bins
        line_hz: Track = (spread.argmax(axis=1) + _FIRST_BIN) * BIN_HZ
    return line_hz


def _moves_one_way(line_hz: Track) -> bool:
    """Whether a track falls, or rises, as a sweep does through most of any 0.6 s."""
    steps = line_hz[_LAG_HOPS:] - line_hz[:-_LAG_HOPS]
    sizes = np.abs(steps)
    ways = np.sign(steps) * ((sizes > _FALL_HZ[0]) & (sizes < _FALL_HZ[1]))
    if len(ways) < _GATE_HOPS:
        return bool(abs(ways.sum()) >= _GATE_FALLING)
    added = np.cumsum(ways)
    added[_GATE_HOPS:] -= added[:-_GATE_HOPS].copy()
    return bool(np.abs(added[_GATE_HOPS - 1 :]).max() >= _GATE_FALLING)


def _jumps(falling_hz: Track) -> NDArray[np.intp]:
    """Hops at which a track that should fall has jumped up."""
    if len(falling_hz) <= 2 * _JUMP_HOPS:
        return np.zeros(0, np.intp)
    smooth = median_filter(falling_hz, 5, mode="nearest")
    rise = smooth[2 * _JUMP_HOPS :] - smooth[: -2 * _JUMP_HOPS]
    high = rise >= _LEAST_JUMP_HZ
    edges = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]]).astype(np.int8)))
    # the middle of each stretch in which the rise stands
    return np.asarray((edges[::2] + edges[1::2] - 1) // 2 + _JUMP_HOPS, dtype=np.intp)


def _fit(piece: Track) -> tuple[Track, NDArray[np.bool_]]:
    """A parabola through a track, what lies far off left out, and which hops lie near it.

    Sweeps are straight, or bend as a capacitor discharges; a parabola does for both.
    """
    x = np.linspace(-1.0, 1.0, len(piece))
    smooth = median_filter(piece, 5, mode="nearest")
    near = np.ones(len(piece), dtype=bool)
    near[:2] = near[-2:] = False  # the jumps themselves
    fit = smooth
    for limit_hz in (4 * _NEAR_HZ, 2 * _NEAR_HZ, _NEAR_HZ):
        if np.count_nonzero(near) < 8:
            return fit, np.zeros(len(piece), dtype=bool)
        fit = np.polyval(np.polyfit(x[near], smooth[near], 2), x)
        near = np.abs(piece - fit) <= limit_hz
    return fit, near


def _follows(before: _Sweep, after: _Sweep) -> bool:
    """Whether two sweeps are of one run: next to each other, equally long, over the same range."""
    length, next_length = before.stop_hop - before.first_hop, after.stop_hop - after.first_hop
    apart = after.first_hop - before.stop_hop  # up to one sweep may have gone under in noise
    return (
        abs(next_length - length) <= _ALIKE * length + 1
        and apart <= (1 + _ALIKE) * length
        and abs(before.high_hz - after.high_hz) <= _ALIKE_HZ
        and abs(before.low_hz - after.low_hz) <= _ALIKE_HZ
    )
