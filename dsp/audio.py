"""From demodulated channels to voice: de-emphasis, band-pass and the audio rate in one linear-phase filter.

Takes what `dsp.demodulate` yields at the channel rate and gives audio in the same unit (Hz of deviation, or
modulation depth) at the audio rate. It sets no loudness: `dsp.levelling` does, when a clip is complete.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from math import ceil, floor

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz

from dsp.blocks import RealSamples
from dsp.demodulate import FM_DELAY_SAMPLES

Rows = NDArray[np.intp]

AUDIO_RATE_HZ = 16_000
#: Land-mobile FM. Common practice, no source: TIA-603 only asks for 6 dB an octave from 300 to 3000 Hz.
DE_EMPHASIS_S = 750e-6
REFERENCE_HZ = 1000.0  # de-emphasis has unity gain here
PASS_BAND_HZ = (300.0, 3000.0)
HIGHEST_TONE_HZ = 254.1  # of the 50 CTCSS tones, TIA-603 1.3.5.2 (secondary)
LOWEST_CHANNEL_RATE_HZ = 10_000

_SPAN_S = 0.041  # length of the filter: 46 Hz from the last tone to the pass band need so much
_STOP_ABOVE_HZ = 3120.0  # close to the voice: de-emphasized FM noise is flat, so every Hz kept costs SINAD
_GUARD_SAMPLES = 8  # beyond the taps, where a tap between samples rings on (under 1e-5)
_ROWS_TOGETHER = 32  # FFTs done at once: enough for SIMD, few enough for the cache
_LONGEST_PIECE = 4096
_LARGEST_EXACT = 512  # ratios of the rates up to this denominator are met exactly


def de_emphasis_gain(audio_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain of the 750 us de-emphasis, 1 at 1 kHz; falls by 6 dB an octave far above 212 Hz."""
    turn = 2 * np.pi * DE_EMPHASIS_S
    gain: NDArray[np.float64] = np.sqrt((1 + (turn * REFERENCE_HZ) ** 2) / (1 + (turn * audio_hz) ** 2))
    return gain


def voice_taps(channel_rate_hz: Fraction, mode: str) -> NDArray[np.float64]:
    """Taps of the voice filter at the channel rate, symmetric.

    Parameters
    ----------
    channel_rate_hz : Fraction
        10 000 or more.
    mode : {"nfm", "fm", "am"}
        FM: de-emphasis, band-pass and the inverse of the discriminator's sin(x)/x; an even number of taps.
        AM: band-pass only; an odd number.

    Returns
    -------
    ndarray of float64, shape (taps,)
        About 0.041 s long.

    Raises
    ------
    ValueError
        The mode is none of the three, or the rate is too low.

    Notes
    -----
    Weighted least squares on a dense frequency grid, the weights of the lower edge raised four times where
    the error stood out; the tolerances below are what the error is measured in. The normal equations of such
    a fit are Toeplitz, hence a few milliseconds.
    """
    rate_hz = float(channel_rate_hz)
    if rate_hz < LOWEST_CHANNEL_RATE_HZ:
        raise ValueError(f"channel_rate_hz is {rate_hz:g}; it must be {LOWEST_CHANNEL_RATE_HZ} or more")
    if mode not in {"nfm", "fm", "am"}:
        raise ValueError(f'mode is "{mode}"; it must be "nfm", "fm" or "am"')
    length = 2 ** ceil(np.log2(rate_hz / 2))  # grid step at most 2 Hz
    bins = np.arange(length // 2 + 1)
    f = bins * rate_hz / length
    wanted = ((f > 275) & (f < 3060)).astype(np.float64)
    count = 2 * round(rate_hz * _SPAN_S / 2)
    if mode == "am":
        count += 1
    else:
        wanted *= de_emphasis_gain(f) / np.sinc(f / rate_hz)

    tones, edge = f <= HIGHEST_TONE_HZ + 1, (f >= PASS_BAND_HZ[0] - 1) & (f < 400)
    tolerance = np.full_like(f, 3.0)  # of no concern, but for an excess
    tolerance[tones] = 0.005  # -46 dB against 1 kHz
    tolerance[f <= 20] = 0.0005  # a carrier off its frequency is 0 Hz here, and may be kilohertz high
    tolerance[edge] = 0.12 * wanted[edge]  # 1 dB on top of the 1.6 dB of 750 us against the 6 dB line
    tolerance[(f >= 400) & (f <= PASS_BAND_HZ[1] + 5)] = 0.02
    tolerance[f >= _STOP_ABOVE_HZ] = 1e-4
    tolerance[f >= 0.75 * rate_hz / 2] = 1e-5  # what is left up here rings when taps lie between samples

    centred = np.exp(-1j * np.pi * (count - 1) * bins / length)
    weight = tolerance**-2.0
    reweighted = tones | edge
    for _ in range(5):
        taps = solve_toeplitz(
            scipy.fft.irfft(weight, length)[:count],
            scipy.fft.irfft(weight * wanted * centred, length)[:count],
        )
        error = np.abs((scipy.fft.rfft(taps, length) * centred.conj()).real - wanted) / tolerance
        excess = error[reweighted] / error[reweighted].max()
        weight[reweighted] *= np.maximum(excess, 0.05) * 3
    symmetric: NDArray[np.float64] = (taps + taps[::-1]) / 2
    return symmetric


class VoiceFilter:
    """Streams of many channels of one rate and mode into audio, rows chosen at each push.

    Audio frames lie on the grid of the stream: frame k shows the instant of channel sample
    k * channel_rate / audio_rate - delay_samples, whatever was pushed before. So rows opened at different
    times stay in step, and the number of frames follows from the position alone.

    Parameters
    ----------
    channel_rate_hz : Fraction
        10 000 or more.
    mode : {"nfm", "fm", "am"}
    rows : int
        How many channels have a place here.
    audio_rate_hz : int

    Raises
    ------
    ValueError
        The mode is unknown, or a rate or `rows` is out of range.

    Notes
    -----
    `delay_samples` (channel rate) is the filter's group delay, with the half sample of the discriminator for
    FM. Each push is one batched forward FFT of history and block, the weights, and one inverse FFT whose
    length sets the audio rate. A ratio of the rates whose denominator passes 512 is met only nearly: frames
    of one push are then off their instant by at most 1e-5 of half the push's length (55 dB under the audio),
    and this does not add up. `reset()` forgets a row.

    Examples
    --------
    >>> import numpy as np
    >>> voice = VoiceFilter(Fraction(16000), "nfm", rows=1)
    >>> tone_hz = 1500 * np.sin(2 * np.pi * 1000 * np.arange(8000) / 16000)
    >>> audio = voice.push(tone_hz[None].astype(np.float32), np.array([0]), first_channel_sample=0)
    >>> round(float(np.abs(audio[0, 2000:]).max()), -2)
    1500.0
    """

    def __init__(
        self, channel_rate_hz: Fraction, mode: str, rows: int, audio_rate_hz: int = AUDIO_RATE_HZ
    ) -> None:
        if rows < 1:
            raise ValueError(f"rows is {rows}; it must be at least 1")
        if audio_rate_hz < 8000:
            raise ValueError(f"audio_rate_hz is {audio_rate_hz}; it must be 8000 or more")
        self._taps = voice_taps(channel_rate_hz, mode)
        span = Fraction(len(self._taps) - 1, 2) + (0 if mode == "am" else FM_DELAY_SAMPLES)
        self.delay_samples = int(span)
        self.channel_rate_hz = Fraction(channel_rate_hz)
        self.audio_rate_hz = audio_rate_hz
        self._ratio = audio_rate_hz / self.channel_rate_hz
        if self._ratio == 1:
            self._guard, self._kept = 0, len(self._taps) - 1
        else:
            self._guard, self._kept = _GUARD_SAMPLES, len(self._taps) + 2 * _GUARD_SAMPLES
        self._history = np.zeros((rows, self._kept), np.float32)
        self._fresh = np.ones(rows, np.bool_)
        self._expected = np.zeros(rows, np.int64)
        self._lengths = lru_cache(maxsize=64)(self._choose_lengths)
        self._weights = lru_cache(maxsize=64)(self._weights_on_grid)  # shifts recur; each takes 10 kB

    def reset(self, rows: Rows | None = None) -> None:
        """Forget the history of the given rows, or of all."""
        chosen = slice(None) if rows is None else rows
        self._history[chosen] = 0.0
        self._fresh[chosen] = True

    def frames_before(self, channel_sample: int) -> int:
        """First frame not yet given when everything before `channel_sample` has been pushed."""
        return (channel_sample - 1 - self._guard) * self._ratio.numerator // self._ratio.denominator + 1

    def frame_at(self, channel_sample: Fraction | int) -> int:
        """First frame whose instant is not before that of `channel_sample`."""
        return ceil((channel_sample + self.delay_samples) * self._ratio)

    def instant_of(self, frame: int) -> Fraction:
        """Where audio frame `frame` stands, in channel samples."""
        return frame / self._ratio - self.delay_samples

    def push(self, block: RealSamples, rows: Rows, first_channel_sample: int) -> RealSamples:
        """Audio of the given rows, as far as these samples allow it.

        Parameters
        ----------
        block : ndarray of float32, shape (n, m)
            Discriminator output in Hz, or modulation depth, at the channel rate.
        rows : ndarray of intp, shape (n,)
            The places of the n channels, each at most once.
        first_channel_sample : int
            Count of `block[:, 0]` since the start of the stream, at the channel rate.

        Returns
        -------
        ndarray of float32, shape (n, frames)
            Frames `frames_before(first)` to `frames_before(first + m)`, in the unit of `block`. A fresh row's
            frames before `frame_at(first)` stand before its first sample and hold only the filter's onset.

        Raises
        ------
        ValueError
            The shapes do not fit, or a row that is not fresh expects another sample.
        """
        if block.ndim != 2 or rows.shape != block.shape[:1]:
            raise ValueError(
                f"block has shape {block.shape} and rows {rows.shape}; they must be (n, m) and (n,)"
            )
        astray = ~self._fresh[rows] & (self._expected[rows] != first_channel_sample)
        if astray.any():
            row = int(rows[astray][0])
            raise ValueError(
                f"first_channel_sample is {first_channel_sample}; row {row} must go on at "
                f"{self._expected[row]} or be reset"
            )
        m = block.shape[1]
        begin = self.frames_before(first_channel_sample)
        audio = np.empty((len(rows), self.frames_before(first_channel_sample + m) - begin), np.float32)
        for column in range(0, m, _LONGEST_PIECE):
            piece = block[:, column : column + _LONGEST_PIECE]
            at = first_channel_sample + column
            frames = slice(self.frames_before(at) - begin, self.frames_before(at + piece.shape[1]) - begin)
            for row in range(0, len(rows), _ROWS_TOGETHER):
                group = slice(row, row + _ROWS_TOGETHER)
                self._filter(piece[group], rows[group], at, audio[group, frames])
        self._fresh[rows] = False
        self._expected[rows] = first_channel_sample + m
        return audio

    def finish(self, rows: Rows, stop_channel_sample: int) -> RealSamples:
        """The frames still due to the given rows when no more samples come; resets the rows.

        Returns
        -------
        ndarray of float32, shape (n, frames)
            Frames `frames_before(stop)` to `frame_at(stop)`: the last instants before `stop_channel_sample`.
        """
        silence = np.zeros((len(rows), self.delay_samples + self._guard + 1), np.float32)
        audio = self.push(silence, rows, stop_channel_sample)
        self.reset(rows)
        return audio[:, : self.frame_at(stop_channel_sample) - self.frames_before(stop_channel_sample)]

    def _filter(self, block: RealSamples, rows: Rows, first: int, out: RealSamples) -> None:
        """Filter and resample one piece; `first` is the channel-rate count of its first sample."""
        m, frames = block.shape[1], out.shape[1]
        length, audio_length = self._lengths(m)
        joined = np.empty((len(rows), length), np.float32)
        joined[:, : self._kept] = self._history[rows]
        joined[:, self._kept : self._kept + m] = block
        joined[:, self._kept + m :] = 0.0
        self._history[rows] = joined[:, m : m + self._kept]
        if frames == 0:
            return
        begin, shift = self._kept, Fraction(0)
        if self._ratio != 1:
            # Where the first frame stands in `joined`, as a whole step of the audio grid and a shift; the
            # middle frame's shift is taken, so that an inexact ratio errs both ways.
            step = Fraction(length, audio_length)
            frame, origin, middle = self.frames_before(first), first - self._kept, frames // 2
            begin = floor((frame / self._ratio - origin) / step)
            shift = (frame + middle) / self._ratio - origin - (begin + middle) * step
        weights = self._weights(length, audio_length, shift)
        spectrum = scipy.fft.rfft(joined, axis=-1)[:, : len(weights)]
        np.multiply(spectrum, weights, out=spectrum)
        out[...] = scipy.fft.irfft(spectrum, audio_length, axis=-1)[:, begin : begin + frames]

    def _weights_on_grid(self, length: int, audio_length: int, shift: Fraction) -> NDArray[np.complex64]:
        """The filter, `shift` samples early, on the bins both FFT lengths have, scaled for their ratio."""
        response = scipy.fft.rfft(self._taps, length)[: min(length, audio_length) // 2 + 1]
        turn = np.exp(2j * np.pi * float(shift) / length * np.arange(len(response)))
        weights: NDArray[np.complex64] = (response * turn * (audio_length / length)).astype(np.complex64)
        return weights

    def _choose_lengths(self, m: int) -> tuple[int, int]:
        """Forward and inverse FFT length for `m` samples: quick ones whose ratio is that of the rates."""
        least = self._kept + m
        p, q = self._ratio.numerator, self._ratio.denominator
        if q <= _LARGEST_EXACT:
            # multiples by quick factors, from the first that holds the piece to a quarter more
            factors = [scipy.fft.next_fast_len(-(-least // q), real=True)]
            while (factor := scipy.fft.next_fast_len(factors[-1] + 1, real=True)) * q <= least * 5 // 4:
                factors.append(factor)
            return min(((q * n, p * n) for n in factors), key=lambda pair: _fft_cost(*pair))
        ratio = p / q
        pairs = [(length, round(length * ratio)) for length in range(least, least * 4 // 3 + _LARGEST_EXACT)]

        def cost(pair: tuple[int, int]) -> float:
            off = abs(pair[1] / (pair[0] * ratio) - 1)
            return _fft_cost(*pair) * (1 + off / 1e-5 if off <= 1e-5 else 1e9 * off)

        return min(pairs, key=cost)


def _fft_cost(*lengths: int) -> float:
    """Relative time of real FFTs: small factors are quick, large primes are not."""
    cost = 0.0
    for length in lengths:
        if scipy.fft.next_fast_len(length, real=True) == length:
            cost += length
        else:
            cost += length * (1.5 if scipy.fft.next_fast_len(length) == length else 4.0)
    return cost
