"""How much better is a repeated code word than noise, a voice or a strange word? Odds, one word at a time.

Each line of the word rate has a noise of its own, of unknown power. A word must explain all the lines with
one amplitude and one phase of its clock: a pitch, a whistle or hum is strong on a few lines and leaves the
others worse than before, so it does not pass, however strong it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

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
class _Fit:
    """One word in one stretch: lines turned to the word's own phase, and the fit to them."""

    mean: Complex
    power: Real
    residual: Real
    amplitude: float
    rate_error: float
    phase_s: float
    log_ratio: float


def fit_code(frames: CodeFrames) -> CodeFit:
    """The best listed word of these frames; frames that are all zero give a ratio of 0."""
    words = np.float32(frames.words)
    power = _mean_power(frames.lines)
    empty = _log_likelihood(power, words)
    errors = _rate_errors(frames)
    turns = np.exp(-2j * np.pi * errors[:, None, None] * frames.instants_s[:, None] * LINES_HZ)
    means = np.einsum("sfk,efk->sek", frames.lines, turns.astype(np.complex64)) / np.float32(
        len(frames.instants_s)
    )
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
    fits = []
    for k in np.flatnonzero((signed[:, column] == sign) & (best[:, column] > BY_CHANCE)):
        error = float(errors[at_error[k, column]])
        phase = float(phase_s[k, column, quarter[k, column]])
        fits.append(_refined(frames, int(k), PAIR_LINES[pair] * np.float32(sign), error, phase))
    code = PAIRS[pair][row]
    total = float(totals[row, column])
    if not fits:
        return CodeFit(code, total, 0.0, 0.0, np.inf, 0.0, np.inf)
    total = max(total, float(_evidence(np.array([[fit.log_ratio] for fit in fits]))[0]))
    strongest = max(fits, key=lambda fit: fit.log_ratio)
    strange = _strange_word(strongest, signs(PAIRS[pair][0]) * sign, frames.words)
    return _drawn_up(code, total, strange, fits, frames)


def _rate_errors(frames: CodeFrames) -> NDArray[np.float64]:
    """Relative errors of the bit rate to try: one for a look as short as the first word."""
    seconds = frames.words * WORD_S
    each_side = int(np.ceil(RATE_ERROR * seconds / STEP_SECONDS - 0.6))
    return np.linspace(-RATE_ERROR, RATE_ERROR, 2 * each_side + 1) if each_side > 0 else np.zeros(1)


def _mean_power(lines: Complex) -> Real:
    """Mean square over frames; shape (..., 21)."""
    power: Real = (np.square(lines.real) + np.square(lines.imag)).mean(axis=-2)
    return power


def _middle(power: Real) -> Real:
    """Geometric mean over the lines: what a few strong ones do not move."""
    middle: Real = np.exp(np.log(power + TINY).mean(axis=-1, keepdims=True))
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


def _refined(frames: CodeFrames, stretch: int, shape: Complex, error: float, phase_s: float) -> _Fit:
    """One step of Gauss and Newton in rate and phase, kept where it fits better."""
    lines, instants = frames.lines[stretch], frames.instants_s
    words = np.float32(frames.words)
    power = _mean_power(lines)
    empty = float(_log_likelihood(power, words))
    omega = (2 * np.pi * LINES_HZ).astype(np.float32)
    kept: _Fit | None = None
    for _ in range(2):
        turn = np.exp(1j * omega * (phase_s - error * instants[:, None])).astype(np.complex64)
        turned = lines * turn
        mean = turned.mean(axis=0)
        overlap = (shape.conj() * mean).real
        amplitude, residual = _amplitudes(
            overlap, np.square(np.abs(shape)), power, _weight(power, words), words
        )
        ratio = float(_log_likelihood(residual, words)) - empty
        fit = _Fit(mean, power, residual, float(amplitude), error, phase_s, ratio)
        if kept is None or fit.log_ratio > kept.log_ratio:
            kept = fit
        model = amplitude * shape
        weight = _weight(residual, words)
        # Against the model, a late clock turns every line back by omega times the lateness.
        pull = weight * omega * (model.conj() * (turned - model)).imag
        stiff = (weight * omega**2 * np.abs(model) ** 2).sum() + TINY
        phase_s -= float(pull.mean(axis=0).sum() / stiff)
        spread = float(np.square(instants).mean())
        if spread > 0:
            error += float((pull * instants[:, None]).mean(axis=0).sum() / (stiff * spread))
            error = float(np.clip(error, -2 * RATE_ERROR, 2 * RATE_ERROR))
    assert kept is not None
    return kept


def _strange_word(fit: _Fit, bits: NDArray[np.float64], words: float) -> float:
    """How much better a word that is in no list explains the lines.

    Begun from the listed word and from what the lines themselves look like in the middles of bits, at a few
    clocks and a few thresholds (the mean is not among the lines); then bits are turned while that helps.
    """
    count = np.float32(words)
    least = float(_log_likelihood(fit.residual, count))
    weight = _weight(fit.residual, count)

    def gains(shapes: Complex, mean: Complex) -> Real:
        overlap = (shapes.conj() * mean).real.astype(np.float32)
        shape_power = np.square(np.abs(shapes))
        amplitude, residual = _amplitudes(overlap, shape_power, fit.power, weight, count)
        ratios: Real = np.where(amplitude > 0, _log_likelihood(residual, count) - least, -np.inf)
        return ratios

    clocks = np.exp(2j * np.pi * LINES_HZ * CLOCKS_S[:, None]).astype(np.complex64) * fit.mean
    seen = (clocks[:, None] * BIT_LINES.conj()).real.sum(axis=-1)
    seen /= np.sqrt(np.square(seen).mean(axis=-1, keepdims=True)) + TINY
    starts = np.where(seen[:, None] > THRESHOLDS[:, None], 1.0, -1.0)
    shapes = (starts @ BIT_LINES).astype(np.complex64)
    from_lines = gains(shapes, clocks[:, None])
    at = np.unravel_index(int(from_lines.argmax()), from_lines.shape)
    listed = (bits @ BIT_LINES).astype(np.complex64)
    return max(
        0.0,
        _climbed(gains, bits, listed, fit.mean, 0.0),
        _climbed(gains, starts[at], shapes[at], clocks[at[0]], float(from_lines[at])),
    )


def _climbed(
    gains: Callable[[Complex, Complex], Real],
    bits: NDArray[np.float64],
    shape: Complex,
    mean: Complex,
    gained: float,
) -> float:
    """What turning single bits gains, as long as it gains."""
    held = bits.copy()
    for _ in range(FLIPS):
        shapes = (shape - 2.0 * held[:, None] * BIT_LINES).astype(np.complex64)
        ratios = gains(shapes, mean)
        turned = int(ratios.argmax())
        if not ratios[turned] > gained:
            break
        gained, shape = float(ratios[turned]), shapes[turned]
        held[turned] = -held[turned]
    return gained


def _drawn_up(code: str, total: float, strange: float, fits: list[_Fit], frames: CodeFrames) -> CodeFit:
    """Means over stretches by their own errors, and how far the stretches let them be off."""
    power = PAIR_POWER[next(n for n, pair in enumerate(PAIRS) if code in pair)]
    omega2 = (2 * np.pi * LINES_HZ) ** 2
    spread = float(np.square(frames.instants_s).mean())
    amplitude_worth, rate_worth = [], []
    for fit in fits:
        # Fisher information of complex Gaussian lines, frames counted as independent words.
        noise = fit.residual + 0.05 * _middle(fit.residual)
        amplitude_worth.append(2.0 * frames.words * float((power / noise).sum()))
        rate_worth.append(
            2.0 * frames.words * spread * float((omega2 * power * fit.amplitude**2 / noise).sum())
        )
    amplitude = np.average([fit.amplitude for fit in fits], weights=amplitude_worth)
    known = sum(rate_worth) > 0
    error = np.average([fit.rate_error for fit in fits], weights=rate_worth) if known else 0.0
    return CodeFit(
        code=code,
        log_ratio=total,
        strange_log_ratio=strange,
        deviation_hz=float(amplitude) * frames.unit_hz,
        deviation_sigma_hz=float(1.0 / np.sqrt(sum(amplitude_worth))) * frames.unit_hz,
        rate_error=float(error),
        rate_error_sigma=float(1.0 / np.sqrt(sum(rate_worth))) if known else np.inf,
    )
