"""The bits of one SAME burst: where it begins, how fast its clock runs, and how sure each bit is.

47 CFR 11.31(a)(1): frequency shift keying at 520.83 bit/s, a mark (1) of 2083.3 Hz, a space (0) of 1562.5
Hz, so a bit of 1.92 ms holds four cycles or three. Each bit therefore ends in the phase in which it began:
the two tones are orthogonal over a bit and each keeps its phase from one of its bits to the next, which is
worth 1 dB over looking at energies alone. Nothing here knows what the bits say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from dsp.signalling.passage import RATE_HZ

Bits = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BIT_S = 1.92e-3  # 47 CFR 11.31(a)(1)
BIT_SAMPLES = BIT_S * RATE_HZ
CYCLES = (3, 4)  # of space and mark in a bit (computed from the two tones and the bit rate)

PREAMBLE_BYTES = 16  # 47 CFR 11.31(c)
SYNC_PREAMBLE_BYTES = 12  # of which the last twelve are looked for: a squelch may eat the first
CLOCK_SPAN = 0.01
_CLOCKS = 1 + np.linspace(-CLOCK_SPAN, CLOCK_SPAN, 9)  # a quarter of a bit over half the template apart
_STEPS_PER_BIT = 4

#: Pearson correlation of the template's 128 bits with what came: 0.69 expected at an audio SNR of -3 dB
#: (300 to 3000 Hz), and a standard deviation of 0.09 with noise, so five of them.
LEAST_CORRELATION = 0.45
APART_SAMPLES = int(0.3 * RATE_HZ)  # two bursts begin further apart: the shortest takes 0.31 s

_GAIN_BITS = 33  # over which a tone's amplitude and phase are taken as steady: 63 ms
_MOST_SAID = 0.5
_LEAST_AMPLITUDE = 0.7  # of that in the known bits: half the power, more than a station on the air varies


def bits_of(text: bytes) -> Bits:
    """Bits in the order sent, 0 or 1: the least significant of a byte first (from memory)."""
    return np.unpackbits(np.frombuffer(text, np.uint8), bitorder="little").astype(np.float64)


PREAMBLE = bits_of(b"\xab" * SYNC_PREAMBLE_BYTES)
OPENINGS = (b"ZCZC", b"NNNN")
_TEMPLATES = [2 * np.concatenate([PREAMBLE, bits_of(opening)]) - 1 for opening in OPENINGS]
TEMPLATE_BITS = len(_TEMPLATES[0])
TEMPLATE_SAMPLES = int(TEMPLATE_BITS * BIT_SAMPLES * (1 + CLOCK_SPAN)) + 1


@dataclass(frozen=True, slots=True)
class Lock:
    """A preamble with the four letters after it.

    Parameters
    ----------
    text_sample : float
        Where the first bit of the letters begins, in samples of the audio given.
    clock : float
        Length of its bits against 1.92 ms.
    opening : bytes
        The letters: `ZCZC` or `NNNN`.
    correlation : float
    """

    text_sample: float
    clock: float
    opening: bytes
    correlation: float


@dataclass(frozen=True, slots=True, eq=False)
class SoftBits:
    """What the bits of one text look like.

    Parameters
    ----------
    spaces, marks : ndarray of float64, shape (n,)
        Log likelihood of what came if the bit is 0, or 1, against no sending at all.
    lock : Lock
        Refined.
    typical : float
        Median lean of the known bits towards what they are, nats: twice Eb/N0 in white noise.
    """

    spaces: Bits
    marks: Bits
    lock: Lock
    typical: float


class _ToneSums:
    """Both tones brought to 0 Hz and summed, so that any stretch of them is a difference of two sums."""

    def __init__(self, audio: NDArray[np.float64], clock: float, shifts_hz: tuple[float, float]) -> None:
        instants = np.arange(len(audio))
        self._sums = []
        for cycles, shift_hz in zip(CYCLES, shifts_hz, strict=True):
            turn = 2 * np.pi * (cycles / (BIT_SAMPLES * clock) + shift_hz / RATE_HZ)
            mixed = np.zeros(len(audio) + 1, np.complex128)
            np.cumsum(audio * np.exp(-1j * turn * instants), out=mixed[1:])
            self._sums.append(mixed)

    def over(self, begins: NDArray[np.float64], length: float) -> tuple[Complexes, Complexes]:
        """Space and mark over stretches that begin at any place, whole or not; 0 outside the audio."""
        low, high = (self._weights(edge) for edge in (begins, begins + length))
        space, mark = (
            sums[high[0]] * (1 - high[1])
            + sums[high[0] + 1] * high[1]
            - sums[low[0]] * (1 - low[1])
            - sums[low[0] + 1] * low[1]
            for sums in self._sums
        )
        return space, mark

    def _weights(self, places: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        inside = np.clip(places, 0, len(self._sums[0]) - 1 - 1e-6)
        whole = inside.astype(np.intp)
        return whole, inside - whole


def find_locks(audio: NDArray[np.float64]) -> list[Lock]:
    """Every preamble with `ZCZC` or `NNNN` after it that lies wholly in the audio, in order.

    Parameters
    ----------
    audio : ndarray of float64, shape (n,)
        At 16 kHz, finite.

    Returns
    -------
    list of Lock
        At least 0.3 s apart. Places are good to a quarter of a bit, clocks to a quarter of a per cent.

    Notes
    -----
    The correlation is Pearson's, so neither loudness nor the relative strength of the two tones matters.
    """
    if len(audio) < TEMPLATE_SAMPLES:
        return []
    sums = _ToneSums(audio, 1.0, (0.0, 0.0))
    places, heights, clocks, openings = [], [], [], []
    for clock in _CLOCKS:
        bit = BIT_SAMPLES * clock
        begins = np.arange(0, len(audio) - bit, bit / _STEPS_PER_BIT)
        space, mark = sums.over(begins, bit)
        difference = np.abs(mark) - np.abs(space)
        for phase in range(_STEPS_PER_BIT):
            one_a_bit = difference[phase::_STEPS_PER_BIT]
            if len(one_a_bit) < TEMPLATE_BITS:
                continue
            found = np.stack([_correlate(one_a_bit, template) for template in _TEMPLATES])
            best = found.argmax(axis=0)
            height = found.max(axis=0)
            kept = np.flatnonzero(height >= LEAST_CORRELATION)
            places.append((kept + len(PREAMBLE) + phase / _STEPS_PER_BIT) * bit)
            heights.append(height[kept])
            clocks.append(np.full(len(kept), clock))
            openings.append(best[kept])
    if not places:
        return []
    at, height, clock_of, opening = (np.concatenate(each) for each in (places, heights, clocks, openings))
    locks: list[Lock] = []
    for n in np.argsort(-height):
        if all(abs(at[n] - lock.text_sample) > APART_SAMPLES for lock in locks):
            locks.append(Lock(float(at[n]), float(clock_of[n]), OPENINGS[opening[n]], float(height[n])))
    return sorted(locks, key=lambda lock: lock.text_sample)


def _correlate(values: Bits, template: Bits) -> Bits:
    """Pearson's correlation of a template with every stretch of its length."""
    count = len(template)
    centred = template - template.mean()
    ones = np.ones(count)
    total = np.correlate(values, ones)
    squares = np.correlate(values**2, ones)
    spread = squares - total**2 / count
    # A steady tone has no spread but for rounding: 1e-9 of its own power counts as none.
    spread = np.where(spread > 1e-9 * squares, spread, np.inf)
    correlation: Bits = np.correlate(values, centred) / np.sqrt(spread * (centred @ centred))
    return correlation


def refine(audio: NDArray[np.float64], lock: Lock, text: Bits | None = None) -> Lock:
    """The lock with its clock and place fitted to bits that are known, or taken as they come.

    Parameters
    ----------
    audio : ndarray of float64, shape (n,)
    lock : Lock
        From `find_locks`, or refined before.
    text : ndarray, shape (bits,), optional
        The text's bits, 0 or 1, from the opening on; NaN where not known. The opening alone where absent.
    """
    bits = bits_of(lock.opening) if text is None else text
    signs = 2 * np.concatenate([PREAMBLE, bits]) - 1
    known = np.isfinite(signs)
    numbers = np.arange(len(signs)) - len(PREAMBLE)
    middle = numbers.mean()
    sums = _ToneSums(audio, lock.clock, (0.0, 0.0))
    weights = np.where(known, signs - signs[known].mean(), 0.0)
    place, clock = lock.text_sample, lock.clock
    # The ends are off by a quarter of a bit after the search, and again after each longer text is taken.
    for span in (0.3, 0.1, 0.03):
        shifts = np.linspace(-span, span, 7) * BIT_SAMPLES
        stretches = np.linspace(-span, span, 7) / (len(signs) / 2)
        best = (-np.inf, place, clock)
        for stretch in stretches:
            bit = BIT_SAMPLES * clock * (1 + stretch)
            turned: Bits = place + middle * BIT_SAMPLES * clock + (numbers - middle) * bit
            space, mark = sums.over(turned + shifts[:, np.newaxis], bit)
            difference = np.abs(mark) - np.abs(space)
            score = difference @ weights + np.abs(difference[:, ~known]).sum(axis=1)
            n = int(score.argmax())
            if score[n] > best[0]:
                moved = place + middle * BIT_SAMPLES * (clock - clock * (1 + stretch)) + shifts[n]
                best = (float(score[n]), float(moved), float(clock * (1 + stretch)))
        _, place, clock = best
    return Lock(place, clock, lock.opening, lock.correlation)


def soft_bits(audio: NDArray[np.float64], lock: Lock, count: int, text: Bits | None = None) -> SoftBits:
    """Log likelihoods of the first bits of a text.

    Parameters
    ----------
    audio : ndarray of float64, shape (n,)
    lock : Lock
        Refined.
    count : int
        Bits wanted from the opening on. Those beyond the audio read 0, 0.
    text : ndarray, shape (bits,), optional
        What the bits are believed to be; serves to learn the tones' amplitude, phase and noise, each bit's
        own part left out.

    Notes
    -----
    A tone of complex amplitude g in noise of variance v gives y; against noise alone its log likelihood is
    (2 Re(g* y) - |g|²) / v (Proakis, Digital Communications, 4-1: optimum receiver in white noise). g is
    the mean over 33 bits around, v what is left at a tone while the other is sent.
    """
    numbers = np.arange(-len(PREAMBLE), count).astype(np.float64)
    bit = BIT_SAMPLES * lock.clock
    begins = lock.text_sample + numbers * bit
    known = np.full(len(numbers), np.nan)
    given = bits_of(lock.opening) if text is None else text[:count]
    known[: len(PREAMBLE)] = PREAMBLE
    known[len(PREAMBLE) : len(PREAMBLE) + len(given)] = given
    learned = np.isfinite(known)
    shifts_hz = _tone_shifts_hz(audio, lock, begins[learned], known[learned])
    space, mark = _ToneSums(audio, lock.clock, shifts_hz).over(begins, bit)
    unsure = np.where(learned, known, 0.5)
    marks_share = np.where(learned, unsure, (np.abs(mark) > np.abs(space)).astype(np.float64))
    spaces_ll = marks_ll = np.zeros(len(numbers))
    sending = begins + bit <= len(audio)
    within = len(PREAMBLE) + max(len(given), min(count, 336))  # the shortest header: all of it is sending
    noise = sending & (np.arange(len(numbers)) < within)
    for _ in range(2):
        spaces_ll = _likelihood(space, 1 - marks_share, noise, learned)
        marks_ll = _likelihood(mark, marks_share, noise, learned)
        sure = 1 / (1 + np.exp(-np.clip(marks_ll - spaces_ll, -30, 30)))
        marks_share = np.where(learned, unsure, sure)
    lean = marks_ll - spaces_ll
    typical = max(float(np.median((lean * (2 * unsure - 1))[learned])), 0.0)
    # A click of the discriminator may turn a bit with any force. None says more than half of what a clean
    # one does, so two clean bursts always outvote it.
    excess = (lean - np.clip(lean, -_MOST_SAID * typical, _MOST_SAID * typical)) / 2
    spaces_ll, marks_ll = spaces_ll + excess, marks_ll - excess
    spaces_ll[~sending] = marks_ll[~sending] = 0
    return SoftBits(spaces_ll[len(PREAMBLE) :], marks_ll[len(PREAMBLE) :], lock, typical)


def _likelihood(tone: Complexes, share: Bits, counted: NDArray[np.bool_], learned: NDArray[np.bool_]) -> Bits:
    """Log likelihood of every bit being this tone, `share` saying how far each is believed to be."""
    weighted = tone * share
    amplitude = uniform_filter1d(weighted.real, _GAIN_BITS) + 1j * uniform_filter1d(weighted.imag, _GAIN_BITS)
    weight = uniform_filter1d(share, _GAIN_BITS)
    amplitude = (amplitude - weighted / _GAIN_BITS) / np.maximum(weight - share / _GAIN_BITS, 2 / _GAIN_BITS)
    # What ends the text must not pass for a weaker sending: the tone is as strong as where its bits are
    # known.
    local = np.abs(amplitude)
    floor = _LEAST_AMPLITUDE * float(np.average(local[learned], weights=share[learned] + 1e-9))
    amplitude *= np.maximum(local, floor) / np.maximum(local, 1e-30)
    away = np.where(counted, 1 - share, 0.0)
    variance = float((np.abs(tone) ** 2 * away).sum() / max(away.sum(), 1.0))
    # A clean recording has no noise but what a clock's last error leaves: 1 % of the power at the least.
    loudest = float(
        (np.abs(tone) ** 2 * np.where(counted, share, 0.0)).sum() / max(share[counted].sum(), 1.0)
    )
    variance = max(variance, 0.01 * loudest, 1e-30)
    likelihood: Bits = (2 * (amplitude.conj() * tone).real - np.abs(amplitude) ** 2) / variance
    return likelihood


def _tone_shifts_hz(
    audio: NDArray[np.float64], lock: Lock, begins: NDArray[np.float64], bits: Bits
) -> tuple[float, float]:
    """How far each tone stands from where the clock puts it, within 30 Hz, from bits that are known."""
    space, mark = _ToneSums(audio, lock.clock, (0.0, 0.0)).over(begins, BIT_SAMPLES * lock.clock)
    trial_hz = np.arange(-30.0, 30.1, 1.0)
    turning = np.exp(-2j * np.pi * trial_hz[:, None] * begins / RATE_HZ)
    shifts = []
    for tone, share in ((space, 1 - bits), (mark, bits)):
        height = np.abs(turning @ (tone * share))
        n = int(height.argmax())
        shift_hz = trial_hz[n]
        if 0 < n < len(trial_hz) - 1:
            before, top, after = height[n - 1 : n + 2]
            bend = before - 2 * top + after
            shift_hz += 0.5 * (before - after) / bend if bend < 0 else 0.0
        shifts.append(float(shift_hz))
    return shifts[0], shifts[1]
