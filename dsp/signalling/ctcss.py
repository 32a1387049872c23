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

from dsp.signalling.tone_line import Frames, cut_frames, fit_lines, likely_lines

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
FINE_STEPS = 7
FINE_STEP_SPANS = 0.1  # of one over the span: the fit's peak is about one span wide

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
    """The best listed line of one stretch and what speaks for and against its being a tone."""

    tone_hz: float
    estimate_hz: float
    estimate_sigma_hz: float
    deviation_hz: float
    deviation_sigma_hz: float
    over_noise: float  # log odds of a steady line over noise and wandering voice
    over_steady: float  # log odds of a tone over other steady things


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


FIRST_LOG_ODDS = 1.0
FINAL_LOG_ODDS = 2.0
PRIOR_TONE = 0.5  # how many transmissions carry a tone is not known here
NOISE_ODDS = -13.0
STEADY_ODDS = 2.0


def _judge(low_band: NDArray[np.float32], rate_hz: float, needed_log_odds: float) -> TonePiece:
    if low_band.ndim != 1:
        raise ValueError(f"low_band has {low_band.ndim} dimensions; it must have one")
    if not rate_hz >= 1000.0:
        raise ValueError(f"rate_hz is {rate_hz}; it must be 1000 or more")
    frames = cut_frames(low_band, rate_hz)
    evidence = _weigh(frames) if frames is not None else None
    if evidence is None:
        return TonePiece(None, None, None, None, None, PRIOR_TONE, 0.0)
    against = np.logaddexp(-evidence.over_noise, -evidence.over_steady)
    log_odds = float(-against)
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


def _weigh(frames: Frames) -> _Evidence | None:
    if not np.any(frames.tapered):
        return None
    trial_hz = likely_lines(frames, LOWEST_HZ, HIGHEST_HZ, CANDIDATES)
    if not len(trial_hz):
        return None
    step_hz = FINE_STEP_SPANS / frames.seconds
    grid = trial_hz[:, None] + step_hz * (np.arange(FINE_STEPS) - FINE_STEPS // 2)
    fits = fit_lines(frames, grid.ravel())
    ratio = fits.log_ratio.reshape(grid.shape)
    best = np.argmax(ratio, axis=1)
    pick = np.arange(len(grid)) * FINE_STEPS + best
    frequency, amplitude, scale = fits.frequency_hz[pick], np.abs(fits.amplitude[pick]), fits.scale[pick]

    spread = np.sqrt(5.0 / 3.0) * scale  # a t law with one degree of freedom, as a Gaussian of equal worth
    sigma_hz = spread / amplitude * np.sqrt(6.0 / frames.count) / (2 * np.pi * frames.seconds)
    tone = np.array([nearest_tone_hz(f) for f in frequency])
    off = np.abs(frequency / tone - 1.0)
    beyond = np.maximum(off - ENCODER_TOLERANCE, 0.0) / (2e-4 + sigma_hz / frequency)
    low, high = USUAL_DEVIATION_HZ
    odd = np.log(np.maximum(np.maximum(low / np.maximum(amplitude, 1e-6), amplitude / high), 1.0))
    merit = fits.log_ratio[pick] - 0.5 * beyond**2 - 0.5 * (odd / DEVIATION_SPREAD) ** 2
    j = int(np.argmax(merit))
    return _Evidence(
        tone_hz=float(tone[j]),
        estimate_hz=float(frequency[j]),
        estimate_sigma_hz=float(sigma_hz[j]),
        deviation_hz=float(amplitude[j]),
        deviation_sigma_hz=float(spread[j] / np.sqrt(2.0 * frames.count)),
        over_noise=float(merit[j]) + NOISE_ODDS,
        over_steady=_tone_over_steady(frames, float(frequency[j]), float(amplitude[j]), float(scale[j])),
    )


def _tone_over_steady(frames: Frames, frequency_hz: float, amplitude: float, scale: float) -> float:
    """Log odds of an encoder's tone over a monotone voice, hum or music with a line at that frequency."""
    log_odds = STEADY_ODDS
    # A voice's line swells and fades from frame to frame; a tone's residual is only what lies beside it.
    log_odds += 6.0 * np.log(0.45 / max(scale / amplitude, 0.05))
    # A periodic source has lines at multiples; an encoder's second harmonic is a few per cent.
    for multiple, usual in ((2.0, 0.6), (3.0, 0.5), (0.5, 0.6), (1.5, 0.5)):
        there_hz = multiple * frequency_hz
        if not 50.0 < there_hz < 0.42 * frames.rate_hz:
            continue
        line = fit_lines(frames, np.array([there_hz]))
        noise = float(line.scale[0]) ** 2 * 2.0 / frames.count
        clean, rich = noise + (0.06 * amplitude) ** 2, noise + (usual * amplitude) ** 2
        found = abs(line.amplitude[0]) ** 2
        log_odds += max(-10.0, float(np.log(rich / clean) - found * (1.0 / clean - 1.0 / rich)))
    return float(log_odds)
