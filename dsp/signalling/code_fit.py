"""How much better is a repeated code word than noise, a voice or a strange word? Odds, one word at a time.

Each line of the word rate has a noise of its own, of unknown power. A word must explain all the lines with
one amplitude and one phase of its clock: a pitch, a whistle or hum is strong on a few lines and leaves the
others worse than before, so it does not pass, however strong it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from dsp.signalling.code_lines import (
    BIT_LINES,
    FIRST_LINE,
    LAST_LINE,
    LINES_HZ,
    PAIR_LINES,
    PAIR_POWER,
    PAIRS,
    WORD_S,
    CodeFrames,
    Complex,
    Real,
    signs,
)
from dsp.signalling.golay import BIT_RATE_HZ

Kind = TypeVar("Kind", bound=np.inexact)

PHASES = 64  # 2.8 for each bit: between two of them the fit goes on in quarters
QUARTERS = np.array([-0.5, -0.25, 0.0, 0.25, 0.5], np.float32)
RATE_ERROR = 0.0055  # encoders may be 0.5 % off, as for tones (from memory)
STEP_SECONDS = 0.0055  # of relative rate times stretch: an eighth of a turn at 88 Hz at the stretch's ends
CANDIDATES = 4
# A line's noise is drawn towards the mean of all lines with the weight of this many words.
PRIOR_WORDS = 1.5
ROUNDS = 3
TINY = np.float32(1e-12)
# What the best of all words gains on noise in one stretch; further stretches of the same word count above it.
BY_CHANCE = 15.0
FLIPS = 8  # single bits turned at most
CLOCKS_S = (np.arange(6) / 6.0 - 0.5) / BIT_RATE_HZ
THRESHOLDS = np.array([-0.4, 0.0, 0.4])  # of the root mean square: words have 7 to 16 ones


@dataclass(frozen=True, slots=True)
class CodeFit:
    """The listed word that explains the lines best.

    Parameters
    ----------
    code : str
        Normal code.
    log_ratio : float
        Log-likelihood ratio over noise of unknown power on each line, phases and rates maximised over.
    strange_log_ratio : float
        How much a word that is in no list explains better, 0 where none does.
    deviation_hz, deviation_sigma_hz : float
    rate_error, rate_error_sigma : float
        Relative, of the bit rate.
    """

    code: str
    log_ratio: float
    strange_log_ratio: float
    deviation_hz: float
    deviation_sigma_hz: float
    rate_error: float
    rate_error_sigma: float


@dataclass(slots=True, eq=False)
class _Fits:
    """One word in some stretches: lines turned to the word's own phase, and the fit to them.

    `mean`, `power`, `residual` have the shape (stretches, 21), the rest (stretches,).
    """

    mean: Complex
    power: Real
    residual: Real
    amplitude: Real
    rate_error: NDArray[np.floating]
    log_ratio: Real


def fit_code(frames: CodeFrames) -> CodeFit:
    """The best listed word of these frames; frames that are all zero give a ratio of 0."""
    words = np.float32(frames.words)
    power = _mean_power(frames.lines)
    empty = _log_likelihood(power, words)
    errors = _rate_errors(frames)
    turns = np.exp(-2j * np.pi * errors[:, None, None] * frames.instants_s[:, None] * LINES_HZ)
    means = _mean(frames.lines[:, None] * turns.astype(np.complex64), -2)  # (stretches, errors, 21)
    weight = _weight(power, words)

    # Correlation with every word at every phase of its clock, both signs at once.
    spectra = np.zeros((len(power), len(errors), len(PAIRS), PHASES // 2 + 1), np.complex64)
    spectra[..., FIRST_LINE : LAST_LINE + 1] = (weight[:, None] * means)[:, :, None] * PAIR_LINES.conj()
    correlation = np.abs(scipy.fft.irfft(spectra, PHASES, axis=-1))
    energy = weight @ PAIR_POWER.T
    peaks = correlation.max(axis=-1) ** 2 / (energy[:, None] + TINY)  # (stretches, errors, pairs)
    scores = peaks.max(axis=1) / ((weight * power).sum(axis=-1, keepdims=True) + TINY)
    chosen = np.argsort(scores.sum(axis=0))[::-1][:CANDIDATES]
    lone = int(scores.max(axis=0).argmax())
    if lone not in chosen:
        chosen = np.append(chosen, lone)

    # Every candidate in every stretch, at its best rate and around its best phase.
    at_error = peaks[:, :, chosen].argmax(axis=1)  # (stretches, candidates)
    stretch = np.arange(len(power))[:, None]
    at_phase = correlation[stretch, at_error, chosen].argmax(axis=-1)
    phase_s = (at_phase[..., None] + QUARTERS) * np.float32(WORD_S / PHASES)
    turned = means[stretch, at_error][:, :, None] * np.exp(2j * np.pi * phase_s[..., None] * LINES_HZ)
    overlap = (PAIR_LINES[chosen][:, None].conj() * turned).real.astype(np.float32)
    amplitude, residual = _amplitudes(
        overlap, PAIR_POWER[chosen][:, None], power[:, None, None], weight[:, None, None], words
    )
    ratios = _log_likelihood(residual, words) - empty[:, None, None]
    quarter = ratios.argmax(axis=-1)
    best = ratios.max(axis=-1)
    signed = np.sign(np.take_along_axis(amplitude, quarter[..., None], axis=-1)[..., 0])

    # A candidate's sign must be one over all stretches: the other sign is the partner.
    totals = np.stack([_evidence(np.where(signed == sign, best, -np.inf)) for sign in (1.0, -1.0)])
    row, column = (int(place) for place in np.unravel_index(totals.argmax(), totals.shape))
    pair, sign = int(chosen[column]), (1.0, -1.0)[row]
    code, total = PAIRS[pair][row], float(totals[row, column])
    there = np.flatnonzero((signed[:, column] == sign) & (best[:, column] > BY_CHANCE))
    if not len(there):
        return CodeFit(code, total, 0.0, 0.0, np.inf, 0.0, np.inf)
    shape = PAIR_LINES[pair] * np.float32(sign)
    clock = np.take_along_axis(phase_s[there, column], quarter[there, column, None], axis=-1)
    fits = _refined(frames, there, shape, errors[at_error[there, column]], clock[:, 0])
    total = max(total, float(_evidence(fits.log_ratio[:, None])[0]))
    strange = _strange_word(fits, signs(PAIRS[pair][0]) * sign, words)
    return _drawn_up(code, total, strange, fits, frames)


def _rate_errors(frames: CodeFrames) -> NDArray[np.float64]:
    """Relative errors of the bit rate to try: one for a look as short as the first word."""
    seconds = frames.words * WORD_S
    each_side = int(np.ceil(RATE_ERROR * seconds / STEP_SECONDS - 0.6))
    return np.linspace(-RATE_ERROR, RATE_ERROR, 2 * each_side + 1) if each_side > 0 else np.zeros(1)


def _squared(lines: Complex) -> Real:
    squared: Real = np.square(lines.real) + np.square(lines.imag)
    return squared


def _mean(values: NDArray[Kind], axis: int) -> NDArray[Kind]:
    """Mean along an axis; half the overhead of the array's own."""
    mean: NDArray[Kind] = np.add.reduce(values, axis=axis) * np.float32(1.0 / values.shape[axis])
    return mean


def _mean_power(lines: Complex) -> Real:
    """Mean square over frames; shape (..., 21)."""
    return _mean(_squared(lines), -2)


def _middle(power: Real) -> Real:
    """Geometric mean over the lines: what a few strong ones do not move."""
    middle: Real = np.exp(_mean(np.log(power + TINY), -1))[..., None]
    return middle


def _weight(residual: Real, words: np.float32) -> Real:
    """Inverse of each line's noise power, as the law of `_log_likelihood` sees it, times a constant."""
    weight: Real = 1.0 / (np.float32(PRIOR_WORDS) * _middle(residual) + words * residual + TINY)
    return weight


def _log_likelihood(residual: Real, words: np.float32) -> Real:
    """Of complex Gaussian lines whose powers are unknown and only known to be like each other.

    The power of a line integrated out against an inverse gamma law around the middle of all lines gives a
    t law: its tails are why one line, however strong, says little.
    """
    drawn = np.log(PRIOR_WORDS * _middle(residual) + words * residual + TINY)
    log_likelihood: Real = -(PRIOR_WORDS + words) * drawn.sum(axis=-1)
    return log_likelihood


def _amplitudes(
    overlap: Real, shape_power: Real, power: Real, weight: Real, words: np.float32
) -> tuple[Real, Real]:
    """Amplitude by weighted least squares and what it leaves, the weights following what is left."""
    floor = np.float32(1e-5) * power + TINY
    residual = power
    for turn in range(ROUNDS):
        if turn:
            weight = _weight(residual, words)
        amplitude = (weight * overlap).sum(axis=-1) / ((weight * shape_power).sum(axis=-1) + TINY)
        scaled = amplitude[..., None]
        residual = np.maximum(power - scaled * (2 * overlap - scaled * shape_power), floor)
    return amplitude, residual


def _evidence(ratios: Real) -> Real:
    """Stretches together: the best one whole, the others above chance; (stretches, n) to (n,)."""
    best = ratios.max(axis=0)
    further = np.maximum(ratios - BY_CHANCE, 0.0).sum(axis=0) - np.maximum(best - BY_CHANCE, 0.0)
    evidence: Real = best + further
    return evidence


def _refined(
    frames: CodeFrames,
    there: NDArray[np.intp],
    shape: Complex,
    error: NDArray[np.floating],
    phase_s: NDArray[np.floating],
) -> _Fits:
    """One step of Gauss and Newton in rate and phase, kept where it fits better; `there`: which stretches."""
    lines, words = frames.lines[there], np.float32(frames.words)
    instants_s = frames.instants_s[:, None]
    before = _fitted(lines, instants_s, shape, (error, phase_s), words)
    # Against the model, a late clock turns every line back by omega times the lateness.
    omega = (2 * np.pi * LINES_HZ).astype(np.float32)
    lean = _weight(before.residual, words) * omega
    model = before.amplitude[:, None] * shape
    stiff = (lean * omega * _squared(model)).sum(axis=-1) + TINY
    turned = lines * _turn(instants_s, error, phase_s)
    pull = ((lean * model.conj())[:, None] * turned).imag.sum(axis=-1)  # (stretches, frames)
    late_s = pull.mean(axis=-1) / stiff
    spread = max(float(np.square(instants_s).mean()), 1e-9)
    fast = (pull * instants_s[:, 0]).mean(axis=-1) / (stiff * spread)
    error_after = np.clip(error + fast, -2 * RATE_ERROR, 2 * RATE_ERROR)
    after = _fitted(lines, instants_s, shape, (error_after, phase_s - late_s), words)
    return after if after.log_ratio.sum() > before.log_ratio.sum() else before


def _turn(instants_s: Real, error: NDArray[np.floating], phase_s: NDArray[np.floating]) -> Complex:
    """What brings the lines of a word of this clock to where they stand in the list."""
    lateness_s = phase_s[:, None, None] - error[:, None, None] * instants_s
    return np.asarray(np.exp(2j * np.pi * LINES_HZ * lateness_s), dtype=np.complex64)


def _fitted(
    lines: Complex,
    instants_s: Real,
    shape: Complex,
    clock: tuple[NDArray[np.floating], NDArray[np.floating]],
    words: np.float32,
) -> _Fits:
    """One word in each stretch, its clock given as error of the rate and lateness, s."""
    power = _mean_power(lines)
    mean = _mean(lines * _turn(instants_s, *clock), -2)
    overlap: Real = (shape.conj() * mean).real
    amplitude, residual = _amplitudes(overlap, _squared(shape), power, _weight(power, words), words)
    ratio = _log_likelihood(residual, words) - _log_likelihood(power, words)
    return _Fits(mean, power, residual, amplitude, clock[0], ratio)


def _strange_word(fits: _Fits, bits: NDArray[np.float64], words: np.float32) -> float:
    """How much better a word that is in no list explains the lines of the stretch that fits best.

    Begun from the listed word and from what the lines themselves look like in the middles of bits, at a few
    clocks and a few thresholds (the mean is not among the lines); then bits are turned while that helps.
    """
    best = int(fits.log_ratio.argmax())
    line_mean, power, listed_residual = fits.mean[best], fits.power[best], fits.residual[best]
    least = float(_log_likelihood(listed_residual, words))
    weight = _weight(listed_residual, words)

    def gains(shapes: Complex, mean: Complex) -> Real:
        overlap = (shapes.conj() * mean).real.astype(np.float32)
        amplitude, residual = _amplitudes(overlap, _squared(shapes), power, weight, words)
        ratios: Real = np.where(amplitude > 0, _log_likelihood(residual, words) - least, -np.inf)
        return ratios

    clocks = np.exp(2j * np.pi * LINES_HZ * CLOCKS_S[:, None]).astype(np.complex64) * line_mean
    seen = (clocks[:, None] * BIT_LINES.conj()).real.sum(axis=-1)
    seen /= np.sqrt(np.square(seen).mean(axis=-1, keepdims=True)) + TINY
    starts = np.where(seen[:, None] > THRESHOLDS[:, None], 1.0, -1.0)
    shapes = (starts @ BIT_LINES).astype(np.complex64)
    from_lines = gains(shapes, clocks[:, None])
    at = np.unravel_index(int(from_lines.argmax()), from_lines.shape)
    listed = (bits @ BIT_LINES).astype(np.complex64)
    gained = [
        gain
        for gain, held in (
            _climbed(gains, bits, listed, line_mean, 0.0),
            _climbed(gains, starts[at], shapes[at], clocks[at[0]], float(from_lines[at])),
        )
        if not any(np.array_equal(held, np.roll(bits, places)) for places in range(len(bits)))
    ]
    # The listed word may have a slightly better clock as well.
    return max(0.0, max(gained) - max(0.0, float(gains(listed, clocks).max()))) if gained else 0.0


def _climbed(
    gains: Callable[[Complex, Complex], Real],
    bits: NDArray[np.float64],
    shape: Complex,
    mean: Complex,
    gained: float,
) -> tuple[float, NDArray[np.float64]]:
    """What turning single bits gains, as long as it gains, and the bits it ends with."""
    held = bits.copy()
    for _ in range(FLIPS):
        shapes = (shape - 2.0 * held[:, None] * BIT_LINES).astype(np.complex64)
        ratios = gains(shapes, mean)
        turned = int(ratios.argmax())
        if not ratios[turned] > gained:
            break
        gained, shape = float(ratios[turned]), shapes[turned]
        held[turned] = -held[turned]
    return gained, held


def _drawn_up(code: str, total: float, strange: float, fits: _Fits, frames: CodeFrames) -> CodeFit:
    """Means over stretches by their own errors, and how far those let them be off.

    Errors after the Fisher information of complex Gaussian lines, a frame's noise counted once a word.
    """
    power = PAIR_POWER[next(n for n, pair in enumerate(PAIRS) if code in pair)]
    per_noise = (
        2.0 * frames.words * power / (fits.residual + np.float32(0.05) * _middle(fits.residual) + TINY)
    )
    amplitude_worth = per_noise.sum(axis=-1, dtype=np.float64) + 1e-30
    spread = float(np.square(frames.instants_s).mean())
    omega2 = np.square(2 * np.pi * LINES_HZ)
    rate_worth = spread * np.square(fits.amplitude) * (per_noise * omega2).sum(axis=-1)
    known = spread > 0.0
    return CodeFit(
        code=code,
        log_ratio=total,
        strange_log_ratio=strange,
        deviation_hz=float(np.average(fits.amplitude, weights=amplitude_worth)) * frames.unit_hz,
        deviation_sigma_hz=float(1.0 / np.sqrt(amplitude_worth.sum())) * frames.unit_hz,
        rate_error=float(np.average(fits.rate_error, weights=rate_worth)) if known else 0.0,
        rate_error_sigma=float(1.0 / np.sqrt(rate_worth.sum())) if known else np.inf,
    )
