"""SAME: the digital header and end of a weather alert, 47 CFR 11.31, found in the audio of a transmission.

A cheap gate on the spectra says where most of the power lies around the two tones; there alone the preamble
is looked for (`dsp.signalling.same_modem`). The soft bits of up to three bursts are added, and the
likeliest header that the grammar allows is read from the sum (`dsp.signalling.same_header`). Bits add up
better than votes: two weak bursts that each say "perhaps" say "yes" together.

False claims: a preamble correlation of 0.45 over 128 bits, then bits known beforehand that agree as random
ones do with probability exp(-25) at most (header), or `NNNN` with at most one bit in 32 wrong (end of
message).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import RealSamples
from dsp.signalling import same_header, same_modem
from dsp.signalling.passage import BIN_HZ, BINS, HOP_SAMPLES, RATE_HZ, Passage
from dsp.signalling.same_header import Reading
from dsp.signalling.same_modem import BIT_SAMPLES, Lock, SoftBits

#: Hops over which the gate looks: 0.25 s, the length of the preamble.
_GATE_HOPS = 25
#: Share of the power between 300 and 3000 Hz that lies from 1300 to 2350 Hz. White noise has 0.39 and
#: scatters by 0.02; a burst at an audio SNR of -3 dB has 0.58.
_GATE_SHARE = 0.5
#: And each tone's neighbourhood holds this much of it: white noise has 0.06, a burst at -3 dB 0.16; a tone
#: 6 dB under the other still passes at 0 dB. Keeps other modems out.
_TONE_SHARE = 0.08


def _columns(*bands_hz: tuple[float, float]) -> NDArray[np.float32]:
    """What adds up the power of a spectrum in each of some bands, in one product; shape (105, bands)."""
    sums = np.zeros((BINS, len(bands_hz)), np.float32)
    for column, (low_hz, high_hz) in enumerate(bands_hz):
        sums[round(low_hz / BIN_HZ) : round(high_hz / BIN_HZ) + 1, column] = 1
    return sums


_SUMS = _columns((1312.5, 2343.75), (1500.0, 1625.0), (2000.0, 2156.25), (300.0, 3000.0))
_SHARES = np.array([_GATE_SHARE, _TONE_SHARE, _TONE_SHARE])

_MOST_BITS = 8 * same_header.MOST_CHARACTERS
_LONGEST_S = 4.2  # of a text: 268 characters at the slowest clock
_KEPT_SAMPLES = int((_LONGEST_S + 1.3) * RATE_HZ)  # with the preamble and a passage
_LATE_SAMPLES = int(0.6 * RATE_HZ)  # how far back the search begins when the gate opens
_SILENCE_S = 2.0  # after which no further burst is waited for: the pause is one second
_NEXT_TEXT_S = 1.6  # the next burst's text begins so long after the last one's end, at most

_MOST_BURSTS = 3
_SURE_LOG_ODDS = float(np.log(99))
_END_BITS = 32
_LEAST_END_EVIDENCE = {1: 18.0, 2: 15.0, 3: 15.0}  # by bursts; nats, see `same_header.end_evidence`


_OTHER_LETTERS = 3
#: Twice Eb/N0 from which a header is believed: of one burst 15 dB, where FM is above its threshold and clicks
#: are rare; of two or three together 13 dB, as they outvote a click.
_SURE_ALONE, _SURE_TOGETHER = 60.0, 40.0
_LEAST_BURST_EVIDENCE = 5.0  # nats
_LEAST_UNREAD_CORRELATION = 0.6  # 0.69 is expected at -3 dB


@dataclass(frozen=True, slots=True)
class SameMessage:
    """A header.

    Parameters
    ----------
    header : str
        `ZCZC-…-`, as read.
    bursts : int
        How many of the three were heard; 1 is "heard once".
    start_s, stop_s : float
        From the first preamble to the end of the last header, counted from the carrier's rise.
    corrected_bits : int
        Bits of all bursts that read otherwise one by one.
    log_odds : float
        Natural logarithm of the odds that every character is right, within ±50.
    confident : bool
        Odds of 99 to 1 or better, a text within the grammar, and enough Eb/N0 (15 dB once, 13 dB in all).
    """

    header: str
    bursts: int
    start_s: float
    stop_s: float
    corrected_bits: int
    log_odds: float
    confident: bool

    @property
    def heard_once(self) -> bool:
        """Whether no second burst bears the header out."""
        return self.bursts == 1


@dataclass(frozen=True, slots=True)
class SameEnd:
    """The end of a message, `NNNN`; fields as for `SameMessage`."""

    bursts: int
    start_s: float
    stop_s: float
    corrected_bits: int


@dataclass(frozen=True, slots=True, eq=False)
class _Burst:
    """One burst with the audio it lies in, so that it can be read again with what the others said."""

    audio: NDArray[np.float64]
    first_sample: int
    lock: Lock  # in samples of `audio`
    soft: SoftBits
    reading: Reading | None

    @property
    def text_sample(self) -> float:
        return self.first_sample + self.lock.text_sample

    def stop_sample(self, bits: int) -> float:
        return self.text_sample + bits * BIT_SAMPLES * self.lock.clock


class SameDecoder:
    """Headers and ends of message in one transmission.

    `push` takes passages in order and returns what became certain: a header with the third burst, or about
    2 s after the last one heard. `finish` returns what was still waited for. Holds 5.5 s of audio, and the
    bursts of one message.
    """

    def __init__(self) -> None:
        self._kept: deque[RealSamples] = deque()
        self._kept_first = 0
        self._available = 0
        self._gate_before = np.zeros((_GATE_HOPS - 1, _SUMS.shape[1]), np.float32)
        self._gate_was_open = False
        self._pending: list[Lock] = []  # in samples of the transmission
        self._group: list[_Burst] = []
        self._taken_until = -np.inf  # what lies in a burst already taken is no burst of its own

    def push(self, passage: Passage) -> list[SameMessage | SameEnd]:
        """Take the next passage."""
        self._keep(passage)
        is_open = self._gate_opens(passage)
        if is_open or self._gate_was_open:
            begin = passage.first_sample - (
                same_modem.TEMPLATE_SAMPLES if self._gate_was_open else _LATE_SAMPLES
            )
            self._search(begin)
        self._gate_was_open = is_open
        if not self._pending and not self._group:
            return []
        return self._advance(at_end=False)

    def finish(self) -> list[SameMessage | SameEnd]:
        """The transmission is over."""
        return self._advance(at_end=True)

    def _keep(self, passage: Passage) -> None:
        if not self._kept:
            self._kept_first = passage.first_sample
        self._kept.append(passage.audio)
        self._available = passage.first_sample + len(passage.audio)
        while self._available - self._kept_first - len(self._kept[0]) >= _KEPT_SAMPLES:
            self._kept_first += len(self._kept.popleft())

    def _gate_opens(self, passage: Passage) -> bool:
        with np.errstate(all="ignore"):  # broken input: what is not a number opens nothing
            sums = np.concatenate([self._gate_before, passage.spectra @ _SUMS])
            self._gate_before = sums[1 - _GATE_HOPS :]
            added = np.cumsum(sums, axis=0, dtype=np.float64)
            added[_GATE_HOPS:] -= added[:-_GATE_HOPS].copy()
            # Few hops of noise lie anywhere: a transmission has to be as old as the gate looks back.
            begin = _GATE_HOPS - 1 if passage.first_sample else 2 * (_GATE_HOPS - 1)
            shares, voice = added[begin:, :-1], added[begin:, -1:]
            return bool(np.any(np.all(shares > _SHARES * voice, axis=1)))

    def _audio_from(self, first: int) -> NDArray[np.float64]:
        """What is kept from a sample on, finite, its largest magnitude 1 at most; zeros before it began."""
        pieces, at = [], self._kept_first
        for piece in self._kept:
            if at + len(piece) > first:
                pieces.append(piece[max(first - at, 0) :])
            at += len(piece)
        missing = np.zeros(max(self._kept_first - first, 0), np.float32)
        audio = np.concatenate([missing, *pieces]).astype(np.float64)
        np.nan_to_num(audio, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        largest = float(np.abs(audio).max(initial=0.0))
        return audio / largest if largest > 0 else audio

    def _search(self, first: int) -> None:
        """Look for preambles from a sample on."""
        for found in same_modem.find_locks(self._audio_from(first)):
            lock = replace(found, text_sample=found.text_sample + first)
            if lock.text_sample <= self._taken_until:
                continue
            near = [
                other
                for other in self._pending
                if abs(other.text_sample - lock.text_sample) <= same_modem.APART_SAMPLES
            ]
            if all(other.correlation < lock.correlation for other in near):
                self._pending = [other for other in self._pending if other not in near] + [lock]
        self._pending.sort(key=lambda lock: lock.text_sample)

    def _advance(self, *, at_end: bool) -> list[SameMessage | SameEnd]:
        """Read what has come in whole, and tell what is due."""
        told: list[SameMessage | SameEnd] = []
        while self._pending:
            burst = self._read(self._pending[0], at_end=at_end)
            if burst is None:
                break
            self._pending.pop(0)
            if not _is_likely(burst):
                continue
            if self._group and not self._belongs(burst):
                told += self._tell()
            self._group.append(burst)
            self._taken_until = burst.text_sample + same_modem.APART_SAMPLES
            if burst.reading is not None and burst.reading.grammatical:
                self._taken_until = burst.stop_sample(8 * len(burst.reading.text))
            self._pending = [lock for lock in self._pending if lock.text_sample > self._taken_until]
            if len(self._group) == _MOST_BURSTS:
                told += self._tell()
        if self._group and (at_end or self._is_due()):
            told += self._tell()
        return told

    def _read(self, found: Lock, *, at_end: bool) -> _Burst | None:
        """The burst, or None while more of it may come."""
        is_end = found.opening == b"NNNN"
        heard_s = (self._available - found.text_sample) / RATE_HZ
        whole_s = (_END_BITS if is_end else same_header.SHORTEST_BITS) * same_modem.BIT_S
        if heard_s < whole_s + 0.3 and not at_end:
            return None
        first = int(found.text_sample) - same_modem.TEMPLATE_SAMPLES
        audio = self._audio_from(first)
        lock = same_modem.refine(audio, replace(found, text_sample=found.text_sample - first))
        if is_end:
            soft = same_modem.soft_bits(audio, lock, _END_BITS)
            return _Burst(audio, first, lock, soft, None)
        unknown = np.full(same_header.SHORTEST_BITS, np.nan)
        unknown[:32] = same_modem.bits_of(found.opening)
        lock = same_modem.refine(audio, lock, unknown)
        soft = same_modem.soft_bits(audio, lock, _MOST_BITS)
        reading = same_header.read_header(soft.spaces, soft.marks)
        is_whole = (
            reading is not None
            and reading.grammatical
            and reading.log_odds > 0
            and 8 * len(reading.text) * same_modem.BIT_S < heard_s - 0.05
        )
        if is_whole or at_end or heard_s >= _LONGEST_S:
            return _Burst(audio, first, lock, soft, reading)
        return None

    def _belongs(self, burst: _Burst) -> bool:
        """Whether a burst repeats what the others said, as far as can be told."""
        if burst.lock.opening != self._group[0].lock.opening:
            return False
        if burst.text_sample - self._stop_sample() > (_SILENCE_S + 0.5) * RATE_HZ:
            return False
        sure = [
            other.reading.text
            for other in (*self._group, burst)
            if other.reading is not None and other.reading.log_odds > _SURE_LOG_ODDS
        ]
        # A click may turn a letter of a burst that seems sure; another message differs in more.
        return all(_apart(sure[0], other) < _OTHER_LETTERS for other in sure)

    def _stop_sample(self) -> float:
        """Where the last burst's text ends, as far as is known."""
        last = self._group[-1]
        known = [8 * len(burst.reading.text) for burst in self._group if burst.reading is not None]
        shortest = _END_BITS if last.lock.opening == b"NNNN" else same_header.SHORTEST_BITS
        return last.stop_sample(max(known, default=shortest))

    def _is_due(self) -> bool:
        stop = self._stop_sample()
        coming = any(lock.text_sample - stop < _NEXT_TEXT_S * RATE_HZ for lock in self._pending)
        return not coming and self._available >= stop + _SILENCE_S * RATE_HZ - HOP_SAMPLES

    def _tell(self) -> list[SameMessage | SameEnd]:
        """What the bursts together say; the group is empty afterwards."""
        group, self._group = self._group, []
        if group[0].lock.opening == b"NNNN":
            return _end_of_message(group)
        spaces, marks = _sum(group)
        reading = same_header.read_header(spaces, marks)
        if reading is None:
            return []
        again = _read_again(group, reading) if reading.grammatical else (group, reading)
        group, reading = again
        bits = same_header.bits_of_text(reading.text)
        return [
            SameMessage(
                header=reading.text,
                bursts=len(group),
                start_s=_start_s(group[0]),
                stop_s=group[-1].stop_sample(len(bits)) / RATE_HZ,
                corrected_bits=_corrected(group, bits),
                log_odds=reading.log_odds,
                confident=(
                    reading.grammatical
                    and reading.log_odds >= _SURE_LOG_ODDS
                    and sum(burst.soft.typical for burst in group)
                    >= (_SURE_ALONE if len(group) == 1 else _SURE_TOGETHER)
                ),
            )
        ]


def _apart(text: str, other: str) -> int:
    """In how many places two texts differ."""
    return sum(a != b for a, b in zip(text, other, strict=False)) + abs(len(text) - len(other))


def _is_likely(burst: _Burst) -> bool:
    """Whether a burst adds to others: a lock by chance would only add noise to their sum.

    Of 32 random bits eight or fewer are wrong once in 300 times. A header too noisy to be read alone is still
    one if its lock is better than chance gives it.
    """
    if burst.lock.opening == b"NNNN":
        lean = (burst.soft.marks - burst.soft.spaces).reshape(-1, 8)
        return same_header.end_evidence(lean) >= _LEAST_BURST_EVIDENCE
    return burst.reading is not None or burst.lock.correlation >= _LEAST_UNREAD_CORRELATION


def _sum(group: list[_Burst]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    spaces = np.sum([burst.soft.spaces for burst in group], axis=0)
    marks = np.sum([burst.soft.marks for burst in group], axis=0)
    return spaces, marks


def _read_again(group: list[_Burst], reading: Reading) -> tuple[list[_Burst], Reading]:
    """Bursts fitted anew to the text that all of them say together, and what they say then."""
    bits = same_header.bits_of_text(reading.text)
    fitted = []
    for burst in group:
        lock = same_modem.refine(burst.audio, burst.lock, bits)
        soft = same_modem.soft_bits(burst.audio, lock, _MOST_BITS, bits)
        fitted.append(replace(burst, lock=lock, soft=soft))
    spaces, marks = _sum(fitted)
    second = same_header.read_header(spaces, marks)
    return (fitted, second) if second is not None else (group, reading)


def _end_of_message(group: list[_Burst]) -> list[SameMessage | SameEnd]:
    spaces, marks = _sum(group)
    lean = (marks - spaces).reshape(-1, 8)
    if same_header.end_evidence(lean) < _LEAST_END_EVIDENCE[len(group)]:
        return []
    bits = same_header.bits_of_text("NNNN")
    stop_s = group[-1].stop_sample(len(bits)) / RATE_HZ
    return [SameEnd(len(group), _start_s(group[0]), stop_s, _corrected(group, bits))]


def _start_s(burst: _Burst) -> float:
    """Where its preamble begins, the carrier's rise at the earliest."""
    preamble = 8 * same_modem.PREAMBLE_BYTES * BIT_SAMPLES * burst.lock.clock
    return max(burst.text_sample - preamble, 0.0) / RATE_HZ


def _corrected(group: list[_Burst], bits: NDArray[np.float64]) -> int:
    """Bits that a burst alone would have read otherwise."""
    count = len(bits)
    return sum(
        int(((burst.soft.marks[:count] > burst.soft.spaces[:count]) != (bits > 0.5)).sum()) for burst in group
    )
