"""Is there one steady line in a low band, and where? A robust fit against noise that is mostly a voice.

A sub-audible tone keeps its phase and its size for the whole key-down, pauses included. A voice's pitch
wanders, breathes and stops. So the low band is cut into short frames, each frame is projected on a
trial frequency, and a line shows itself as projections that crowd around one complex value. Frames
where the pitch happens to lie on the trial frequency are outliers, and the fit treats them so.

This room measures lines. Which of them is a listed tone is decided in `dsp.signalling.ctcss`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

FRAME_S = 0.096  # long enough to part a tone from a pitch 20 Hz away, short enough to fit into a pause
# Residuals follow Student's t: one degree of freedom forgives a frame that is wholly voice.
FREEDOM = 1.0
FIT_STEPS = 10
LIMITER = 0.5  # in the search a frame counts by its phase once it is twice the median of its bin
SEARCH_OVERSAMPLING = 4
TINY = 1e-12

Complex = NDArray[np.complex64]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Half-overlapping tapered frames of a low band.

    `tapered` is float32 of shape (frames, length), its taper's sum 2, so that a projection of a line
    of amplitude A has magnitude A; frame m starts `m * hop` samples in.
    """

    tapered: NDArray[np.float32]
    hop: int
    rate_hz: float

    @property
    def count(self) -> int:
        """How many frames there are."""
        return len(self.tapered)

    @property
    def seconds(self) -> float:
        """Span from the first frame's start to the last frame's end."""
        return float(((self.count - 1) * self.hop + self.tapered.shape[1]) / self.rate_hz)


@dataclass(frozen=True, slots=True, eq=False)
class LineFits:
    """Steady lines fitted at several trial frequencies; every field has shape (trials,).

    `log_ratio` is the log-likelihood of "steady line in heavy-tailed noise" over "heavy-tailed noise";
    `amplitude` is complex, in the unit of the low band; `scale` is the noise of one projection in the
    same unit (the t law's scale, about the median magnitude of the residual).
    """

    frequency_hz: Real
    log_ratio: Real
    amplitude: NDArray[np.complex128]
    scale: Real


def cut_frames(low_band: NDArray[np.float32], rate_hz: float) -> Frames | None:
    """Frames of a low band with its mean taken off, or None where not even two frames fit."""
    length = 2 * round(FRAME_S * rate_hz / 2)
    hop = length // 2
    if len(low_band) < length + hop:
        return None
    centred = low_band - low_band.mean(dtype=np.float64).astype(np.float32)
    taper = np.hanning(length + 1)[:-1]
    taper = (taper * (2.0 / taper.sum())).astype(np.float32)
    cut = np.lib.stride_tricks.sliding_window_view(centred, length)[::hop]
    return Frames(cut * taper, hop, rate_hz)


def project(frames: Frames, frequency_hz: Real) -> Complex:
    """Complex amplitude of each frame at each trial frequency, shape (frames, trials).

    The phase is counted from the first frame's start, so a steady line gives the same value in all.
    """
    radians = 2.0 * np.pi / frames.rate_hz * np.asarray(frequency_hz, dtype=np.float64)
    within = np.exp(-1j * np.outer(np.arange(frames.tapered.shape[1]), radians)).astype(np.complex64)
    onward = np.exp(-1j * np.outer(np.arange(frames.count) * frames.hop, radians)).astype(np.complex64)
    projected: Complex = (frames.tapered @ within) * onward
    return projected


def fit_lines(frames: Frames, frequency_hz: Real) -> LineFits:
    """Best steady line at each trial frequency, by the expectation-maximization of a t law.

    Notes
    -----
    The noise scale is fitted under both hypotheses, so the ratio needs no noise floor from elsewhere.

    References
    ----------
    Lange, Little and Taylor, "Robust statistical modeling using the t distribution", JASA 84, 1989.
    """
    seen = project(frames, frequency_hz).astype(np.complex128)
    without = _t_scale(_squared(seen))
    log_without = _t_log_likelihood(_squared(seen), without)

    amplitude = seen.mean(axis=0)
    for _ in range(5):  # the geometric median: a start that outliers cannot drag away
        nearness = 1.0 / (np.abs(seen - amplitude) + TINY)
        amplitude = (nearness * seen).sum(axis=0) / nearness.sum(axis=0)
    residual = _squared(seen - amplitude)
    scale = residual.mean(axis=0) * 0.5 + TINY
    for _ in range(FIT_STEPS):
        trust = (FREEDOM + 2.0) / (FREEDOM + 2.0 * residual / scale)
        scale = (trust * residual).mean(axis=0) + TINY
        amplitude = (trust * seen).sum(axis=0) / trust.sum(axis=0)
        residual = _squared(seen - amplitude)
    return LineFits(
        frequency_hz=np.asarray(frequency_hz, dtype=np.float64),
        log_ratio=_t_log_likelihood(residual, scale) - log_without,
        amplitude=amplitude,
        scale=np.sqrt(scale),
    )


def likely_lines(frames: Frames, low_hz: float, high_hz: float, wanted: int) -> Real:
    """The frequencies in `low_hz` to `high_hz` where a steady line is most likely, best first.

    A search, not a verdict: each bin's frames are limited in size, so that loud frames do not rule,
    and summed coherently at every frequency the bin can hold.
    """
    length = frames.tapered.shape[1]
    padded = 2 * length
    bin_hz = frames.rate_hz / padded
    first, last = int(low_hz / bin_hz), int(np.ceil(high_hz / bin_hz))
    spectrum = fft.rfft(frames.tapered, padded, axis=1)[:, first : last + 1]
    magnitude = np.abs(spectrum)
    spectrum /= magnitude + LIMITER * np.median(magnitude, axis=0) + np.float32(TINY)
    # Bins step by 1 / padded, frames by a quarter of that length: the phase advances a quarter turn a bin.
    turns = np.outer(np.arange(frames.count), np.arange(first, last + 1)) * frames.hop % padded
    spectrum *= np.exp(-2j * np.pi / padded * turns).astype(np.complex64)
    fine = fft.next_fast_len(SEARCH_OVERSAMPLING * frames.count)
    coherent = np.abs(fft.fft(spectrum, fine, axis=0))
    shift_hz = fft.fftfreq(fine, frames.hop / frames.rate_hz)
    inside = np.abs(shift_hz) <= 0.51 * bin_hz
    trial_hz = ((np.arange(first, last + 1) * bin_hz)[None, :] + shift_hz[inside, None]).ravel()
    merit = coherent[inside].ravel()
    allowed = (trial_hz >= low_hz) & (trial_hz <= high_hz)
    trial_hz, merit = trial_hz[allowed], merit[allowed]
    apart_hz = 1.0 / frames.seconds + 0.3
    chosen: list[float] = []
    while len(chosen) < wanted and np.any(merit > 0):
        best = float(trial_hz[np.argmax(merit)])
        chosen.append(best)
        merit[np.abs(trial_hz - best) < apart_hz] = 0
    return np.array(chosen)


def noise_scale_near(frames: Frames, frequency_hz: float, away_hz: tuple[float, ...]) -> float:
    """Scale of the projections' noise at distances from a frequency, in the low band's unit."""
    nearby = project(frames, frequency_hz + np.array(away_hz)).astype(np.complex128)
    return float(np.sqrt(_t_scale(_squared(nearby))).mean())


def _squared(values: NDArray[np.complex128]) -> Real:
    squared: Real = values.real**2 + values.imag**2
    return squared


def _t_scale(squared: Real) -> Real:
    """Squared scale of a zero-mean complex t law, column by column."""
    scale: Real = squared.mean(axis=0) * 0.5 + TINY
    for _ in range(FIT_STEPS):
        trust = (FREEDOM + 2.0) / (FREEDOM + 2.0 * squared / scale)
        scale = (trust * squared).mean(axis=0) + TINY
    return scale


def _t_log_likelihood(squared: Real, scale: Real) -> Real:
    """Log-likelihood of residuals, without the constant that both hypotheses share."""
    tail = (FREEDOM / 2.0 + 1.0) * np.log1p(2.0 * squared / (FREEDOM * scale)).sum(axis=0)
    log_likelihood: Real = -len(squared) * np.log(scale) - tail
    return log_likelihood
