"""Which digital code (DCS) lies under a transmission, or that none does.

Takes the low band of `dsp.signalling.tone_lowband`. No bit is ever decided: the Golay code is perfect, so
that repairing three errors would take 58 of 100 random windows for a listed word. Instead every listed word
in every phase is weighed against the lines of the word rate as a whole (`dsp.signalling.code_fit`), and one
is named only where the odds leave fewer than one false claim in ten thousand transmissions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.code_fit import RATE_ERROR, fit_code
from dsp.signalling.code_lines import cut_frames
from dsp.signalling.golay import BIT_RATE_HZ, partner
from dsp.signalling.tail import turn_off

LOWEST_RATE_HZ = 1000.0
SHORTEST_S = 0.3  # 1.75 words: under that even a clean code is hardly better than chance
# Within a stretch one clock holds for all; longer transmissions are judged in stretches of about 3 s, and of
# those longer than 24 s in eight, evenly spread: more says nothing new about a word that never stops.
STRETCH_S, MOST_STRETCHES = 3.0, 8

# The log-likelihood ratio that noise, voices, tones, hum and data reach by chance falls off
# exponentially. Measured over 20 000 of them of 0.3 to 4 s (2 to 23 words), by length: it goes down by an
# e-fold over SCALE, and fewer than one in 100 000 passes NEEDED. A short look has to show more, because its
# few frames can be fitted by almost anything.
SCALE_LONG, SCALE_SHORT = 1.4, 3.0
NEEDED_LONG, NEEDED_SHORT = 30.0, 60.0
# What has lines of its own, such as an idle pattern of data, fits a little better than noise, and that little
# counts once a word.
NEEDED_PER_WORD = 1.0
RATE_SIGMAS = 3.0  # by which a bit rate may pass the tolerance of encoders
UNSEEN_WORDS = 0.85
# How much better a word that is in no list may explain the lines: there are 3500 times as many of those
# (2**23 over 104 * 23: 8 nats), but one is sent ten thousand times less often than a listed one (9 nats; our
# guess). Measured: strange words gain hundreds, noise on a listed word seldom 10.
STRANGE_LOG_RATIO = 17.0
# Makers set 250 to 800 Hz, as for tones (secondary). What fits at a hundredth of that is a residue of a
# strong hum or whistle beside the lines: under 100 Hz each e-fold costs.
LEAST_DEVIATION_HZ, FAINTNESS_COST = 100.0, 15.0
PRIOR_CODE = 0.5  # how many transmissions carry a code is not known here


@dataclass(frozen=True, slots=True)
class DcsPiece:
    """What one stretch of low band says about the digital code under it.

    Parameters
    ----------
    code : str or None
        The normal code of the word, three octal digits of the 104 listed, or None for "no listed code".
    probability : float
        Posterior probability that what `code` says (the code, or none) is right, 0 to 1.
    log_odds : float
        Natural logarithm of the odds for the code over none.
    deviation_hz, deviation_sigma_hz : float or None
        Swing of a long run of equal bits and its standard error by noise alone; what the transmitter's
        filter takes and this room does not know moves it by up to a tenth, and near the FM threshold the
        discriminator loses some of it: measured 8 % at 4 dB, 28 % at 0 dB. None without a code.
    bit_rate_hz, bit_rate_sigma_hz : float or None
        None without a code; no error is known for less than two frames (0.34 s).
    turn_off_s : float or None
        When the 134.4 Hz turn-off tone began, seconds after the first sample; None where none is heard.
    """

    code: str | None
    probability: float
    log_odds: float
    deviation_hz: float | None = None
    deviation_sigma_hz: float | None = None
    bit_rate_hz: float | None = None
    bit_rate_sigma_hz: float | None = None
    turn_off_s: float | None = None

    @property
    def name(self) -> str | None:
        """The code as it is logged, for example "023N"; None without a code."""
        return None if self.code is None else f"{self.code}N"

    @property
    def inverted_name(self) -> str | None:
        """The same signal as the inverted word of its partner, for example "047I"; None without a code."""
        return None if self.code is None else f"{partner(self.code)}I"


def first_word(low_band: NDArray[np.floating], rate_hz: float) -> DcsPiece:
    """Which code do the first 400 to 500 ms of a transmission carry?

    Parameters, return value and errors are those of `decide`, and so is the rate of false claims; only the
    turn-off tone is not looked for. Under 0.3 s says "none" and claims nothing.
    """
    return _judge(low_band, rate_hz, whole=False)


def decide(low_band: NDArray[np.floating], rate_hz: float) -> DcsPiece:
    """Which code does this whole transmission carry?

    Parameters
    ----------
    low_band : ndarray of float32, shape (n,)
        From `LowBand`, Hz, of one transmission; the carrier's offset may still be in it, a turn-off
        tone at its end too. Empty, constant or shorter than 0.3 s says "none" with a probability that
        claims nothing.
    rate_hz : float
        Of `low_band`, 1000 or more.

    Returns
    -------
    DcsPiece

    Raises
    ------
    ValueError
        The low band is not one-dimensional, holds something that is no number, or the rate is under
        1000 Hz.

    Notes
    -----
    Not causal: it looks at the whole. An inverted code is its partner's normal code, so a discriminator of
    the wrong sign names the partner. Of a transmission longer than 24 s, eight stretches of 3 s are looked
    at; a code that is sent during one of them only is named.

    References
    ----------
    TIA-603 1.3.5.5 (secondary: config/dcs.csv). Generalised likelihood ratio with unknown noise power on each
    line: Kay, "Fundamentals of Statistical Signal Processing", vol. II, 1998, chapter 9 (from memory).
    """
    return _judge(low_band, rate_hz, whole=True)


def needed_log_ratio(words: float) -> float:
    """What the log-likelihood ratio of a stretch of so many words must reach; 1.75 or more."""
    return NEEDED_LONG + NEEDED_SHORT / (words - UNSEEN_WORDS) + NEEDED_PER_WORD * words


def _judge(low_band: NDArray[np.floating], rate_hz: float, *, whole: bool) -> DcsPiece:
    if low_band.ndim != 1:
        raise ValueError(f"low_band has {low_band.ndim} dimensions; it must have one")
    if not rate_hz >= LOWEST_RATE_HZ:
        raise ValueError(f"rate_hz is {rate_hz}; it must be 1000 or more")
    if not np.all(np.isfinite(low_band)):
        raise ValueError("low_band holds a value that is not finite; every one must be a number")
    seconds = len(low_band) / rate_hz
    stretches = min(MOST_STRETCHES, max(1, int(np.ceil(seconds / STRETCH_S))))
    frames = None
    if seconds >= SHORTEST_S:
        frames = cut_frames(low_band, rate_hz, stretches, min(STRETCH_S, seconds / stretches))
    if frames is None:
        return DcsPiece(None, PRIOR_CODE, 0.0)
    fit = fit_code(frames)
    scale = SCALE_LONG + SCALE_SHORT / (frames.words - UNSEEN_WORDS)
    log_odds = min(
        (fit.log_ratio - needed_log_ratio(frames.words)) / scale, STRANGE_LOG_RATIO - fit.strange_log_ratio
    )
    if 0.0 < fit.deviation_hz < LEAST_DEVIATION_HZ:
        log_odds += FAINTNESS_COST * float(np.log(fit.deviation_hz / LEAST_DEVIATION_HZ))
    beyond = (abs(fit.rate_error) - RATE_ERROR) / fit.rate_error_sigma
    if beyond > RATE_SIGMAS:
        log_odds = min(log_odds, RATE_SIGMAS - beyond)
    p_code = float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -700, 700))))
    if log_odds < 0:
        return DcsPiece(None, 1.0 - p_code, log_odds)
    tail = turn_off(low_band, rate_hz, fit.deviation_hz) if whole else None
    timed = fit.rate_error_sigma < np.inf
    return DcsPiece(
        code=fit.code,
        probability=p_code,
        log_odds=log_odds,
        deviation_hz=fit.deviation_hz,
        deviation_sigma_hz=fit.deviation_sigma_hz,
        bit_rate_hz=BIT_RATE_HZ * (1.0 + fit.rate_error) if timed else None,
        bit_rate_sigma_hz=BIT_RATE_HZ * fit.rate_error_sigma if timed else None,
        turn_off_s=None if tail is None else seconds - tail.before_end_s,
    )
