"""What a SAME header says, read from soft bits by the grammar it has to follow.

47 CFR 11.31(c): `ZCZC-ORG-EEE-PSSCCC+TTTT-JJJHHMM-LLLLLLLL-`, with a further `-PSSCCC` for each further
place. Of every header the most likely is taken; so a digit is chosen among ten characters, not among 256.
Which of the bits are the same in all headers is known beforehand, and how well these agree with what came
says whether there was a header at all.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

Bits = NDArray[np.float64]

MOST_PLACES = 31  # from memory: 47 CFR 11.31(c) as read does not give it, encoders hold to it
_UPPER = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_DIGITS = "0123456789"
_SENDER = _UPPER + _DIGITS + "/ "  # 11.31(c): a call sign has / in place of -; padded with spaces
_PRINTABLE = "".join(map(chr, range(0x20, 0x7F)))
_BEGIN = [*"ZCZC-", *[_UPPER] * 3, "-", *[_UPPER] * 3]
_PLACE = ["-", *[_DIGITS] * 6]
_END = [
    "+",
    *[_DIGITS] * 2,
    "012345",
    _DIGITS,
    "-",
    "0123",  # day of the year, 001 to 366
    *[_DIGITS] * 2,
    "012",  # UTC
    _DIGITS,
    "012345",
    _DIGITS,
    "-",
    *[_SENDER] * 8,
    "-",
]
BEFORE_PLACES, A_PLACE, AFTER_PLACES = len(_BEGIN), len(_PLACE), len(_END)
MOST_CHARACTERS = BEFORE_PLACES + MOST_PLACES * A_PLACE + AFTER_PLACES
SHORTEST_BITS = 8 * (BEFORE_PLACES + A_PLACE + AFTER_PLACES)

#: Nats of evidence in the bits that are the same in every header: random bits agree so well once in e^25 =
#: 7e10. Some 40 000 places and clocks are looked at in a second that passes the gate, 31 lengths at each.
LEAST_EVIDENCE = 25.0
#: Strongest say of one bit, so that the bound below stays one of many bits.
_BIT_LIMIT = 8.0
#: Nats by which a text outside the grammar has to be likelier to be taken as sent so: fourteen bits read
#: clearly.
_OUTSIDE_GRAMMAR = 30.0
#: Such a text is over where its likelihood has fallen by so many nats from its highest.
_OVER = 10.0

GRAMMAR = re.compile(
    r"ZCZC-[A-Z]{3}-[A-Z]{3}(?:-[0-9]{6}){1,31}\+[0-9]{2}[0-5][0-9]-[0-3][0-9]{2}[0-2][0-9][0-5][0-9]-"
    r"[A-Z0-9/ ]{8}-"
)


def _bits_of(characters: str) -> Bits:
    """Bits of each character, least significant first, shape (characters, 8)."""
    codes = np.frombuffer(characters.encode("ascii"), np.uint8)
    return np.unpackbits(codes[:, None], axis=1, bitorder="little").astype(np.float64)


_BITS = {kind: _bits_of(kind) for kind in {*_BEGIN, *_PLACE, *_END, _PRINTABLE, "N"}}
# +1 or -1 where every character of a kind has the same bit, 0 elsewhere
_FIXED = {kind: np.where(np.ptp(bits, axis=0) == 0, 2 * bits[0] - 1, 0.0) for kind, bits in _BITS.items()}


@dataclass(frozen=True, slots=True)
class Reading:
    """A text read.

    Parameters
    ----------
    text : str
    log_odds : float
        Natural logarithm of the odds that every character is right, given that a header was sent.
    evidence : float
        Nats: random bits agree as well as these with probability exp(-evidence) at most.
    grammatical : bool
        Whether the text follows the grammar.
    """

    text: str
    log_odds: float
    evidence: float
    grammatical: bool


def read_header(spaces: Bits, marks: Bits) -> Reading | None:
    """The most likely header.

    Parameters
    ----------
    spaces, marks : ndarray of float64, shape (n,)
        Log likelihood of each bit being 0, or 1, against nothing being sent. Several bursts are added.

    Returns
    -------
    Reading or None
        None where fewer bits came than the shortest header has, or where the evidence is too thin.

    Notes
    -----
    The evidence is Hoeffding's bound (J. Amer. Stat. Assoc. 58, 1963, theorem 2) on signs at random: a sum of
    ±w_k reaches a with probability exp(-a² / (2 Σ w_k²)) at most.
    """
    characters = min(len(spaces) // 8, MOST_CHARACTERS)
    zero = spaces[: 8 * characters].reshape(-1, 8)
    one = marks[: 8 * characters].reshape(-1, 8)
    scores = {kind: zero @ (1 - bits).T + one @ bits.T for kind, bits in _BITS.items()}
    # All characters of a kind are equally likely beforehand, so longer texts get nothing for their freedom.
    likely = {kind: logsumexp(score, axis=1) - np.log(len(kind)) for kind, score in scores.items()}
    totals = []
    for places in range(1, MOST_PLACES + 1):
        layout = _layout(places)
        if len(layout) > characters:
            break
        totals.append(sum(float(likely[kind][n]) for n, kind in enumerate(layout)))
    if not totals:
        return None
    layout = _layout(int(np.argmax(totals)) + 1)
    lost = 1 - np.exp(max(totals) - logsumexp(totals))  # chance that another number of places is right
    reading = _read(layout, scores, float(lost), one - zero)
    if reading.evidence >= LEAST_EVIDENCE and max(totals) > 0:
        free = _outside_grammar(scores[_PRINTABLE], max(totals), len(layout), one - zero)
        return free or reading
    return None


def evidence_of(layout: list[str], lean: NDArray[np.float64]) -> float:
    """Hoeffding's exponent for the bits that a layout fixes; `lean` is mark against space, shape (n, 8)."""
    fixed = np.stack([_FIXED[kind] for kind in layout])
    said = np.clip(lean[: len(layout)], -_BIT_LIMIT, _BIT_LIMIT)[fixed != 0]
    agreed = float(said @ fixed[fixed != 0])
    power = float(said @ said)
    return agreed**2 / (2 * power) if agreed > 0 and power > 0 else 0.0


def end_evidence(lean: NDArray[np.float64]) -> float:
    """The same for `NNNN`, of 32 bits, with another bound: that of bits counted, no more than 22 nats.

    A text of 32 bits at random is this one with a probability of 2^-32; with k bits wrong the sum of the
    binomial terms up to k takes its place.
    """
    wrong = int((lean[:4] * _FIXED["N"] <= 0).sum())
    ways = np.cumprod(np.concatenate([[1.0], (32 - np.arange(wrong)) / (1 + np.arange(wrong))])).sum()
    return float(32 * np.log(2) - np.log(ways))


def bits_of_text(text: str) -> Bits:
    """The bits of a text as sent, 0 or 1."""
    return _bits_of(text).ravel()


def _layout(places: int) -> list[str]:
    return _BEGIN + _PLACE * places + _END


def _read(
    layout: list[str], scores: dict[str, NDArray[np.float64]], lost: float, lean: NDArray[np.float64]
) -> Reading:
    text = ""
    log_right = float(np.log1p(-min(lost, 1 - 1e-12)))
    for n, kind in enumerate(layout):
        score = scores[kind][n]
        top = int(score.argmax())
        text += kind[top]
        log_right += float(score[top] - logsumexp(score))
    return Reading(text, _log_odds(log_right), evidence_of(layout, lean), True)


def _log_odds(log_right: float) -> float:
    """From the logarithm of a chance to that of its odds, within ±50."""
    wrong = max(-float(np.expm1(min(log_right, 0.0))), 1e-21)
    return float(np.clip(log_right - np.log(wrong), -50.0, 50.0))


def _outside_grammar(
    score: NDArray[np.float64], grammatical: float, length: int, lean: NDArray[np.float64]
) -> Reading | None:
    """A text of printable characters, where over as many characters it fits clearly better; else None."""
    best = score.max(axis=1)
    if best[:length].sum() - length * np.log(len(_PRINTABLE)) < grammatical + _OUTSIDE_GRAMMAR:
        return None
    sums = np.cumsum(best - np.log(len(_PRINTABLE)))
    fallen = np.flatnonzero(np.maximum.accumulate(sums) - sums > _OVER)
    count = int(sums[: fallen[0] if len(fallen) else len(sums)].argmax()) + 1
    chosen = score[:count].argmax(axis=1)
    text = "".join(_PRINTABLE[n] for n in chosen)
    log_right = float((best[:count] - logsumexp(score[:count], axis=1)).sum())
    evidence = evidence_of([*"ZCZC-", *[_PRINTABLE] * (count - 5)], lean)
    if not text.startswith("ZCZC-") or GRAMMAR.fullmatch(text) or evidence < LEAST_EVIDENCE:
        return None
    return Reading(text, _log_odds(log_right), evidence, False)
