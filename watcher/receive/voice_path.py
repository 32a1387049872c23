"""Open channels of one rate and one kind of modulation, demodulated together.

Rows are the channels of one rate group; only the open ones are pushed, all in one call, because the
filters are much cheaper side by side than one after the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from dsp.audio import VoiceFilter
from dsp.blocks import ComplexSamples, RealSamples
from dsp.demodulate import AmDetector, instantaneous_frequency
from dsp.signalling.tone_lowband import LowBand

AUDIO_RATE_HZ = 16_000
# What full scale of the 16-bit audio means while a clip grows; its loudness is settled when it is finished.
# Three times the widest rated deviation, or the carrier three times over: noise and overdriven speech fit.
FULL_SCALE_HZ = 15_000.0
FULL_SCALE_DEPTH = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class VoiceBatch:
    """What one push gave, row by row in the order of the rows pushed.

    Parameters
    ----------
    audio : ndarray of int16, shape (rows, k)
        Deviation after de-emphasis (FM) or modulation depth (AM) at 16 kHz, on the fixed scale above.
    low_band : list of ndarray of float32, or None
        The sub-audible part, Hz, at `VoicePath.low_band_rate_hz`; None for AM.
    """

    audio: NDArray[np.int16]
    low_band: list[RealSamples] | None


class VoicePath:
    """Demodulator, audio filter and low band of the channels that share a rate and a modulation.

    Parameters
    ----------
    channel_rate_hz : Fraction
    rows : int
        Channels that have a place here.
    is_am : bool
    """

    def __init__(self, channel_rate_hz: Fraction, rows: int, *, is_am: bool) -> None:
        self._rate_hz = channel_rate_hz
        self._am = AmDetector(channel_rate_hz, rows) if is_am else None
        self._low_band = None if is_am else LowBand(float(channel_rate_hz), rows)
        self._voice = VoiceFilter(channel_rate_hz, "am" if is_am else "fm", rows, AUDIO_RATE_HZ)
        self._scale = np.float32(32767 / (FULL_SCALE_DEPTH if is_am else FULL_SCALE_HZ))
        self._previous = np.zeros(rows, dtype=np.complex64)

    def frame_at(self, channel_sample: int) -> int:
        """Audio frame, counted from the start of the run, that shows the instant of a channel sample."""
        return self._voice.frame_at(channel_sample)

    def instant_of(self, frame: int) -> Fraction:
        """The channel sample whose instant an audio frame shows."""
        return self._voice.instant_of(frame)

    def frames_before(self, channel_sample: int) -> int:
        """Audio frames that are out once everything before `channel_sample` has been pushed."""
        return self._voice.frames_before(channel_sample)

    @property
    def low_band_rate_hz(self) -> float:
        """Rate of the sub-audible samples; 0 for AM."""
        return self._low_band.rate_hz if self._low_band is not None else 0.0

    @property
    def low_band_delay_s(self) -> float:
        """How long after a row's first sample the first sub-audible sample stands."""
        return self._low_band.delay_samples / float(self._rate_hz) if self._low_band is not None else 0.0

    def start(self, row: int, before: np.complex64) -> None:
        """Forget a row; `before` is the sample just ahead of the first one to come, 0 if there is none."""
        rows = np.array([row], dtype=np.intp)
        self._voice.reset(rows)
        if self._low_band is not None:
            self._low_band.reset(rows)
        if self._am is not None:
            self._am.reset(rows)
        self._previous[row] = before

    def push(self, samples: ComplexSamples, rows: NDArray[np.intp], first: int) -> VoiceBatch:
        """Demodulate the next samples of some rows, shape (rows, m); `first` counts from the run's start."""
        if self._am is not None:
            return VoiceBatch(self._audio(self._am.push(samples, rows), rows, first), None)
        pair_power = np.empty(samples.shape, dtype=np.float32)  # by which the low band weighs its samples
        frequency_hz = instantaneous_frequency(
            samples, self._previous[rows], self._rate_hz, pair_power=pair_power
        )
        low_band = None
        if self._low_band is not None:
            low_band = self._low_band.push(frequency_hz, rows, pair_power)
        if samples.shape[1]:
            self._previous[rows] = samples[:, -1]
        return VoiceBatch(self._audio(frequency_hz, rows, first), low_band)

    def flush(self, row: int, stop: int) -> NDArray[np.int16]:
        """The audio still inside the filter of one row, as if silence followed sample `stop`; shape (k,)."""
        flushed = self._as_int16(self._voice.finish(np.array([row], dtype=np.intp), stop))
        only: NDArray[np.int16] = flushed[0]
        return only

    def _audio(self, demodulated: RealSamples, rows: NDArray[np.intp], first: int) -> NDArray[np.int16]:
        return self._as_int16(self._voice.push(demodulated, rows, first))

    def _as_int16(self, audio: RealSamples) -> NDArray[np.int16]:
        np.multiply(audio, self._scale, out=audio)
        np.clip(audio, -32767, 32767, out=audio)
        np.rint(audio, out=audio)
        whole: NDArray[np.int16] = audio.astype(np.int16)
        return whole
