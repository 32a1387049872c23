"""Which of the 50 continuous tones lies under a transmission, or that none does.

Takes the low band of `dsp.signalling.tone_lowband` and weighs three explanations against each other:
a steady listed tone; noise and a voice whose pitch wanders; something steady that is no tone (a
monotone voice, hum, music). It names a tone only when the odds say so, and says "none" otherwise.
It reads no files: the list is a constant here, and a test holds it to `config/ctcss.csv`.
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
    comb_excess,
    cut_frames,
    fit_lines,
    likely_lines,
    noise_floor,
)

Real = NDArray[np.float32]

# ANSI/TIA-603 1.3.5.2 "CTCSS code frequencies", as secondary copies of the table give it (config/ctcss.csv).
TONES_HZ: tuple[float, ...] = (
    *(67.0, 69.3, 71.9, 74.4, 77.0, 79.7, 82.5, 85.4, 88.5, 91.5, 94.8, 97.4, 100.0, 103.5, 107.2, 110.9),
    *(114.8, 118.8, 123.0, 127.3, 131.8, 136.5, 141.3, 146.2, 151.4, 156.7, 159.8, 162.2, 165.5, 167.9),
    *(171.3, 173.8, 177.3, 179.9, 183.5, 186.2, 189.9, 192.8, 196.6, 199.5, 203.5, 206.5, 210.7, 218.1),
    *(225.7, 229.1, 233.6, 241.8, 250.3, 254.1),
)
# Encoders may be 0.5 % off (TIA-603, from memory); the narrowest half gap of the list is 0.72 %.
ENCODER_TOLERANCE = 0.005
LOWEST_HZ, HIGHEST_HZ = 62.0, 262.0
CANDIDATES = 8
# Up to 6 s one phase holds for all; longer transmissions are judged in stretches of about 4 s, and of
# those longer than a minute sixteen, evenly spread: more says nothing new about a tone that never stops.
WHOLE_S, STRETCH_S, MOST_STRETCHES = 6.0, 4.0, 16

# What makes a deviation likely: makers set 250 to 700 Hz, the standard allows up to 1000 Hz
# (config/ctcss.csv's sources); below 250 and above 1000 Hz each e-fold costs.
USUAL_DEVIATION_HZ = (250.0, 1000.0)
DEVIATION_SPREAD = 0.35


@dataclass(frozen=True, slots=True)
class TonePiece:
    """What one stretch of low band says about the tone under it.

    Parameters
    ----------
    tone_hz : float or None
        The listed tone, or None for "no listed tone".
    estimate_hz, estimate_sigma_hz : float or None
        Frequency of the steadiest line near a listed tone and its standard error; None where the
        stretch is too short to measure one.
    deviation_hz, deviation_sigma_hz : float or None
        Peak deviation of that line and its standard error.
    probability : float
        Posterior probability that what `tone_hz` says (the tone, or none) is right, 0 to 1.
    log_odds : float
        Natural logarithm of the odds for a tone over no tone.
    """

    tone_hz: float | None
    estimate_hz: float | None
    estimate_sigma_hz: float | None
    deviation_hz: float | None
    deviation_sigma_hz: float | None
    probability: float
    log_odds: float


@dataclass(frozen=True, slots=True)
class _Evidence:
    """The best listed line of one transmission, and the log odds of a tone over each other explanation."""

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

    def log_odds(self) -> float:
        """Log odds of a tone over all other explanations together."""
        others = self.over_noise, self.over_voice, self.over_machine, self.over_word, self.over_unlisted
        return -float(np.logaddexp.reduce([-odds for odds in others]))


def nearest_tone_hz(frequency_hz: float) -> float:
    """The listed tone with the smallest relative distance to a frequency."""
    return min(TONES_HZ, key=lambda tone_hz: abs(np.log(frequency_hz / tone_hz)))


def first_word(low_band: NDArray[np.float32], rate_hz: float) -> TonePiece:
    """Which tone do the first 250 to 300 ms of a transmission carry?

    Parameters and return value are those of `decide`; what differs is how much is asked for before a
    tone is named, because a later, longer look puts a wrong first word right.
    """
    return _judge(low_band, rate_hz, needed_log_odds=FIRST_LOG_ODDS)


def decide(low_band: NDArray[np.float32], rate_hz: float) -> TonePiece:
    """Which tone does this whole transmission carry?

    Parameters
    ----------
    low_band : ndarray of float32, shape (n,)
        From `LowBand`, Hz, of one transmission; the carrier's offset may still be in it. Empty or
        shorter than 0.15 s says "none" with a probability that claims nothing.
    rate_hz : float
        Of `low_band`.

    Returns
    -------
    TonePiece

    Raises
    ------
    ValueError
        The low band is not one-dimensional, or the rate is under 1000 Hz.
    """
    return _judge(low_band, rate_hz, needed_log_odds=FINAL_LOG_ODDS)


# Log odds above which a tone is named. Measured on 11 500 toneless stretches of 1 to 4 s of synthetic
# speech, a fifth of it monotone, at 3 to 30 dB: the highest reached 1.2.
FIRST_LOG_ODDS = 0.5
FINAL_LOG_ODDS = 1.5
PRIOR_TONE = 0.5  # how many transmissions carry a tone is not known here
NOISE_BIAS = 12.0  # about the log of how many independent lines the search looks at, and a margin
RATIO_RANGE = (-5.0, 40.0)  # what one stretch may say for or against: no stretch outvotes all others

# Weights of the logistic rule that parts tones from other steady things, fitted to 563 toneless
# stretches with a steady line and 5 500 with a tone (synthetic speech, 0 to 30 dB).
VOICE_BIAS = -1.05
UNSTEADY_WEIGHT, QUIETEST_WEIGHT, FLOOR_WEIGHT = -5.31, -1.43, 2.12
MULTIPLES_WEIGHT, ODD_DEVIATION_WEIGHT = 0.68, -7.52

# Where a periodic source with a line at 1 has its other lines, and how large they usually are beside
# it: as the fundamental, as the second harmonic, as the third.
Family = tuple[tuple[float, float], ...]
FAMILIES: tuple[Family, ...] = (
    ((2.0, 0.6), (3.0, 0.5)),
    ((0.5, 0.6), (1.5, 0.5)),
    ((1 / 3, 0.5), (2 / 3, 0.5)),
)
MACHINE_ODDS = 4.0
WORD_LINES_HZ = 134.4 / 23  # TIA-603 1.3.5.5: 134.4 bit/s; a word of 23 bits repeats without gap
WORD_ODDS, WORD_SLOPE = 8.0, 30.0
UNLISTED_ODDS = 7.0
ENCODER_DISTORTION = 0.05  # TIA-603 asks for 5 % at most (from memory)


def _judge(low_band: NDArray[np.float32], rate_hz: float, needed_log_odds: float) -> TonePiece:
    if low_band.ndim != 1:
        raise ValueError(f"low_band has {low_band.ndim} dimensions; it must have one")
    if not rate_hz >= 1000.0:
        raise ValueError(f"rate_hz is {rate_hz}; it must be 1000 or more")
    frames = _stretches(low_band, rate_hz)
    evidence = _weigh(frames) if frames is not None and np.any(frames.tapered) else None
    if evidence is None:
        return TonePiece(None, None, None, None, None, PRIOR_TONE, 0.0)
    log_odds = evidence.log_odds()
    named = log_odds >= needed_log_odds
    p_tone = float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -700, 700))))
    return TonePiece(
        tone_hz=evidence.tone_hz if named else None,
        estimate_hz=evidence.estimate_hz,
        estimate_sigma_hz=evidence.estimate_sigma_hz,
        deviation_hz=evidence.deviation_hz,
        deviation_sigma_hz=evidence.deviation_sigma_hz,
        probability=p_tone if named else 1.0 - p_tone,
        log_odds=log_odds,
    )


def _stretches(low_band: NDArray[np.float32], rate_hz: float) -> Frames | None:
    seconds = len(low_band) / rate_hz
    if seconds <= WHOLE_S:
        return cut_frames(low_band, rate_hz)
    wanted = int(np.ceil(seconds / STRETCH_S))
    if wanted <= MOST_STRETCHES:
        return cut_frames(low_band, rate_hz, wanted)
    return cut_frames(low_band, rate_hz, MOST_STRETCHES, STRETCH_S)


def _weigh(frames: Frames) -> _Evidence:
    """The best listed line and what speaks for its being a tone."""
    fits = fit_lines(frames, likely_lines(frames, LOWEST_HZ, HIGHEST_HZ, CANDIDATES))
    frequency = fits.frequency_hz
    deviation = np.median(fits.amplitude, axis=0).astype(np.float64)
    tone = np.array([nearest_tone_hz(f) for f in frequency])
    beyond = np.maximum(np.abs(frequency / tone - 1.0) - ENCODER_TOLERANCE, 0.0)
    beyond /= 2e-4 + 1.3 * fits.sigma_hz / frequency
    low, high = USUAL_DEVIATION_HZ
    odd = np.log(np.maximum(np.maximum(low / np.maximum(deviation, 1e-6), deviation / high), 1.0))
    ratio = np.clip(fits.log_ratio, *RATIO_RANGE).sum(axis=0) if frames.stretches > 1 else fits.log_ratio[0]
    ratio = ratio - 0.5 * (odd / DEVIATION_SPREAD) ** 2
    # An unlisted line, however strong, must not hide a listed one beside it.
    j = int(np.argmax(np.where(beyond < 3.0, ratio, ratio - 1000.0)))
    independent = frames.count * frames.stretches / OVERLAP_WORTH
    spread = np.sqrt(WORTH / 2.0 / independent) * np.median(fits.scale[:, j])
    return _Evidence(
        tone_hz=float(tone[j]),
        estimate_hz=float(frequency[j]),
        estimate_sigma_hz=float(fits.sigma_hz[j]),
        deviation_hz=float(deviation[j]),
        deviation_sigma_hz=float(spread),
        over_noise=float(ratio[j]) - NOISE_BIAS,
        over_unlisted=UNLISTED_ODDS - 0.5 * float(beyond[j]) ** 2,
        **_over_steady(frames, fits, j, float(odd[j])),
    )


def _over_steady(frames: Frames, fits: LineFits, j: int, odd: float) -> dict[str, float]:
    """Log odds of an encoder's tone over other sources with a steady line at that frequency.

    A voice's line swells and fades from frame to frame, and it has company at multiples; a tone's
    residual is only the noise beside it, and an encoder's harmonics are a few per cent.
    """
    amplitude = fits.amplitude[:, j]
    tiny = np.float32(1e-6)
    floor = noise_floor(frames, LOWEST_HZ, HIGHEST_HZ)
    swell = (
        VOICE_BIAS
        + ODD_DEVIATION_WEIGHT * odd
        + UNSTEADY_WEIGHT * np.log(fits.scale[:, j] / amplitude + tiny)
        + QUIETEST_WEIGHT * np.log(fits.quietest(j) / amplitude + 0.01)
        + FLOOR_WEIGHT * np.log(floor / amplitude + 0.01)
    )
    families = np.stack([_multiples(frames, fits.frequency_hz[j], amplitude, family) for family in FAMILIES])
    alone = np.log(len(FAMILIES)) - np.logaddexp.reduce(-families, axis=0)
    word, size = comb_excess(frames, WORD_LINES_HZ, LOWEST_HZ, HIGHEST_HZ, fits.frequency_hz[j])
    return {
        "over_voice": float(np.median(swell + MULTIPLES_WEIGHT * np.clip(alone, -8.0, 3.0))),
        "over_machine": MACHINE_ODDS + float(np.median(alone)),
        "over_word": WORD_ODDS - WORD_SLOPE * max(word, 0.0) * min(max(size, 0.0), 1.0),
    }


def _multiples(frames: Frames, frequency_hz: float, amplitude: Real, family: Family) -> Real:
    """Log likelihood of "no company at these multiples" over "usual company", shape (stretches,)."""
    within = 45.0, 0.42 * frames.rate_hz
    there = [(k * frequency_hz, size) for k, size in family if within[0] < k * frequency_hz < within[1]]
    if not there:
        return np.zeros(frames.stretches, np.float32)
    lines = fit_lines(frames, np.array([hz for hz, _ in there]))
    found = lines.amplitude / amplitude[:, None]
    noise = (lines.scale / amplitude[:, None]) ** 2 * np.float32(2.0 / frames.count)
    alone: Real = _clean(found, noise, np.array([size for _, size in there])).sum(axis=1)
    return alone


def _clean(found: Real, noise: Real, usual: NDArray[np.float64]) -> Real:
    """Log likelihood of "distortion at most" over "company", from relative sizes found in that noise."""

    def log_density(size: NDArray[np.float64] | float) -> Real:
        density: Real = -np.log(noise + size**2) - found**2 / (noise + size**2)
        return density

    small, some = log_density(ENCODER_DISTORTION), log_density(0.15)
    clean = np.logaddexp(np.log(0.95) + small, np.log(0.05) + some)
    company = np.logaddexp(np.log(0.75) + log_density(usual), np.log(0.25) + some)
    ratio: Real = np.clip(clean - company, -20.0, 3.0)
    return ratio
