"""A low band as the lines of a word that repeats: what a digital code leaves at each multiple of 5.84 Hz.

A word of 23 bits sent again and again has lines at the multiples of the word rate and nowhere else. This room
measures them in short frames, and knows where each of the listed words has its own. It decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.golay import BIT_RATE_HZ, CODES, WORD_BITS, code_word, partner, sent_bits

Real = NDArray[np.float32]
Complex = NDArray[np.complex64]

WORD_RATE_HZ = BIT_RATE_HZ / WORD_BITS
WORD_S = 1.0 / WORD_RATE_HZ

# The first line drowns in drift and in what a transmitter's coupling takes; the 23rd is the null of the
# bits' own shape; what lies above carries less of a code than of voices.
FIRST_LINE, LAST_LINE = 2, 22
LINES = np.arange(FIRST_LINE, LAST_LINE + 1)
LINES_HZ = LINES * WORD_RATE_HZ
# Transmitters soften the bits below the speech (common practice, no source): a Gaussian in the middle of
# what Bessel and Butterworth filters from 120 to 300 Hz do to these lines.
CORNER_HZ = 180.0

# A frame is a mean over one word (zero at every other line) smoothed over half a word, which brings down
# what a voice has beside the lines. Frames follow each other by under half a word.
SMOOTHED_WORDS = 0.5
HOP_WORDS = 0.45
ENOUGH_SAMPLES = 800  # for the median and the spread of a low band
OUTLIER_SPREADS = 6.0  # of the median absolute deviation: discriminator spins are larger, codes never


def word_lines(bits: NDArray[np.float64]) -> Complex:
    """Fourier coefficients of words of ±1 with a swing of 1, shape (..., 23) to (..., 21)."""
    coefficients = np.fft.fft(bits, axis=-1)[..., LINES % WORD_BITS] / WORD_BITS
    pulse = np.sinc(LINES / WORD_BITS) * np.exp(-1j * np.pi * LINES / WORD_BITS)
    lines = coefficients * pulse * np.exp(-0.5 * np.log(2.0) * (LINES_HZ / CORNER_HZ) ** 2)
    return np.asarray(lines, dtype=np.complex64)


def signs(code: str) -> NDArray[np.float64]:
    """The word of a code as it is sent, ±1; shape (23,)."""
    return np.array(sent_bits(code_word(code)), dtype=np.float64) * 2.0 - 1.0


# Of a code and its partner one is enough: the other has the same lines with the other sign.
PAIRS: tuple[tuple[str, str], ...] = tuple(
    (code, other) for code in CODES if (other := partner(code)) is not None and code < other
)
PAIR_LINES: Complex = word_lines(np.array([signs(code) for code, _ in PAIRS]))
PAIR_POWER: Real = (np.abs(PAIR_LINES) ** 2).astype(np.float32)
# What each single bit of a word lends to the lines, to try words that are in no list; shape (23, 21).
BIT_LINES: Complex = word_lines(np.eye(WORD_BITS))


@dataclass(frozen=True, slots=True, eq=False)
class CodeFrames:
    """Lines of one or more stretches of equal length.

    Parameters
    ----------
    lines : ndarray of complex64, shape (stretches, frames, 21)
        Fourier coefficients against a clock of 134.4 bit/s; what a sine of amplitude 2 would have is 1.
        In units of `unit_hz`.
    instants_s : ndarray of float32, shape (frames,)
        Middle of each frame against the middle of its stretch.
    words : float
        How many words a stretch lasts: what its frames are worth as independent looks.
    unit_hz : float
    """

    lines: Complex
    instants_s: Real
    words: float
    unit_hz: float


def least_seconds() -> float:
    """The shortest stretch that holds a frame."""
    return WORD_S * (1.0 + SMOOTHED_WORDS)


def cut_frames(
    low_band: NDArray[np.floating], rate_hz: float, stretches: int, stretch_s: float
) -> CodeFrames | None:
    """Lines of evenly spread stretches, None where there is not one frame or nothing but one value.

    Parameters
    ----------
    low_band : ndarray of float, shape (n,)
        Finite, Hz.
    rate_hz : float
    stretches : int
    stretch_s : float
        Not longer than the low band.
    """
    taps, count = _taps(rate_hz)
    samples = min(round(stretch_s * rate_hz), len(low_band))
    room = samples - count
    if room < 0:
        return None
    centred = low_band.astype(np.float64)
    few = centred[:: max(1, len(centred) // ENOUGH_SAMPLES)]
    middle = np.median(few)
    spread = float(np.median(np.abs(few - middle)))
    centred -= middle
    if spread > 0:
        np.clip(centred, -OUTLIER_SPREADS * spread, OUTLIER_SPREADS * spread, out=centred)
    unit = float(np.abs(centred).max())
    if unit == 0.0:
        return None
    centred /= unit

    frames = int(room / (HOP_WORDS * WORD_S * rate_hz)) + 1
    starts = np.round((np.arange(frames) + 0.5 * (frames == 1)) * (room / max(frames - 1, 1))).astype(np.intp)
    firsts = np.round(np.linspace(0, len(low_band) - samples, stretches)).astype(np.intp)
    places = (firsts[:, None] + starts)[:, :, None] + np.arange(count)
    both = centred.astype(np.float32)[places] @ taps
    instants_s = (starts + 0.5 * (count - samples)) / rate_hz
    turn = np.exp(-2j * np.pi * instants_s[:, None] * LINES_HZ).astype(np.complex64)
    half = len(LINES)
    lines = (both[..., :half] + 1j * both[..., half:]) * turn
    words = max(1.0, samples / rate_hz / WORD_S)
    return CodeFrames(lines, instants_s.astype(np.float32), words, unit)


@lru_cache(maxsize=8)
def _taps(rate_hz: float) -> tuple[Real, int]:
    """Real and imaginary parts of every line's filter, shape (taps, 42), and the number of taps."""
    word, smoothing = round(WORD_S * rate_hz), round(SMOOTHED_WORDS * WORD_S * rate_hz)
    taper = np.convolve(np.ones(word), np.ones(smoothing))
    taper /= taper.sum()
    instants_s = (np.arange(len(taper)) - 0.5 * (len(taper) - 1)) / rate_hz
    waves = np.exp(-2j * np.pi * instants_s[:, None] * LINES_HZ) * taper[:, None]
    taps = np.concatenate([waves.real, waves.imag], axis=1).astype(np.float32)
    taps.setflags(write=False)
    return taps, len(taper)
