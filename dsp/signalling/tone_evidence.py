"""What kind of source does a steady line under a transmission come from? Odds, one explanation at a time.

The candidates are an encoder's tone from the list; noise and a voice whose pitch wanders; a voice that
keeps its pitch; hum or an organ; a digital code word; a steady line that is in no list. Each rival has
its own way of not being a tone, and each is weighed on its own, so that strong evidence against one of
them never hides another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from dsp.signalling.tone_line import (
    OVERLAP_WORTH,
    WORTH,
    Frames,
    Hertz,
    LineFits,
    Real,
    comb_excess,
    fit_lines,
    likely_lines,
    median,
    spectrum,
    squared,
)

LOWEST_HZ, HIGHEST_HZ = 62.0, 262.0
CANDIDATES = 8
LOOKED_AT = 3  # candidates whose company is examined
UNLIKELY = -4.0  # log odds under which a line is not taken for a listed one
HOPELESS = -4.0  # log odds under which a line's company is not examined
# Encoders may be 0.5 % off (TIA-603, from memory); the narrowest half gap of the list is 0.72 %. Seven of
# ten are taken to be far better (a maker states 0.3 % at most), the rest to lie anywhere within.
ENCODER_TOLERANCE = 0.0055
GOOD_ENCODERS, GOOD_TOLERANCE = 0.7, 0.0012
# A steady line alone is twenty times as often an encoder's tone as something else, which may lie
# anywhere from 67 to 254 Hz.
UNLISTED_PRIOR = 1.0 / 20.0
ODD_LINE_COST = 2.5  # an e-fold below the usual deviation, it is more likely a residue of something
# What makes a deviation likely: makers set 250 to 700 Hz, the standard allows up to 1000 Hz
# (secondary copies of TIA-603-C 3.4.17.2); below 250 and above 1000 Hz each e-fold costs.
USUAL_DEVIATION_HZ = (250.0, 1000.0)
DEVIATION_SPREAD = 0.35

RATIO_RANGE = (-5.0, 40.0)  # what one stretch may say for or against: no stretch outvotes all others
WORD_ODDS, WORD_SLOPE, WORD_NOISE = 8.0, 30.0, 0.35
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


@dataclass(frozen=True, slots=True)
class Rules:
    """What is asked of a line before it counts as a tone, for one length of look.

    Parameters
    ----------
    noise_bias : float
        What the log-likelihood ratio over noise must exceed: about the log of how many independent
        lines the search looks at, and a margin.
    machine_odds : float
        Log prior odds of a tone over hum or an organ.
    voice_bias : float
        With `voice_traits`, one weight for each trait, and `odd_deviation`, the cost of a deviation one
        e-fold outside the usual: the logistic rule for a voice that keeps its pitch.
    """

    noise_bias: float
    machine_odds: float
    voice_bias: float
    voice_traits: tuple[float, ...]
    odd_deviation: float = -4.0


# Logistic regression on lines found in synthetic speech (50 voices in six languages, three tenths of it kept
# monotone), in sources with wandering pitch, in made-up talk and in chords, with and without a tone, at 3 to
# 30 dB carrier-to-noise: 16 500 toneless and 10 800 toned stretches of 0.5 to 4 s; 6 500 and 4 500 of 0.3 s.
WHOLE = Rules(8.0, 3.0, -5.32, (1.77, 1.26, -4.27, -0.99, -2.02, 3.91, 1.64, -2.79))
START = Rules(6.0, 6.0, -1.38, (0.80, 0.76, -0.83, -1.45, -1.44, 1.28, 3.15, 0.60))


@dataclass(frozen=True, slots=True)
class Evidence:
    """One listed line of a transmission, and the log odds of a tone over each other explanation."""

    tone_hz: float
    estimate_hz: float
    estimate_sigma_hz: float
    deviation_hz: float
    deviation_sigma_hz: float
    over_noise: float  # noise, and a voice whose pitch wanders
    over_unlisted: float  # a steady line that is in no list
    # Not examined, and so no rival, where the first two already rule a tone out:
    over_voice: float = np.inf  # a voice that keeps its pitch
    over_machine: float = np.inf  # hum, an organ: steady, with company at multiples
    over_word: float = np.inf  # a digital code word, whose lines stand 5.84 Hz apart

    @property
    def log_odds(self) -> float:
        """Log odds of a tone over all other explanations together."""
        others = self.over_noise, self.over_voice, self.over_machine, self.over_word, self.over_unlisted
        return -float(np.logaddexp.reduce([-odds for odds in others]))


def weigh(frames: Frames, listed_hz: NDArray[np.float64], rules: Rules, enough: float) -> Evidence:
    """The line that is most likely a listed tone; the search ends at one whose log odds are `enough`."""
    around = _Around(frames)
    fits = fit_lines(frames, around.likely_lines())
    frequency = fits.frequency_hz
    deviation = np.maximum(median(fits.amplitude).astype(np.float64), 1e-6)
    tone = listed_hz[np.argmin(np.abs(np.log(frequency[:, None] / listed_hz)), axis=1)]
    unsure = 2e-4 + fits.sigma_hz / frequency
    listed = _listed_odds(np.abs(frequency / tone - 1.0), unsure, len(listed_hz))
    low, high = USUAL_DEVIATION_HZ
    odd = np.log(np.maximum(np.maximum(low / deviation, deviation / high), 1.0))
    ratio = np.clip(fits.log_ratio, *RATIO_RANGE).sum(axis=0) if frames.stretches > 1 else fits.log_ratio[0]
    ratio = ratio - 0.5 * (odd / DEVIATION_SPREAD) ** 2
    independent = frames.count * frames.stretches / OVERLAP_WORTH
    best: Evidence | None = None
    # An unlisted line, however strong, must not hide a listed one beside it.
    for j in np.argsort(np.where(listed > UNLIKELY, -ratio, 1000.0 - ratio))[:LOOKED_AT]:
        over_noise = float(ratio[j]) - rules.noise_bias
        if best is not None and (best.log_odds >= enough or over_noise < enough):
            break
        seen = Evidence(
            tone_hz=float(tone[j]),
            estimate_hz=float(frequency[j]),
            estimate_sigma_hz=float(fits.sigma_hz[j]),
            deviation_hz=float(deviation[j]),
            deviation_sigma_hz=float(np.sqrt(WORTH / 2.0 / independent) * float(median(fits.scale[:, j]))),
            over_noise=over_noise,
            over_unlisted=float(listed[j] - ODD_LINE_COST * odd[j]),
        )
        if min(over_noise, seen.over_unlisted) > HOPELESS:
            seen = _examine(seen, around, fits, int(j), rules)
            seen = replace(seen, over_voice=seen.over_voice + rules.odd_deviation * float(odd[j]))
        if best is None or seen.log_odds > best.log_odds:
            best = seen
    assert best is not None  # the search always yields a line
    return best


def _listed_odds(off: Hertz, unsure: Hertz, listed: int) -> Hertz:
    """Log odds of a tone from the list over any other line, from relative distance and its error."""
    good = np.hypot(GOOD_TOLERANCE, unsure)
    near = np.exp(-0.5 * (off / good) ** 2) / (good * np.sqrt(2.0 * np.pi))
    anywhere = ndtr((ENCODER_TOLERANCE - off) / unsure) / (2.0 * ENCODER_TOLERANCE)
    density = (GOOD_ENCODERS * near + (1.0 - GOOD_ENCODERS) * anywhere) / listed
    odds: Hertz = np.log(density * np.log(254.1 / 67.0) / UNLISTED_PRIOR + 1e-30)
    return odds


class _Around:
    """All of the low band, frame by frame: where the lines may be, where the voice is, how quiet it gets."""

    def __init__(self, frames: Frames) -> None:
        self.frames = frames
        self._spectrum, self._bins_hz = spectrum(frames, AROUND_HZ[1])
        # Every second bin: one over a frame's length apart, so that white noise in them is independent.
        first = 2 * int(np.ceil(AROUND_HZ[0] / self._bins_hz[2]))
        self._centres_hz = self._bins_hz[first::2]
        self._power = squared(self._spectrum[:, :, first::2])
        tiles = self._power[:, :, self._centres_hz < HIGHEST_HZ]
        # A tenth of exponentially distributed powers lies under -ln(0.9) of their mean.
        flat = tiles.reshape(len(tiles), -1)
        tenth = np.partition(flat, flat.shape[1] // 10, axis=1)[:, flat.shape[1] // 10]
        self.floor: Real = np.sqrt(tenth / np.float32(-np.log(0.9)))

    def likely_lines(self) -> Hertz:
        """Where steady lines may be, best first."""
        return likely_lines(
            self.frames,
            self._spectrum,
            self._bins_hz,
            low_hz=LOWEST_HZ,
            high_hz=HIGHEST_HZ,
            wanted=CANDIDATES,
        )

    def elsewhere(self, frequency_hz: float) -> Real:
        """Mean power of each frame outside the taper's main lobe around a line, (stretches, frames)."""
        away = np.abs(self._centres_hz - frequency_hz) > 2.0 * self._bins_hz[2]
        power: Real = self._power[:, :, away].mean(axis=2)
        return power


def voice_traits(fits: LineFits, j: int, around: _Around, alone: Real) -> Real:
    """What a steady line has in common with a voice, shape (stretches, 8).

    The logarithm of: the floor; how little company there is at multiples (already a logarithm); the
    residual that half, and that three quarters, of the quiet show (frames count by the inverse of the
    power elsewhere: a tone is there in a pause, a pitch is not); the correlation of the line's power
    with the power elsewhere; the residual that the best quarter of the frames stay under; a tenth of
    the log-likelihood ratio over noise; and how far the line's thirds differ. Residuals, floor and
    differences are relative to the line.
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
        np.log(_change(fits, j) / amplitude + 0.02),
    ]
    stacked: Real = np.stack(traits, axis=1)
    return stacked


def _examine(seen: Evidence, around: _Around, fits: LineFits, j: int, rules: Rules) -> Evidence:
    """The evidence with the odds over a monotone voice, over hum and over a code word filled in."""
    alone = _alone(around.frames, seen.estimate_hz, fits.amplitude[:, j] + np.float32(1e-6))
    score = voice_traits(fits, j, around, alone) @ np.array(rules.voice_traits)
    word, size = comb_excess(around.frames, WORD_LINES_HZ, LOWEST_HZ, HIGHEST_HZ, seen.estimate_hz)
    excess = max(word - WORD_NOISE, 0.0) * min(max(size, 0.0), 1.0)
    return replace(
        seen,
        over_voice=rules.voice_bias + float(median(score)),
        over_machine=rules.machine_odds + float(median(alone)),
        over_word=WORD_ODDS - WORD_SLOPE * excess,
    )


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


def _change(fits: LineFits, j: int) -> Real:
    """How far the line's thirds stray from the whole line, root mean square, shape (stretches,).

    Frames that are far off the line hardly count: their noise is not the line's doing.
    """
    left, scale = fits.left[:, :, j], fits.scale[:, j, None]
    trust = 1.0 / (1.0 + squared(left) / (3.0 * scale) ** 2)
    strays = [
        (trust[:, part] * left[:, part]).sum(axis=1) / trust[:, part].sum(axis=1)
        for part in np.array_split(np.arange(left.shape[1]), 3)
    ]
    change: Real = np.sqrt(squared(np.stack(strays)).mean(axis=0))
    return change


def _correlation(a: Real, b: Real) -> Real:
    a = a - a.mean(axis=1, keepdims=True)
    b = b - b.mean(axis=1, keepdims=True)
    product: Real = (a * b).sum(axis=1) / np.sqrt((a**2).sum(axis=1) * (b**2).sum(axis=1) + 1e-12)
    return product
