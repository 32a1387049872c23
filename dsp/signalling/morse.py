"""Station identification in Morse code, as repeaters send it: a keyed tone, alone or under a voice.

Every second is looked over on the spectra that are there anyway, for a line that comes and goes at one
frequency; only where there is one is the audio itself brought down to a narrow band, and what came
together is read when the keying has stopped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import RealSamples
from dsp.overlapping import overlapping
from dsp.signalling.morse_code import CODE_OF_SIGN, FIGURES, LETTERS
from dsp.signalling.morse_reading import NARROW_RATE_HZ, UNREADABLE, KeyedText, read_keying
from dsp.signalling.passage import BIN_HZ, RATE_HZ, Passage

LEAST_SIGNS = 3
LEAST_LIT_PASSAGES = 2
MOST_READINGS = 64  # of one transmission: a beacon that never stops must not fill the memory

# The share of transmissions without Morse that bring a keyed line by chance; together with the odds
# of a reading it makes the confidence. No claim is made below `LEAST_LOG_ODDS`.
_PRIOR_LOG_ODDS = -8.0
LEAST_LOG_ODDS = 14.0
# How likely all signs are right, by the odds a mark brings: fitted to 138 idents at 2.5 to 15 dB
# carrier-to-noise, most of them under a voice, 91 % of which were read without a fault.
_RIGHT_SLOPE, _RIGHT_MIDDLE = 1.8, 1.5

_FIRST_BIN, _LAST_BIN = 12, 42  # 375 to 1312 Hz: pitches of 400 to 1300 Hz and what they spill
_ASIDE = 4  # bins between a line and what it must stand over: 125 Hz
_OVER = np.float32(6.0)  # a line is 8 dB over the stronger side
_LEAST_LIT, _MOST_LIT = 10, 47  # of 50 looks in a second, those that show the line
_LEAST_RISES = 2  # how often it comes up in that second, to begin with; once is enough later
_STEADY_SHARE = 0.6  # of these within 3 dB of their upper quartile
_HOLE_PASSAGES = 1  # a passage without keying does not yet end it
_MOST_PASSAGES = 40  # in one piece; more is read in pieces
_STRIDE = RATE_HZ // NARROW_RATE_HZ
_TAPS = 3 * _STRIDE
_TAPER = np.hanning(_TAPS + 2)[1:-1] / np.hanning(_TAPS + 2).sum()


@dataclass(frozen=True, slots=True)
class MorseReading:
    """What a transmission said in Morse code.

    Parameters
    ----------
    text : str
        Letters, figures, signs; `*` stands for a group that is no sign, procedural signs in angle brackets.
    start_s, stop_s : float
        From the carrier's rise to the first mark's beginning and the last mark's end.
    pitch_hz : float
        Of the tone.
    words_per_minute : float
        Speed in words like PARIS.
    confidence : float
        0 to 1: the posterior probability that a tone was keyed in Morse code here, times that of every sign
        of it being right.
    """

    text: str
    start_s: float
    stop_s: float
    pitch_hz: float
    words_per_minute: float
    confidence: float


class MorseDecoder:
    """Reads the identification of one transmission.

    `push` gives what has become readable, `finish` all there was. Memory does not grow with the length of the
    transmission: at most 40 s of narrow samples, one passage of audio and 64 readings are kept.
    """

    def __init__(self) -> None:
        self._readings: list[MorseReading] = []
        self._narrow: list[NDArray[np.complex64]] = []
        self._bin = 0
        self._first_sample = 0
        self._dark = 0
        self._lit = 0  # passages of what is gathered that show the keying
        self._previous: Passage | None = None
        self._edge = np.zeros(_TAPS - _STRIDE, np.float32)

    def push(self, passage: Passage) -> list[MorseReading]:
        """Take the next passage; what could be read since the last."""
        if not np.isfinite(passage.spectra.sum()):  # what is not finite in the audio shows there
            ended = self._read()
            self._previous = None
            return ended
        lit = keyed_bin(passage.spectra, 1 if self._narrow else _LEAST_RISES)
        read: list[MorseReading] = []
        if self._narrow:
            self._dark = 0 if lit is not None and abs(lit - self._bin) <= 1 else self._dark + 1
            if lit is not None and self._dark > _HOLE_PASSAGES:
                read = self._read()
                self._begin(lit, passage)  # another tone
            else:
                self._gather(passage)
                self._lit += lit is not None
                if self._dark > _HOLE_PASSAGES or len(self._narrow) >= _MOST_PASSAGES:
                    read = self._read()
        elif lit is not None:
            self._begin(lit, passage)
        self._previous = passage
        return read

    def finish(self) -> tuple[MorseReading, ...]:
        """All that was read in this transmission, in order of time."""
        self._read()
        self._previous = None
        return tuple(self._readings)

    def _begin(self, lit: int, passage: Passage) -> None:
        self._bin, self._dark, self._lit = lit, 0, 1
        self._edge = np.zeros(_TAPS - _STRIDE, np.float32)
        self._first_sample = passage.first_sample
        before = self._previous
        if before is not None and before.first_sample + len(before.audio) == passage.first_sample:
            self._first_sample = before.first_sample
            self._gather(before)
        self._gather(passage)

    def _gather(self, passage: Passage) -> None:
        self._narrow.append(narrowed(passage.audio, self._edge, self._bin * BIN_HZ))
        self._edge = np.concatenate([self._edge, passage.audio])[len(passage.audio) :].copy()

    def _read(self) -> list[MorseReading]:
        """Read what was gathered and forget it."""
        if not self._narrow:
            return []
        if self._lit < LEAST_LIT_PASSAGES:  # a voice's own line, mostly: three signs take longer
            self._narrow = []
            return []
        narrow = _turned(np.concatenate(self._narrow), self._bin * BIN_HZ)
        texts = read_keying(narrow)
        self._narrow = []
        # The taper's middle stands half its length before the newest sample it saw.
        began_s = (self._first_sample + _STRIDE - (_TAPS + 1) / 2) / RATE_HZ
        readings = [self._reading(text, began_s) for text in texts if is_claim(text)]
        readings = readings[: MOST_READINGS - len(self._readings)]
        self._readings += readings
        return readings

    def _reading(self, text: KeyedText, began_s: float) -> MorseReading:
        is_morse = _logistic(_PRIOR_LOG_ODDS + text.log_odds)
        all_right = _logistic(_RIGHT_SLOPE * (text.log_odds / text.marks - _RIGHT_MIDDLE))
        return MorseReading(
            text=text.text,
            start_s=max(text.start_s + began_s, 0.0),
            stop_s=text.stop_s + began_s,
            pitch_hz=self._bin * BIN_HZ + text.off_hz,
            words_per_minute=text.words_per_minute,
            confidence=is_morse * all_right,
        )


def _logistic(log_odds: float) -> float:
    return float(1 / (1 + np.exp(-min(max(log_odds, -60.0), 60.0))))


def is_claim(text: KeyedText) -> bool:
    """Whether a reading is sure enough to be told: odds, three signs, nearly all readable, no beeping."""
    signs = text.text.replace(" ", "")
    plain = [sign for sign in signs if sign in LETTERS or sign in FIGURES]
    codes = "".join(CODE_OF_SIGN[sign] for sign in plain)
    return (
        text.log_odds >= LEAST_LOG_ODDS
        and text.signs >= LEAST_SIGNS
        and signs.count(UNREADABLE) * 6 <= len(signs)
        and len(set(plain)) >= 2
        and len(set(codes)) == 2
        and sum(sign not in "EIT" for sign in plain) >= max(2, len(plain) / 3)
    )


def keyed_bin(spectra: NDArray[np.float32], least_rises: int = _LEAST_RISES) -> int | None:
    """The bin in which a line of steady power comes and goes, or None.

    Parameters
    ----------
    spectra : ndarray of float32, shape (n, 105)
        Of one passage.
    least_rises : int
        How often it must have come up.
    """
    looks = spectra[::2, _FIRST_BIN - _ASIDE - 1 : _LAST_BIN + _ASIDE + 2]
    if not len(looks):
        return None
    lines = looks[:, :-2] + looks[:, 1:-1]
    lines += looks[:, 2:]
    sides = np.maximum(lines[:, : -2 * _ASIDE], lines[:, 2 * _ASIDE :])
    sides *= _OVER
    middle = lines[:, _ASIDE:-_ASIDE]
    lit = middle > sides
    shown = np.where(lit, middle, np.float32(0.0)).sum(axis=0)
    best = int(shown.argmax())
    shows = lit[:, best]
    powers = middle[shows, best]
    if not _LEAST_LIT <= len(powers) <= _MOST_LIT:
        return None
    if np.count_nonzero(shows[1:] > shows[:-1]) < least_rises:
        return None
    upper = np.partition(powers, -(len(powers) // 4) - 1)[-(len(powers) // 4) - 1]
    steady = np.count_nonzero(powers > 0.5 * upper) >= _STEADY_SHARE * len(powers)
    return _FIRST_BIN + best if steady else None


def narrowed(audio: RealSamples, edge: RealSamples, pitch_hz: float) -> NDArray[np.complex64]:
    """Audio brought down from a pitch to 400 complex samples a second, each turned from its own start."""
    joined = np.concatenate([edge, audio])
    windows = overlapping(joined, _TAPS, _STRIDE)
    turn = np.exp(-2j * np.pi * pitch_hz / RATE_HZ * np.arange(_TAPS)) * _TAPER
    both = np.stack([turn.real, turn.imag], axis=1).astype(np.float32)
    return np.ascontiguousarray(windows @ both).view(np.complex64)[:, 0]


def _turned(narrow: NDArray[np.complex64], pitch_hz: float) -> NDArray[np.complex64]:
    """Turn every sample back by what the pitch has moved on since the first."""
    places = np.arange(len(narrow)) * (_STRIDE * pitch_hz / RATE_HZ)
    return np.asarray(narrow * np.exp(-2j * np.pi * (places % 1.0)), dtype=np.complex64)
