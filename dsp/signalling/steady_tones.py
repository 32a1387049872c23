"""Single steady tones in a transmission: when each began and ended, and its frequency.

Voice, music with overtones, whistles and keyed digits are none: a steady tone holds one frequency and
leaves little beside it for at least a third of a second.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.passage import BIN_HZ, BINS, RATE_HZ
from dsp.signalling.tone_frames import (
    BLOCK,
    FIRST_BIN,
    HOP_S,
    STOP_BIN,
    Floats,
    Frames,
    cells,
    fine_frequency,
    line_frequency_hz,
    runs,
)

# Limits of our own, from measurements in tests/checks/test_tone_figures.py unless another source is named.
LEAST_SHARE = 0.3  # of the band's power in the line; 1 kHz at 3 dB carrier-to-noise in 11 kHz leaves 0.5
SUNKEN_SHARE = np.float32(0.1)  # of a tone that is known already
LARGEST_STEP_HZ = 10.0  # from one 50 ms to the next
BEGIN_SHARE = 0.4  # of every 50 ms, and of all, with which a tone begins
LARGEST_BESIDE = 0.25  # of the peak, in another one, when a tone begins
LEAST_BLOCKS = 4
LONGEST_BREAK_S = 0.15  # a fade that does not end a tone; the longest dot of Morse at 8 words a minute
SAME_TONE = 0.008
LOWEST_HZ = 290.0  # below lie the continuous tones, of which the filter leaves a remainder
SHORTEST_S = 0.3
LEAST_FILLED = 0.8  # share of the time in which the tone was seen
LEAST_COHERENCE = 0.7  # of half a second in one line; a whistle wavers by more than its resolution
LARGEST_SECOND = 0.02  # of the line's power in the next strongest line of the mean spectrum
LARGEST_OVERTONE = 0.1  # as a limiter makes them


@dataclass(frozen=True, slots=True)
class SteadyTone:
    """One tone, alone, at one frequency.

    Parameters
    ----------
    start_s, stop_s : float
        Counted from the carrier's rise; good to about 5 ms where the tone stands clear of noise.
    frequency_hz : float
    spread_hz : float
        Largest difference between frequencies measured in different seconds; 0 under a second.
    rms : float
        Of the tone alone, in the unit of the audio (Hz of deviation, or depth).
    share : float
        Of the power from 312 to 3000 Hz, 0 to 1.
    coherence : float
        Share of the line's power that is one sine over half a second, about 0 to 1.
    filled : float
        Share of the time from start to stop in which the tone was seen, 0 to 1.
    """

    start_s: float
    stop_s: float
    frequency_hz: float
    spread_hz: float
    rms: float
    share: float
    coherence: float
    filled: float

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return self.stop_s - self.start_s


Fine = tuple[float, float, float, float]  # frequency, mean square over line power, mean square, seconds


class _Growing:
    """A tone that may still go on."""

    def __init__(self, start_s: float, frequency_hz: float) -> None:
        self.start_s = self.stop_s = start_s
        self.frequency_hz = frequency_hz
        self.seen_s = 0.0
        self.spectrum = np.zeros(BINS)
        self.total = 0.0
        self.fine: list[Fine] = []
        self.lowest_hz, self.highest_hz = np.inf, -np.inf

    def add(self, start_s: float, stop_s: float, power: Floats, total: float) -> None:
        self.stop_s = stop_s
        self.seen_s += stop_s - start_s
        self.spectrum += power.sum(axis=0, dtype=np.float64)
        self.total += total

    def measure(self, fine: tuple[float, float], line: float, seconds: float) -> None:
        """Take in one more measured frequency; line is the line's power over the same time."""
        frequency_hz, mean_square = fine
        # Three cells of a sine hold 1.5 times its mean square.
        ratio = min(1.5 * mean_square / max(line, 1e-30), 1.5)
        self.fine.append((frequency_hz, ratio, mean_square, seconds))
        if seconds > 0.25:
            self.lowest_hz, self.highest_hz = (
                min(self.lowest_hz, frequency_hz),
                max(self.highest_hz, frequency_hz),
            )
        if len(self.fine) > 32:  # a tone of minutes: one mean for the oldest
            old = self.fine[:16]
            self.fine[:16] = [(*_means(old), float(np.cbrt(sum(piece[3] ** 3 for piece in old))))]
        self.frequency_hz = _means(self.fine)[0]

    def tone(self) -> SteadyTone | None:
        """What it is by now; None where it is not a steady tone alone."""
        seconds = self.stop_s - self.start_s
        if seconds < SHORTEST_S or not self.fine or self.seen_s < LEAST_FILLED * seconds:
            return None
        frequency_hz, coherence, mean_square = _means(self.fine)
        peak = _bin(frequency_hz)
        line = float(self.spectrum[peak - 1 : peak + 2].sum())
        if (
            frequency_hz < LOWEST_HZ
            or coherence < LEAST_COHERENCE
            or _second_line(self.spectrum, frequency_hz)
        ):
            return None
        return SteadyTone(
            start_s=self.start_s,
            stop_s=self.stop_s,
            frequency_hz=frequency_hz,
            spread_hz=max(self.highest_hz - self.lowest_hz, 0.0),
            rms=float(np.sqrt(mean_square)),
            share=min(line / max(self.total, 1e-30), 1.0),
            coherence=min(coherence, 1.0),
            filled=min(self.seen_s / seconds, 1.0),
        )


def _means(fine: list[Fine]) -> tuple[float, float, float]:
    # The error of a frequency falls with the 3/2 power of the time it was measured over.
    values = np.array(fine)
    weights = values[:, 3] ** 3
    means = weights @ values[:, :3] / weights.sum()
    return float(means[0]), float(means[1]), float(means[2])


def _second_line(spectrum: NDArray[np.float64], frequency_hz: float) -> bool:
    """Is there another line in the mean spectrum, more than an overtone that a limiter makes?"""
    peak = round(frequency_hz / BIN_HZ)
    line = float(spectrum[peak - 1 : peak + 2].sum())
    rest = spectrum[FIRST_BIN:STOP_BIN].copy()
    rest[max(peak - 4 - FIRST_BIN, 0) : max(peak + 5 - FIRST_BIN, 0)] = 0
    for number in (2, 3):
        overtone = round(number * frequency_hz / BIN_HZ)
        if FIRST_BIN < overtone < STOP_BIN - 1:
            around = slice(overtone - 1 - FIRST_BIN, overtone + 2 - FIRST_BIN)
            if rest[around].sum() > LARGEST_OVERTONE * line:
                return True
            rest[max(overtone - 2 - FIRST_BIN, 0) : overtone + 3 - FIRST_BIN] = 0
    at = int(np.argmax(rest))
    # Noise after de-emphasis is smooth: a line stands four times over what lies around it.
    beside = rest[max(at - 6, 0) : at + 7]
    stands = rest[at] > 4 * np.median(beside[beside > 0]) if rest[at] > 0 else False
    return bool(stands and rest[at] > LARGEST_SECOND * line)


class SteadyTones:
    """Steady tones of one transmission.

    `take` gives the tones that ended; `current` is the one that goes on, if any.
    """

    def __init__(self) -> None:
        self._growing: _Growing | None = None

    @property
    def current(self) -> SteadyTone | None:
        """The tone that has not ended yet, as far as it is known."""
        return None if self._growing is None else self._growing.tone()

    def take(self, frames: Frames) -> list[SteadyTone]:
        """Judge the next frames; return the tones that are over."""
        ended: list[SteadyTone | None] = []
        for start, stop, frequency_hz in self._stretches(frames):
            ended.append(self._add(frames, start, stop, frequency_hz))
        growing = self._growing
        if growing is not None and frames.instant_s(frames.stop) - growing.stop_s > LONGEST_BREAK_S + HOP_S:
            ended.append(self._close())
        return [tone for tone in ended if tone is not None]

    def finish(self) -> list[SteadyTone]:
        """The tone that still went on, if any."""
        last = self._close()
        return [] if last is None else [last]

    def _close(self) -> SteadyTone | None:
        growing, self._growing = self._growing, None
        return None if growing is None else growing.tone()

    def _stretches(self, frames: Frames) -> list[tuple[int, int, float]]:
        """Where the mean over 50 ms holds one line that stays: first and last frame, frequency."""
        begin, stop = frames.begin, frames.stop
        blocks = frames.power[begin:stop].reshape(-1, BLOCK, BINS).sum(axis=1)
        total = frames.total[begin:stop].reshape(-1, BLOCK).sum(axis=1)
        if not len(blocks):
            return []
        rows = np.arange(len(blocks))
        peaks = blocks[:, FIRST_BIN:STOP_BIN].argmax(axis=1) + FIRST_BIN
        line = cells(blocks, rows, peaks)
        likely = line > np.float32(BEGIN_SHARE if self._growing is None else LEAST_SHARE) * total
        if self._growing is not None:  # a known line may sink into noise for a while
            known = _bin(self._growing.frequency_hz)
            weak = ~likely & (cells(blocks, rows, np.full_like(peaks, known)) > SUNKEN_SHARE * total)
            peaks = np.where(weak, known, peaks)
            likely |= weak
        near = np.zeros(len(blocks), np.bool_)
        near[1:] = likely[1:] & likely[:-1] & (np.abs(peaks[1:] - peaks[:-1]) <= 1)
        if self._growing is None and not ((near[1:-2] & near[2:-1] & near[3:]).any() or near[-1]):
            return []
        tones_hz = line_frequency_hz(blocks, rows, peaks)
        near[1:] &= np.abs(tones_hz[1:] - tones_hz[:-1]) < LARGEST_STEP_HZ
        found = []
        for a, b in runs(likely) if self._growing is not None else [(0, len(blocks))]:
            # Without a tone to go on with, blocks that follow no like block matter only as the first.
            cuts = [a, *(a + 1 + np.flatnonzero(~near[a + 1 : b])).tolist(), b]
            for c, d in itertools.pairwise(cuts):
                if d - c < LEAST_BLOCKS and self._growing is None and (d < len(blocks) or d - c < 2):
                    continue
                tone_hz = float(tones_hz[(c + d) // 2])
                if self._continues(tone_hz) or (
                    (d - c >= LEAST_BLOCKS or (d == len(blocks) and d - c > 1))
                    and line[c:d].sum() > BEGIN_SHARE * total[c:d].sum()
                    and _alone(blocks[c:d].sum(axis=0), int(peaks[c]))
                ):
                    found.append((begin + BLOCK * c, begin + BLOCK * d, tone_hz))
        return found

    def _continues(self, tone_hz: float) -> bool:
        growing = self._growing
        return growing is not None and abs(tone_hz - growing.frequency_hz) < max(
            SAME_TONE * growing.frequency_hz, LARGEST_STEP_HZ
        )

    def _add(self, frames: Frames, start: int, stop: int, tone_hz: float) -> SteadyTone | None:
        """Let a stretch go on with the growing tone, or close that and begin another."""
        peak = _bin(tone_hz)
        start_s, stop_s = _edges(frames, start, stop, peak)
        ended = None
        growing = self._growing
        if growing is not None and (
            not self._continues(tone_hz) or start_s - growing.stop_s > LONGEST_BREAK_S
        ):
            ended = self._close()
            growing = None
        if growing is None:
            growing = self._growing = _Growing(start_s, tone_hz)
        start_s = max(start_s, growing.stop_s)
        if stop_s <= start_s:
            return ended
        power, total = frames.power[start:stop], float(frames.total[start:stop].sum())
        growing.add(start_s, stop_s, power, total)
        if stop_s - growing.start_s < SHORTEST_S:
            return ended  # as most voice does it: not worth a closer look yet
        inside = frames.span(start_s + 0.01, stop_s - 0.01)
        fine = fine_frequency(inside, tone_hz, LARGEST_STEP_HZ)
        if fine is not None:
            last = max(start, stop - round(len(inside) / RATE_HZ / HOP_S))
            line = float(np.mean(cells(frames.power, slice(last, stop), peak)))
            growing.measure(fine, line, len(inside) / RATE_HZ)
        return ended


def _edges(frames: Frames, start: int, stop: int, peak: int) -> tuple[float, float]:
    """When a line rose before frame `start` and fell after `stop`: where its amplitude is half.

    A window whose middle stands on the edge of a tone holds half of its amplitude.
    """
    first, last = max(start - 8, 0), min(stop + 8, len(frames.total))
    amplitude = np.sqrt(cells(frames.power, slice(first, last), peak))
    half = 0.5 * float(amplitude[start - first : stop - first].mean())
    below = np.flatnonzero(amplitude < half) + first
    middle = (start + stop) // 2
    before, after = below[below < middle], below[below >= middle]
    # An edge that is not near belongs to the judging of the neighbouring frames.
    rose = _crossing(amplitude, first, int(before[-1]), half) if len(before) else float(start)
    fell = _crossing(amplitude, first, int(after[0]) - 1, half) if len(after) else float(stop)
    # A frame before the first to judge was judged already, unless the edge lies there.
    return frames.instant_s(max(rose, start - 6)), frames.instant_s(min(fell, stop + 6))


def _crossing(amplitude: Floats, first: int, column: int, half: float) -> float:
    """Between this frame and the next, where the amplitude passes `half`."""
    a, b = float(amplitude[column - first]), float(amplitude[column + 1 - first])
    return column + min(max((half - a) / (b - a), 0.0), 1.0) if a != b else column + 0.5


def _alone(power: Floats, peak: int) -> bool:
    """Is there no other peak near the height of this one? Most voice ends here."""
    highest = LARGEST_BESIDE * power[peak]
    left, right = power[FIRST_BIN : max(peak - 3, FIRST_BIN)], power[peak + 4 : STOP_BIN]
    return bool(left.max(initial=0) <= highest and right.max(initial=0) <= highest)


def _bin(frequency_hz: float) -> int:
    return min(max(round(frequency_hz / BIN_HZ), FIRST_BIN), STOP_BIN - 1)
