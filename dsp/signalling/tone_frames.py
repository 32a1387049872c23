"""The frames that the tone decoders look at: passages joined at their seams, with what came shortly before.

Digits, alert tones and paging tones ask the same first question of a spectrum (is nearly everything in one
line or two?), so one `FrameJoiner` a transmission serves them all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import RealSamples
from dsp.signalling.passage import BIN_HZ, BINS, HOP_SAMPLES, RATE_HZ, WINDOW_SAMPLES, Passage, PassageCutter

FIRST_BIN, STOP_BIN = 10, 97  # 312 to 3000 Hz: above a continuous tone's remains, below the filter's edge
MARGIN = 10  # frames seen before and after those that are judged
BLOCK = 5  # frames of one short average: 50 ms
HOP_S = HOP_SAMPLES / RATE_HZ
_KEPT_SAMPLES = RATE_HZ // 2
_LARGEST, _LOUDEST = np.float32(1e24), np.float32(1e12)  # a power and an amplitude that no audio reaches
_IN_BAND = np.zeros(BINS, np.float32)
_IN_BAND[FIRST_BIN:STOP_BIN] = 1

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """A stretch of spectra in which frames `begin` to `stop` are to be judged now, the rest being context.

    Parameters
    ----------
    power : ndarray of float32, shape (m, 105)
        As in `Passage.spectra`; a frame that held something that is no number is all zeros.
    total : ndarray of float32, shape (m,)
        Power summed from 312 to 3000 Hz: 1.5 times a sine's mean square.
    first_frame : int
        Count of `power[0]` since the carrier came up; negative for the silence before it.
    begin, stop : int
        Multiples of 5 apart; every frame of a transmission is judged once, in order.
    before, audio : ndarray of float32
        The passage's samples and up to half a second before them.
    first_sample : int
        Count of `before[0]`.
    """

    power: Floats
    total: Floats
    first_frame: int
    begin: int
    stop: int
    before: RealSamples
    audio: RealSamples
    first_sample: int

    def instant_s(self, column: float) -> float:
        """When the middle of a frame's window stood, in seconds; between frames, and between instants."""
        return ((self.first_frame + column + 1) * HOP_SAMPLES - WINDOW_SAMPLES / 2) / RATE_HZ

    def column_at(self, instant_s: float) -> float:
        """Where an instant lies among the frames: the inverse of `instant_s`."""
        return (instant_s * RATE_HZ + WINDOW_SAMPLES / 2) / HOP_SAMPLES - 1 - self.first_frame

    def span(self, start_s: float, stop_s: float, longest_s: float = 0.5) -> RealSamples:
        """The samples from one instant to another as far as they are kept; of a long span the last part.

        What is no number, or too large for audio, is zero.
        """
        seam = len(self.before)
        stop = min(round(stop_s * RATE_HZ) - self.first_sample, seam + len(self.audio))
        start = max(round(start_s * RATE_HZ) - self.first_sample, stop - round(longest_s * RATE_HZ), 0)
        if start >= stop:
            return self.audio[:0]
        parts = self.before[start:stop], self.audio[max(start - seam, 0) : max(stop - seam, 0)]
        joined = np.concatenate(parts)
        return np.where(np.abs(joined) < _LOUDEST, joined, np.float32(0))


class FrameJoiner:
    """Passages of one transmission into frames to judge.

    Judging lags the audio by 100 to 140 ms; `finish` gives the rest. It keeps 24 frames and half a second of
    audio.
    """

    def __init__(self) -> None:
        self._power = np.zeros((2 * MARGIN, BINS), np.float32)
        self._total = np.zeros(2 * MARGIN, np.float32)
        self._audio: RealSamples = np.zeros(0, np.float32)
        self._next_sample = 0
        self._first_frame = -2 * MARGIN

    def push(self, passage: Passage) -> Frames:
        """The frames that can be judged now that this passage is here."""
        return self._join(passage.spectra, passage.audio)

    def finish(self) -> Frames:
        """The frames not yet judged, silence after them."""
        count = MARGIN + -len(self._power) % BLOCK
        # Three hops of the past, so that the windows that reach over the end hold what they should.
        past = np.zeros(3 * HOP_SAMPLES, np.float32)
        tail = self._audio[-len(past) :]
        past[len(past) - len(tail) :] = tail
        cutter = PassageCutter()
        past = np.where(np.abs(past) < _LOUDEST, past, np.float32(0))
        cutter.push(np.concatenate([past, np.zeros(count * HOP_SAMPLES, np.float32)]))
        return self._join(cutter.finish()[0].spectra[3:], np.zeros(0, np.float32))

    def _join(self, spectra: Floats, audio: RealSamples) -> Frames:
        # Comparisons with what is no number are false.
        if not (spectra.max(initial=0) < _LARGEST and spectra.min(initial=0) >= 0):
            sound = ((spectra < _LARGEST) & (spectra >= 0)).all(axis=1, keepdims=True)
            spectra = np.where(sound, spectra, np.float32(0))
        power = np.concatenate([self._power, spectra])
        total = np.concatenate([self._total, spectra @ _IN_BAND])
        before, first_sample = self._audio, self._next_sample - len(self._audio)
        stop = MARGIN + (len(power) - 2 * MARGIN) // BLOCK * BLOCK
        first_frame = self._first_frame
        self._first_frame += stop - MARGIN
        self._next_sample += len(audio)
        self._power, self._total = power[stop - MARGIN :].copy(), total[stop - MARGIN :].copy()
        lacking = max(_KEPT_SAMPLES - len(audio), 0)
        kept = audio[-_KEPT_SAMPLES:]
        self._audio = (
            np.concatenate([before[max(len(before) - lacking, 0) :], kept]) if lacking else kept.copy()
        )
        return Frames(power, total, first_frame, MARGIN, stop, before, audio, first_sample)


def line_frequency_hz(power: Floats, rows: NDArray[np.intp], peaks: NDArray[np.intp]) -> Floats:
    """Frequency of the line whose strongest bin is `peaks`, in each of the rows.

    For the Hann taper the ratio a of the neighbour's amplitude to the peak's puts the line
    (2a - 1) / (a + 1) bins towards that neighbour (Grandke, IEEE Trans. Instrum. Meas. 32, 1983).
    """
    peak = power[rows, peaks]
    below, above = power[rows, peaks - 1], power[rows, peaks + 1]
    side = np.where(above > below, np.float32(1), np.float32(-1))
    ratio = np.sqrt(np.maximum(above, below) / np.maximum(peak, np.float32(1e-30)))
    return np.asarray((peaks + side * (2 * ratio - 1) / (ratio + 1)) * np.float32(BIN_HZ), np.float32)


def cells(power: Floats, rows: NDArray[np.intp] | slice, peaks: NDArray[np.intp] | int) -> Floats:
    """Power in three neighbouring bins: 98 % or more of a line's, whether it stands on a bin or between."""
    return np.asarray(power[rows, peaks - 1] + power[rows, peaks] + power[rows, peaks + 1])


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open spans in which a mask is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def fine_frequency(audio: RealSamples, near_hz: float, reach_hz: float) -> tuple[float, float] | None:
    """Frequency and mean square of the strongest line near a frequency; None where there is too little audio.

    The Fourier integral under a Hann taper on a grid a quarter of its resolution apart, then the vertex of a
    parabola through the logarithms of the three largest. Standard error in white noise: at most 1.76 times
    the bound sqrt(12 / (snr n)) / (2 pi seconds) of a real sine (Kay, Estimation Theory, 1993, 3.11; the
    factor, of the taper, from memory).
    """
    count = len(audio)
    if count < RATE_HZ // 50:
        return None
    taper = np.hanning(count + 2)[1:-1]
    tapered = audio * taper
    step_hz = RATE_HZ / count / 4
    grid_hz = near_hz + step_hz * np.arange(-round(reach_hz / step_hz) - 1, round(reach_hz / step_hz) + 2)
    # exp(j w n) by blocks: a coarse and a fine table instead of one exponential a sample and frequency.
    turns = 2j * np.pi * grid_hz / RATE_HZ
    short = 64
    padded = np.pad(tapered, (0, -count % short)).reshape(-1, short)
    inner = padded @ np.exp(-np.outer(np.arange(short), turns))
    power = np.abs((inner * np.exp(-np.outer(np.arange(len(padded)) * short, turns))).sum(axis=0)) ** 2
    best = int(np.argmax(power[1:-1])) + 1
    if not power[best] > 0:
        return None
    left, middle, right = np.log(np.maximum(power[best - 1 : best + 2], 1e-300))
    bend = left - 2 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    mean_square = 2 * power[best] / taper.sum() ** 2
    return float(grid_hz[best] + np.clip(shift, -1, 1) * step_hz), float(mean_square)
