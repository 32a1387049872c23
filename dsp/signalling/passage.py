"""The audio of a transmission as the audible decoders take it: a second at a time, spectra included.

Tones, pulses, data and voice are all told apart on the same short-time spectra, so they are computed once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from dsp.blocks import RealSamples
from dsp.overlapping import overlapping

RATE_HZ = 16_000
HOP_SAMPLES = 160  # a spectrum every 10 ms
WINDOW_SAMPLES = 512  # of 32 ms: bins of 31.25 Hz
BIN_HZ = RATE_HZ / WINDOW_SAMPLES
BINS = 105  # 0 to 3250 Hz: what the voice filter lets through
HOPS = 100  # in a whole passage

_WINDOW = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(WINDOW_SAMPLES) + 0.5) / WINDOW_SAMPLES)).astype(
    np.float32
)
_POWER_SCALE = np.float32(2 / _WINDOW.sum(dtype=np.float64) ** 2)


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Consecutive audio of one transmission with its short-time spectra.

    Parameters
    ----------
    audio : ndarray of float32, shape (n,)
        At 16 kHz after de-emphasis (unity gain at 1 kHz) and the 300 to 3000 Hz band-pass, not levelled:
        Hz of deviation in FM, modulation depth in AM. n is a multiple of 160: 16 000, less at the end.
    first_sample : int
        Samples of this transmission that were handed out before. Sample 0 stands where the carrier came up.
    spectra : ndarray of float32, shape (n / 160, 105)
        Power in bins of 31.25 Hz from 0 Hz on; row k is of the 512 samples that end with
        `audio[160 * (k + 1) - 1]`, under a Hann window, what came before the first sample being silence.
        A sine reads its mean square in its bin (1.42 dB less midway between two), white noise of variance v
        reads 0.0059 v.
    """

    audio: RealSamples
    first_sample: int
    spectra: NDArray[np.float32]


class PassageCutter:
    """Cut the audio of one transmission into passages of one second.

    `push` and `finish` give every sample exactly once, in order; `finish` fills the last hop with zeros.
    """

    def __init__(self) -> None:
        self._before = np.zeros(WINDOW_SAMPLES - HOP_SAMPLES, np.float32)
        self._held: list[RealSamples] = []
        self._held_samples = 0
        self._first_sample = 0

    def push(self, audio: RealSamples) -> list[Passage]:
        """Take the next samples, shape (m,), any m; return the passages they complete."""
        self._held.append(audio)
        self._held_samples += len(audio)
        whole = HOPS * HOP_SAMPLES
        if self._held_samples < whole:
            return []
        waiting = np.concatenate(self._held)
        count = len(waiting) // whole
        rest = waiting[count * whole :].copy()
        self._held, self._held_samples = [rest], len(rest)
        return [self._passage(waiting[n * whole : (n + 1) * whole]) for n in range(count)]

    def finish(self) -> list[Passage]:
        """What is left, as one shorter passage; nothing where nothing is left."""
        if not self._held_samples:
            return []
        left = np.concatenate(self._held)
        self._held, self._held_samples = [], 0
        return [self._passage(np.pad(left, (0, -len(left) % HOP_SAMPLES)))]

    def _passage(self, audio: RealSamples) -> Passage:
        joined = np.concatenate([self._before, audio])
        self._before = joined[len(audio) :].copy()
        windows = overlapping(joined, WINDOW_SAMPLES, HOP_SAMPLES) * _WINDOW
        lines = scipy.fft.rfft(windows, axis=1)[:, :BINS]
        power = np.square(lines.real)
        power += np.square(lines.imag)
        power *= _POWER_SCALE
        passage = Passage(audio, self._first_sample, power)
        self._first_sample += len(audio)
        return passage
