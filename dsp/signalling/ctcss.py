"""Which of the 50 continuous tones lies under a transmission, or that none does.

Takes the low band of `dsp.signalling.tone_lowband`, has its steady lines weighed by
`dsp.signalling.tone_evidence`, and names a tone only when the odds say so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.tone_evidence import START, WHOLE, Evidence, Rules, weigh
from dsp.signalling.tone_line import Frames, cut_frames
from dsp.signalling.tone_table import TONES_HZ

_LISTED_HZ = np.array(TONES_HZ)

# Up to 6 s one phase holds for all; longer transmissions are judged in stretches of about 4 s, and of
# those longer than a minute sixteen, evenly spread: more says nothing new about a tone that never stops.
WHOLE_S, STRETCH_S, MOST_STRETCHES = 6.0, 4.0, 16
SHORT_S = 0.4  # too short for the rules of a whole transmission
# A reverse burst (80 to 200 ms, makers' figures) and what the squelch leaves of the noise after it.
BURST_S, BURST_FROM_S = 0.25, 0.6
HALVES_FROM_S = 2.0  # a tone may begin late, or another station follow on the same carrier
# Over noise: under these there is no line worth a second look. A phase flip costs a line much of its odds.
LINE_LOG_ODDS, BURST_LOG_ODDS = 0.0, -5.0
LOWEST_RATE_HZ = 1200.0  # the voice that goes with a pitch is looked for up to 560 Hz

FIRST_LOG_ODDS = 0.0
FINAL_LOG_ODDS = 0.75
PRIOR_TONE = 0.5  # how many transmissions carry a tone is not known here


@dataclass(frozen=True, slots=True)
class TonePiece:
    """What one stretch of low band says about the tone under it.

    Parameters
    ----------
    tone_hz : float or None
        The listed tone, or None for "no listed tone".
    estimate_hz, estimate_sigma_hz : float or None
        Frequency of the line that is most likely a listed tone and its standard error; None where the
        stretch is too short to measure one.
    deviation_hz, deviation_sigma_hz : float or None
        Peak deviation of that line and its standard error. Near the FM threshold the discriminator
        loses some of it: measured 9 % at 3 dB, under 1 % at 10 dB.
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


def nearest_tone_hz(frequency_hz: float) -> float:
    """The listed tone with the smallest relative distance to a frequency."""
    return float(_LISTED_HZ[np.argmin(np.abs(np.log(frequency_hz / _LISTED_HZ)))])


def first_word(low_band: NDArray[np.float32], rate_hz: float) -> TonePiece:
    """Which tone do the first 250 to 300 ms of a transmission carry?

    Parameters, return value and errors are those of `decide`. A frequency is measured well enough in
    that time; what needs longer is telling a tone from a voice's own pitch, so the rules differ.
    """
    return _judge(low_band, rate_hz, START, FIRST_LOG_ODDS)


def decide(low_band: NDArray[np.float32], rate_hz: float) -> TonePiece:
    """Which tone does this whole transmission carry?

    Parameters
    ----------
    low_band : ndarray of float32, shape (n,)
        From `LowBand`, Hz, of one transmission; the carrier's offset may still be in it, a reverse
        burst at its end too. Empty, constant or shorter than 0.17 s says "none" with a probability
        that claims nothing.
    rate_hz : float
        Of `low_band`, 1200 or more.

    Returns
    -------
    TonePiece

    Raises
    ------
    ValueError
        The low band is not one-dimensional, holds something that is no number, or the rate is under
        1200 Hz.

    Notes
    -----
    Not causal: it looks at the whole. What limits it is not noise (0.03 Hz after 1 s at 3 dB) but what
    else lies in the tone band: a loud voice whose pitch stays within 15 Hz of the tone for most of a
    second, or a steady line stronger than the tone and closer than 30 Hz. Of a transmission longer than
    64 s, sixteen stretches of 4 s are looked at.
    """
    short = len(low_band) < SHORT_S * rate_hz
    return _judge(low_band, rate_hz, START if short else WHOLE, FINAL_LOG_ODDS)


def _judge(low_band: NDArray[np.float32], rate_hz: float, rules: Rules, needed: float) -> TonePiece:
    if low_band.ndim != 1:
        raise ValueError(f"low_band has {low_band.ndim} dimensions; it must have one")
    if not rate_hz >= LOWEST_RATE_HZ:
        raise ValueError(f"rate_hz is {rate_hz}; it must be 1200 or more")
    if not np.all(np.isfinite(low_band)):
        raise ValueError("low_band holds a value that is not finite; every one must be a number")
    evidence = _look(low_band, rate_hz, rules, needed)
    if evidence is None:
        return TonePiece(None, None, None, None, None, PRIOR_TONE, 0.0)
    log_odds = evidence.log_odds
    named = log_odds >= needed
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


def _look(low_band: NDArray[np.float32], rate_hz: float, rules: Rules, needed: float) -> Evidence | None:
    """The evidence of all frames or, where that is not enough, of a part that may stand for them."""
    frames = _stretches(low_band, rate_hz)
    if frames is None or not np.any(frames.tapered):
        return None
    best = weigh(frames, _LISTED_HZ, rules, needed)
    if best.log_odds >= needed or frames.stretches > 1:
        return best
    looks: list[Frames | None] = []
    if frames.stretch_s >= BURST_FROM_S and best.over_noise > BURST_LOG_ODDS:
        looks.append(frames.without_end(BURST_S))
    if frames.stretch_s >= HALVES_FROM_S and best.over_noise > LINE_LOG_ODDS:
        middle = len(low_band) // 2
        looks += [cut_frames(low_band[:middle], rate_hz), cut_frames(low_band[middle:], rate_hz)]
    for part in looks:
        again = weigh(part, _LISTED_HZ, rules, needed) if part is not None else best
        if again.log_odds > best.log_odds:
            best = again
    return best


def _stretches(low_band: NDArray[np.float32], rate_hz: float) -> Frames | None:
    seconds = len(low_band) / rate_hz
    if seconds <= WHOLE_S:
        return cut_frames(low_band, rate_hz)
    wanted = int(np.ceil(seconds / STRETCH_S))
    if wanted <= MOST_STRETCHES:
        return cut_frames(low_band, rate_hz, wanted)
    return cut_frames(low_band, rate_hz, MOST_STRETCHES, STRETCH_S)
