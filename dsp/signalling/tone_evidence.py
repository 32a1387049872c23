"""What kind of source does a steady line under a transmission come from? Odds, one explanation at a time.

The candidates are an encoder's tone from the list; noise and a voice whose pitch wanders; a voice that
keeps its pitch; hum or an organ; a digital code word; a steady line that is in no list. Each rival has
its own way of not being a tone, and each is weighed on its own, so that strong evidence against one of
them never hides another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.tone_line import (
    OVERLAP_WORTH,
    WORTH,
    Frames,
    LineFits,
    Real,
    comb_excess,
    fit_lines,
    likely_lines,
    project,
    squared,
)

LOWEST_HZ, HIGHEST_HZ = 62.0, 262.0
CANDIDATES = 8
LOOKED_AT = 3  # candidates whose company is examined
# Encoders may be 0.5 % off (TIA-603, from memory); the narrowest half gap of the list is 0.72 %.
ENCODER_TOLERANCE = 0.005
# What makes a deviation likely: makers set 250 to 700 Hz, the standard allows up to 1000 Hz
# (secondary copies of TIA-603-C 3.4.17.2); below 250 and above 1000 Hz each e-fold costs.
USUAL_DEVIATION_HZ = (250.0, 1000.0)
DEVIATION_SPREAD = 0.35

NOISE_BIAS = 12.0  # about the log of how many independent lines the search looks at, and a margin
RATIO_RANGE = (-5.0, 40.0)  # what one stretch may say for or against: no stretch outvotes all others
MACHINE_ODDS = 4.0
UNLISTED_ODDS = 7.0
WORD_ODDS, WORD_SLOPE = 8.0, 30.0
WORD_LINES_HZ = 134.4 / 23  # TIA-603 1.3.5.5: 134.4 bit/s; a word of 23 bits repeats without gap

# Where a periodic source with a line at 1 has its other lines, and how large they usually are beside
# it: as the fundamental, as the second harmonic, as the third.
Family = tuple[tuple[float, float], ...]
FAMILIES: tuple[Family, ...] = (
    ((2.0, 0.6), (3.0, 0.5)),
    ((0.5, 0.6), (1.5, 0.5)),
    ((1 / 3, 0.5), (2 / 3, 0.5)),
)
ENCODER_DISTORTION = 0.05  # TIA-603 asks for 5 % at most (from memory)
LOUDER_DISTORTION = 0.15
AROUND_HZ = (60.0, 560.0)  # where the voice that goes with a pitch in the tone band shows itself

# Weights of the logistic rule that parts tones from a voice that keeps its pitch: see `voice_traits`.
VOICE_TRAITS = 7


@dataclass(frozen=True, slots=True)
class Weights:
    """A logistic rule: bias, one weight for each of `voice_traits`, cost of an odd deviation."""

    bias: float
    traits: tuple[float, ...]
    odd_deviation: float


FINAL = Weights(2.0, (1.84, 0.56, -4.03, -3.18, -4.44, -0.7, 0.3), -4.0)
FIRST = Weights(-1.0, (2.0, 0.88, -0.1, -1.5, -1.9, -0.7, 5.0), -5.0)


@dataclass(frozen=True, slots=True)
class Evidence:
    """One listed line of a transmission, and the log odds of a tone over each other explanation."""

    tone_hz: float
    estimate_hz: float
    estimate_sigma_hz: float
    deviation_hz: float
    deviation_sigma_hz: float
    over_noise: float  # noise, and a voice whose pitch wanders
    over_voice: float  # a voice that keeps its pitch
    over_machine: float  # hum, an organ: steady, with company at multiples
    over_word: float  # a digital code word, whose lines stand 5.84 Hz apart
    over_unlisted: float  # a steady line that is in no list

    @property
    def log_odds(self) -> float:
        """Log odds of a tone over all other explanations together."""
        others = self.over_noise, self.over_voice, self.over_machine, self.over_word, self.over_unlisted
        return -float(np.logaddexp.reduce([-odds for odds in others]))


def weigh(frames: Frames, listed_hz: NDArray[np.float64], weights: Weights, enough: float) -> Evidence | None:
    """The line that is most likely a listed tone; the search ends at one whose log odds are `enough`."""
    fits = fit_lines(frames, likely_lines(frames, LOWEST_HZ, HIGHEST_HZ, CANDIDATES))
    frequency = fits.frequency_hz
    deviation = np.maximum(np.median(fits.amplitude, axis=0).astype(np.float64), 1e-6)
    tone = listed_hz[np.argmin(np.abs(np.log(frequency[:, None] / listed_hz)), axis=1)]
    beyond = np.maximum(np.abs(frequency / tone - 1.0) - ENCODER_TOLERANCE, 0.0)
    beyond /= 2e-4 + 1.3 * fits.sigma_hz / frequency
    low, high = USUAL_DEVIATION_HZ
    odd = np.log(np.maximum(np.maximum(low / deviation, deviation / high), 1.0))
    ratio = np.clip(fits.log_ratio, *RATIO_RANGE).sum(axis=0) if frames.stretches > 1 else fits.log_ratio[0]
    ratio = ratio - 0.5 * (odd / DEVIATION_SPREAD) ** 2
    independent = frames.count * frames.stretches / OVERLAP_WORTH
    around = _Around(frames)
    best: Evidence | None = None
    # An unlisted line, however strong, must not hide a listed one beside it.
    for j in np.argsort(np.where(beyond < 3.0, -ratio, 1000.0 - ratio))[:LOOKED_AT]:
        over_noise = float(ratio[j]) - NOISE_BIAS
        if best is not None and (best.log_odds >= enough or over_noise < enough):
            break
        score, alone = _steadiness(frames, fits, int(j), around, weights)
        word, size = comb_excess(frames, WORD_LINES_HZ, LOWEST_HZ, HIGHEST_HZ, frequency[j])
        seen = Evidence(
            tone_hz=float(tone[j]),
            estimate_hz=float(frequency[j]),
            estimate_sigma_hz=float(fits.sigma_hz[j]),
            deviation_hz=float(deviation[j]),
            deviation_sigma_hz=float(np.sqrt(WORTH / 2.0 / independent) * np.median(fits.scale[:, j])),
            over_noise=over_noise,
            over_voice=score + weights.odd_deviation * float(odd[j]),
            over_machine=MACHINE_ODDS + alone,
            over_word=WORD_ODDS - WORD_SLOPE * max(word, 0.0) * min(max(size, 0.0), 1.0),
            over_unlisted=UNLISTED_ODDS - 0.5 * float(beyond[j]) ** 2,
        )
        if best is None or seen.log_odds > best.log_odds:
            best = seen
    return best


class _Around:
    """Power in all of the low band, frame by frame: where the voice is, and how quiet it is without."""

    def __init__(self, frames: Frames) -> None:
        self.bin_hz = frames.rate_hz / frames.tapered.shape[2]
        self.centres_hz = np.arange(*AROUND_HZ, self.bin_hz)
        self.power = squared(project(frames, self.centres_hz))
        tiles = self.power[:, :, self.centres_hz < HIGHEST_HZ]
        # A tenth of exponentially distributed powers lies under -ln(0.9) of their mean.
        self.floor: Real = np.sqrt(np.quantile(tiles, 0.1, axis=(1, 2)) / -np.log(0.9))

    def elsewhere(self, frequency_hz: float) -> Real:
        """Mean power of each frame outside the taper's main lobe around a line, (stretches, frames)."""
        away = np.abs(self.centres_hz - frequency_hz) > 2.0 * self.bin_hz
        power: Real = self.power[:, :, away].mean(axis=2)
        return power


def voice_traits(fits: LineFits, j: int, around: _Around, alone: Real) -> Real:
    """What a steady line has in common with a voice, shape (stretches, 7).

    The logarithm of: the floor; how little company there is at multiples (already a logarithm); the
    residual that half, and that three quarters, of the quiet show (frames count by the inverse of the
    power elsewhere: a tone is there in a pause, a pitch is not); the correlation of the line's power
    with the power elsewhere; the residual that the best quarter of the frames stay under; and a tenth
    of the log-likelihood ratio over noise. Residuals and floor are relative to the line.
    """
    amplitude = fits.amplitude[:, j] + np.float32(1e-6)
    left = np.abs(fits.left[:, :, j]) / amplitude[:, None]
    elsewhere = around.elsewhere(float(fits.frequency_hz[j])) + np.float32(1e-9)
    order = np.argsort(left, axis=1)
    quiet = np.cumsum(np.take_along_axis(1.0 / elsewhere, order, axis=1), axis=1)
    quiet /= quiet[:, -1:]
    sorted_left = np.take_along_axis(left, order, axis=1)
    half = np.take_along_axis(sorted_left, np.argmax(quiet >= 0.5, axis=1)[:, None], axis=1)[:, 0]
    most = np.take_along_axis(sorted_left, np.argmax(quiet >= 0.75, axis=1)[:, None], axis=1)[:, 0]
    quarter = sorted_left[:, sorted_left.shape[1] // 4]
    together = _correlation(np.log(elsewhere), np.log(squared(fits.seen[:, :, j]) + np.float32(1e-9)))
    traits = [
        np.log(around.floor / amplitude + 0.01),
        np.clip(alone, -8.0, 3.0),
        np.log(half + 0.01),
        np.log(most + 0.01),
        together,
        np.log(quarter + 0.01),
        np.clip(fits.log_ratio[:, j], 0.0, 30.0) / 10.0,
    ]
    stacked: Real = np.stack(traits, axis=1)
    return stacked


def _steadiness(
    frames: Frames, fits: LineFits, j: int, around: _Around, weights: Weights
) -> tuple[float, float]:
    """Log odds of a tone over a voice that keeps its pitch; and how little company the line has."""
    alone = _alone(frames, float(fits.frequency_hz[j]), fits.amplitude[:, j] + np.float32(1e-6))
    score = weights.bias + voice_traits(fits, j, around, alone) @ np.array(weights.traits)
    return float(np.median(score)), float(np.median(alone))


def _alone(frames: Frames, frequency_hz: float, amplitude: Real) -> Real:
    """Log likelihood of "no company at multiples" over "the usual company", shape (stretches,)."""
    there = [
        (family, k * frequency_hz, size)
        for family, members in enumerate(FAMILIES)
        for k, size in members
        if 45.0 < k * frequency_hz < 0.42 * frames.rate_hz
    ]
    lines = fit_lines(frames, np.array([hz for _, hz, _ in there]))
    found = lines.amplitude / amplitude[:, None]
    noise = (lines.scale / amplitude[:, None]) ** 2 * np.float32(2.0 / frames.count)
    clean = _clean(found, noise, np.array([size for _, _, size in there]))
    belongs = np.array([family for family, _, _ in there])
    families = np.stack([clean[:, belongs == i].sum(axis=1) for i in range(len(FAMILIES))])
    alone: Real = np.log(len(FAMILIES)) - np.logaddexp.reduce(-families, axis=0)
    return alone


def _clean(found: Real, noise: Real, usual: NDArray[np.float64]) -> Real:
    """Log likelihood of "distortion at most" over "company", from relative sizes found in that noise."""

    def log_density(size: NDArray[np.float64] | float) -> Real:
        density: Real = -np.log(noise + size**2) - found**2 / (noise + size**2)
        return density

    small, some = log_density(ENCODER_DISTORTION), log_density(LOUDER_DISTORTION)
    clean = np.logaddexp(np.log(0.95) + small, np.log(0.05) + some)
    company = np.logaddexp(np.log(0.75) + log_density(usual), np.log(0.25) + some)
    ratio: Real = np.clip(clean - company, -20.0, 3.0)
    return ratio


def _correlation(a: Real, b: Real) -> Real:
    a = a - a.mean(axis=1, keepdims=True)
    b = b - b.mean(axis=1, keepdims=True)
    product: Real = (a * b).sum(axis=1) / np.sqrt((a**2).sum(axis=1) * (b**2).sum(axis=1) + 1e-12)
    return product
