"""What a keyed tone says: marks and spaces to signs, with the odds that it is Morse code at all.

Takes the tone as narrow complex samples round 0 Hz. The speed comes from the lengths of the marks; with it
a search over dots, dashes and spaces (a hidden semi-Markov model) finds what was sent. It holds no state.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy import special

from dsp.signalling.morse_code import SIGN_OF_CODE, dot_s

NARROW_RATE_HZ = 400  # of the complex samples
GRAIN_HZ = 200  # of the envelope: one value every 5 ms
SLOWEST_WPM, FASTEST_WPM = 8.0, 35.0
UNREADABLE = "*"  # stands for a group of marks that is no sign

_SPEEDS_WPM = np.geomspace(SLOWEST_WPM * 0.9, FASTEST_WPM * 1.1, 48)
_OFF_TUNE_HZ = 25.0  # the tone lies this close to 0 Hz: its bin was found from bins of 31 Hz
_BESIDE_HZ = 95.0  # where the noise, or the voice over the tone, is measured
_SHORTEST_MARK_S = 0.02
_SWITCH_COST = 5.0  # nats for each edge where nothing is known of the speed
_LENGTH_SPREAD = 0.14  # of the logarithm of a length: 5 ms grain, slopes, noise (our choice)
_SPACE_SPREAD = 0.30  # spaces between signs are often drawn out (common practice, no source)
_ANY_LENGTH = float(np.log(1 / np.log(0.6 / 0.02)))  # density of a mark that is no Morse: 20 to 600 ms alike
_PITCH_SPREAD_HZ = 3.0
_ANY_PITCH = float(np.log(1 / 50.0))  # density of a mark's pitch where it is no steady tone
_LEVEL_SPREAD = 0.15  # of the logarithm of a mark's power
_SEARCH_GAIN = 3.0  # nats a mark that a search for dots and dashes finds in noise and speech (measured)
_LEAST_LENGTHS = -0.6  # mean log-density of a length below which no search is worth its time
_LEAST_EDGE_MARK = 1.5  # nats of a lone mark before or behind the rest; a true one has about 3 (measured)
_LEAST_MARKS = 6  # fewer are no three signs worth telling
_PARTING_S = 2.5  # a longer silence ends what was sent
_LEAST_RATIO = 25.0  # no sample is believed beyond this ratio of tone to noise power
_GRAIN_WEIGHT = 0.3  # samples 5 ms apart behind a filter of 16 ms are not independent


@dataclass(frozen=True, slots=True)
class KeyedText:
    """A text, when it was sent, and the odds for it.

    Parameters
    ----------
    text : str
    start_s, stop_s : float
        First mark's beginning and last mark's end, from the first sample handed in.
    off_hz : float
        Frequency of the tone against 0 Hz.
    words_per_minute : float
    log_odds : float
        Natural logarithm of the likelihood of these lengths and pitches in Morse code over that of a tone
        that comes and goes at random.
    marks : int
        Dots and dashes in it.
    signs : int
        How many were read.
    """

    text: str
    start_s: float
    stop_s: float
    off_hz: float
    words_per_minute: float
    log_odds: float
    marks: int
    signs: int


@dataclass(frozen=True, slots=True, eq=False)
class _Keying:
    """Marks in grains of 5 ms: start, stop (half-open) and whether each is a dash."""

    start: NDArray[np.intp]
    stop: NDArray[np.intp]
    dash: NDArray[np.bool_]


def read_keying(narrow: NDArray[np.complex64]) -> list[KeyedText]:
    """What was keyed in this stretch.

    Parameters
    ----------
    narrow : ndarray of complex64, shape (n,)
        At 400 Hz, the tone within 25 Hz of 0.

    Returns
    -------
    list of KeyedText
        In order of time; texts more than 2.5 s apart stand alone. Empty where nothing like keying is there
        or a value is not finite.

    Notes
    -----
    Not causal. Speed is taken to be the same throughout, as machines key.
    """
    if len(narrow) < NARROW_RATE_HZ // 2 or not np.isfinite(narrow).all() or not narrow.any():
        return []
    off_hz = _tone_offset_hz(narrow)
    turn = np.exp(-2j * np.pi * off_hz / NARROW_RATE_HZ * np.arange(len(narrow)))
    tuned = np.asarray(narrow * turn, dtype=np.complex64)
    tone, belief = _belief(tuned)
    if not (belief > 0).any():
        return []
    loose = _two_states(belief)
    if len(loose.start) < _LEAST_MARKS:
        return []
    texts: list[KeyedText] = []
    for first, last in _parted(loose):
        low = max(int(loose.start[first]) - GRAIN_HZ // 2, 0)
        high = min(int(loose.stop[last]) + GRAIN_HZ // 2, len(belief))
        part = _Keying(
            loose.start[first : last + 1] - low,
            loose.stop[first : last + 1] - low,
            loose.dash[first : last + 1],
        )
        text = _read_part(tone[low:high], belief[low:high], part, off_hz)
        if text is not None:
            shift_s = low / GRAIN_HZ
            texts.append(replace(text, start_s=text.start_s + shift_s, stop_s=text.stop_s + shift_s))
    return texts


def _tone_offset_hz(narrow: NDArray[np.complex64]) -> float:
    """Frequency of the strongest line near 0 Hz."""
    length = scipy.fft.next_fast_len(4 * len(narrow))
    power = np.abs(scipy.fft.fft(narrow, length)) ** 2
    bins_hz = scipy.fft.fftfreq(length, 1 / NARROW_RATE_HZ)
    near = np.flatnonzero(np.abs(bins_hz) <= _OFF_TUNE_HZ)
    return float(bins_hz[near[power[near].argmax()]])


def _belief(tuned: NDArray[np.complex64]) -> tuple[NDArray[np.complex64], NDArray[np.float64]]:
    """The tone every 5 ms, and the log-likelihood ratio of "on" over "off" there (Rice over Rayleigh)."""
    taper = np.hanning(15)[1:-1]  # 32 ms long at its foot, 16 ms at half height
    taper /= taper.sum()
    tone = np.convolve(tuned, taper, mode="same")[::2]
    beside = np.exp(2j * np.pi * _BESIDE_HZ / NARROW_RATE_HZ * np.arange(len(tuned)))
    noise = np.abs(np.convolve(tuned * beside, taper, mode="same")[::2]) ** 2
    noise += np.abs(np.convolve(tuned * beside.conj(), taper, mode="same")[::2]) ** 2
    noise = np.convolve(noise / 2, np.full(11, 1 / 11), mode="same")
    power = np.abs(tone) ** 2
    noise += 1e-12 * power.max() + 1e-30
    clear = power > 6 * noise
    if clear.sum() < 8:
        return tone.astype(np.complex64), np.full(len(power), -1.0)
    on_power = float(np.median(power[clear & (power > 0.25 * np.quantile(power[clear], 0.75))]))
    noise = np.maximum(noise, max(on_power / _LEAST_RATIO, 0.5 * float(np.median(noise))))
    reach = 2 * np.sqrt(on_power * power) / noise
    ratio = -on_power / noise + np.log(special.i0e(reach)) + reach
    ratio[power > 6 * on_power] = 0.0  # something louder than the tone says nothing about it
    return tone.astype(np.complex64), np.clip(ratio, -12.0, 12.0) * _GRAIN_WEIGHT


def _two_states(belief: NDArray[np.float64]) -> _Keying:
    """Marks where nothing is known of the speed: Viterbi over "on" and "off" with a price for each edge."""
    # Only the lead of "on" over "off" matters; beyond the price of an edge, the state before it is sure.
    price = _SWITCH_COST
    leads = []
    lead = -price
    for gain in belief.tolist():
        leads.append(lead)
        if lead > price:  # twice as fast as min and max
            lead = price
        elif lead < -price:
            lead = -price
        lead += gain
    before = np.array([*leads[1:], np.inf if lead > 0 else -np.inf])
    sure = np.flatnonzero(np.abs(before) > price)
    following = sure[np.searchsorted(sure, np.arange(len(belief)))]  # what is not sure stays as it goes on
    states = before[following] > 0
    edges = np.diff(np.concatenate([[0], states.astype(np.int8), [0]]))
    start, stop = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    kept = stop - start >= _SHORTEST_MARK_S * GRAIN_HZ
    return _Keying(start[kept], stop[kept], np.zeros(int(kept.sum()), dtype=bool))


def _parted(keying: _Keying) -> list[tuple[int, int]]:
    """First and last mark of each text."""
    pauses = keying.start[1:] - keying.stop[:-1]
    cuts = np.flatnonzero(pauses > _PARTING_S * GRAIN_HZ)
    firsts, lasts = [0, *(cuts + 1).tolist()], [*cuts.tolist(), len(keying.start) - 1]
    return [
        (first, last) for first, last in zip(firsts, lasts, strict=True) if last - first + 1 >= _LEAST_MARKS
    ]


def _read_part(
    tone: NDArray[np.complex64], belief: NDArray[np.float64], loose: _Keying, off_hz: float
) -> KeyedText | None:
    """The best reading of one stretch among the likeliest speeds."""
    best: KeyedText | None = None
    loose_gain = _gain(belief, loose)
    for wpm in _likely_speeds(loose):
        dot = dot_s(wpm) * GRAIN_HZ
        keying = _search(belief, dot)
        if len(keying.start) < _LEAST_MARKS:
            continue
        text = _weigh(tone, keying, dot, off_hz, min(_gain(belief, keying) - loose_gain, 0.0))
        if text is not None and (best is None or text.log_odds > best.log_odds):
            best = text
    return best


def _gain(belief: NDArray[np.float64], keying: _Keying) -> float:
    total = np.concatenate([[0.0], np.cumsum(belief)])
    return float((total[keying.stop] - total[keying.start]).sum())


def _likely_speeds(keying: _Keying) -> list[float]:
    """The speeds under which the marks and spaces are likeliest, two that are not neighbours, or none."""
    dots = np.array([dot_s(wpm) for wpm in _SPEEDS_WPM])[:, None] * GRAIN_HZ
    marks = np.log((keying.stop - keying.start) / dots)
    spaces = np.log(np.maximum(keying.start[1:] - keying.stop[:-1], 1) / dots)
    odds = np.logaddexp(_normal(marks, 0.0, _LENGTH_SPREAD), _normal(marks, np.log(3), _LENGTH_SPREAD))
    score = np.maximum(odds, -6.0).sum(axis=1)
    odds = np.logaddexp(_normal(spaces, 0.0, 0.2), _normal(spaces, np.log(3), _SPACE_SPREAD))
    score += np.maximum(odds, -3.0).sum(axis=1)
    first = int(score.argmax())
    if score[first] < _LEAST_LENGTHS * (marks.shape[1] + spaces.shape[1]):
        return []
    score[max(first - 4, 0) : first + 5] = -np.inf
    return [float(_SPEEDS_WPM[first]), float(_SPEEDS_WPM[int(score.argmax())])]


def _normal(x: NDArray[np.float64], mean: float, spread: float) -> NDArray[np.float64]:
    return np.asarray(
        -0.5 * ((x - mean) / spread) ** 2 - np.log(spread * np.sqrt(2 * np.pi)), dtype=np.float64
    )


def _lengths(
    dot: float, low: float, high: float, nominal: float, spread: float
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Lengths in grains that one element may take, and the price of each."""
    lengths = np.arange(max(round(low * dot), 1), max(round(high * dot), 2) + 1)
    return lengths, -0.5 * (np.log(lengths / (nominal * dot)) / spread) ** 2


def _search(belief: NDArray[np.float64], dot: float) -> _Keying:
    """Dots, dashes and spaces that explain the samples best at one speed."""
    count = len(belief)
    total = np.concatenate([[0.0], np.cumsum(belief)])
    dots, dot_price = _lengths(dot, 0.55, 1.7, 1.0, _LENGTH_SPREAD)
    dashes, dash_price = _lengths(dot, 2.1, 4.2, 3.0, _LENGTH_SPREAD)
    marks = np.concatenate([dots, dashes])
    mark_price = np.concatenate([dot_price, dash_price])
    inner, inner_price = _lengths(dot, 0.5, 1.8, 1.0, 0.2)
    outer, outer_price = _lengths(dot, 2.0, 5.0, 3.0, _SPACE_SPREAD)
    spaces = np.concatenate([inner, outer])
    space_price = np.concatenate([inner_price, outer_price]) - 0.7
    long_space, long_price = round(5.0 * dot), -3.0  # a word's space and anything beyond it
    reach = max(int(marks.max()), int(spaces.max()), long_space) + 1
    worst = -1e18
    # Index `reach + n` is the instant before sample n; before the first there is silence.
    after_space = np.full(reach + count + 1, worst)
    after_mark = np.full(reach + count + 1, worst)
    after_space[: reach + 1] = 0.0
    mark_taken = np.zeros(count + 1, dtype=np.intp)
    space_taken = np.zeros(count + 1, dtype=np.intp)
    padded = np.concatenate([np.full(reach, 0.0), total])
    longest = worst  # best ending of a mark at least a long space ago
    longest_at = 0
    for n in range(1, count + 1):
        at = reach + n
        values = after_space[at - marks] - padded[at - marks] + mark_price
        values[marks > n] = worst
        choice = int(values.argmax())
        after_mark[at] = values[choice] + total[n] - 2.0  # each mark costs something, or noise is all dots
        mark_taken[n] = choice
        if n > long_space and after_mark[at - long_space] > longest:
            longest, longest_at = float(after_mark[at - long_space]), n - long_space
        values = after_mark[at - spaces] + space_price
        choice = int(values.argmax())
        after_space[at] = max(values[choice], longest + long_price, 0.0)
        if after_space[at] == 0.0:
            space_taken[n] = -1  # nothing was keyed until here
        elif values[choice] >= longest + long_price:
            space_taken[n] = n - spaces[choice]
        else:
            space_taken[n] = longest_at
    return _trace(after_mark[reach:], marks, len(dots), mark_taken, space_taken)


def _trace(
    after_mark: NDArray[np.float64],
    marks: NDArray[np.intp],
    dots: int,
    mark_taken: NDArray[np.intp],
    space_taken: NDArray[np.intp],
) -> _Keying:
    """Follow the best path back from the best last mark."""
    starts, stops, dashes = [], [], []
    at = int(after_mark.argmax())
    if after_mark[at] > 0:
        while at > 0:
            choice = mark_taken[at]
            start = at - int(marks[choice])
            starts.append(start)
            stops.append(at)
            dashes.append(choice >= dots)
            at = int(space_taken[start])
    return _Keying(
        np.array(starts[::-1], dtype=np.intp),
        np.array(stops[::-1], dtype=np.intp),
        np.array(dashes[::-1], dtype=bool),
    )


def _weigh(
    tone: NDArray[np.complex64], keying: _Keying, dot: float, off_hz: float, forced: float
) -> KeyedText | None:
    """The text of a keying and its odds; signs at either end that speak against it are left out."""
    lengths = (keying.stop - keying.start).astype(np.float64)
    spaces = (keying.start[1:] - keying.stop[:-1]).astype(np.float64)
    dot = float(
        np.average(lengths / np.where(keying.dash, 3.0, 1.0), weights=np.where(keying.dash, 3.0, 1.0))
    )
    mark_odds = _normal(np.log(lengths / np.where(keying.dash, 3 * dot, dot)), 0.0, _LENGTH_SPREAD)
    mark_odds += np.log(0.5) - _ANY_LENGTH
    pitch_hz, pitch_sigma_hz = _pitches(tone, keying)
    middle_hz = float(np.average(pitch_hz, weights=1 / pitch_sigma_hz**2))
    spread_hz = np.sqrt(_PITCH_SPREAD_HZ**2 + pitch_sigma_hz**2)
    away = (pitch_hz - middle_hz) / spread_hz
    mark_odds += np.maximum(-0.5 * away**2 - np.log(spread_hz * np.sqrt(2 * np.pi)) - _ANY_PITCH, -8.0)
    mark_odds += _level_odds(tone, keying) - _SEARCH_GAIN
    inner = spaces < 2.0 * dot
    space_odds = np.where(inner, _normal(np.log(spaces / dot), 0.0, 0.2) + np.log(0.6) - _ANY_LENGTH, 0.0)
    between = ~inner & (spaces < 5.0 * dot)
    outer_odds = _normal(np.log(spaces / (3 * dot)), 0.0, _SPACE_SPREAD) + np.log(0.3) - _ANY_LENGTH
    space_odds[between] = outer_odds[between]

    groups = np.concatenate([[0], np.cumsum(~inner)])  # the sign that each mark belongs to
    marks = np.bincount(groups)
    odds = np.bincount(groups, mark_odds)
    odds += np.bincount(groups[1:], np.where(inner, space_odds, 0.0), minlength=len(odds))
    between_odds = np.where(inner, 0.0, space_odds)
    spare = odds / marks - np.where(marks == 1, _LEAST_EDGE_MARK, 0.0)
    first, last = 0, len(odds)
    while last - first > 1 and min(spare[first], spare[last - 1]) < 0.0:
        first, last = (first + 1, last) if spare[first] < spare[last - 1] else (first, last - 1)
    kept = np.flatnonzero((groups >= first) & (groups < last))
    text, signs = _text(keying.dash[kept], spaces[kept[0] : kept[-1]], dot)
    return KeyedText(
        text=text,
        start_s=float(keying.start[kept[0]]) / GRAIN_HZ,
        stop_s=float(keying.stop[kept[-1]]) / GRAIN_HZ,
        off_hz=off_hz + middle_hz,
        words_per_minute=1.2 * GRAIN_HZ / dot,
        log_odds=float(odds[first:last].sum() + between_odds[kept[0] : kept[-1]].sum()) + forced,
        marks=len(kept),
        signs=signs,
    )


def _level_odds(tone: NDArray[np.complex64], keying: _Keying) -> NDArray[np.float64]:
    """Odds of each mark's power: a keyed tone always comes back as strong, and leaves silence between."""
    total = np.concatenate([[0.0], np.cumsum(np.abs(tone) ** 2, dtype=np.float64)])
    marks = (total[keying.stop] - total[keying.start]) / (keying.stop - keying.start)
    low, high = keying.stop[:-1], keying.start[1:]
    middle = np.minimum((low + high) // 2, len(tone) - 1)  # the grain farthest from both marks
    silence = np.maximum(total[middle + 1] - total[middle], 1e-30)
    silence = np.append(silence, silence[-1])
    levels = np.log(np.maximum(marks, 1e-30))
    away = levels - np.median(levels)
    spread = np.sqrt(_LEVEL_SPREAD**2 + np.minimum(silence / np.maximum(marks, 1e-30), 1.0))
    same = -0.5 * (away / spread) ** 2 - np.log(spread)
    any_level = -0.5 * away**2  # a spread of 1: the power of noise in a mark's time
    return np.asarray(np.maximum(same - any_level, -4.0), dtype=np.float64)


def _pitches(tone: NDArray[np.complex64], keying: _Keying) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequency of each mark and how well a mark of its length can tell it, Hz."""
    products = np.concatenate([[0.0], np.cumsum(tone[1:] * tone[:-1].conj())])
    upper = np.maximum(np.minimum(keying.stop, len(tone)) - 1, keying.start + 1)
    turned = products[np.minimum(upper, len(products) - 1)] - products[keying.start]
    seconds = (keying.stop - keying.start) / GRAIN_HZ
    return np.angle(turned) * GRAIN_HZ / (2 * np.pi), np.asarray(0.15 / seconds, dtype=np.float64)


def _text(dash: NDArray[np.bool_], spaces: NDArray[np.float64], dot: float) -> tuple[str, int]:
    """Signs of a row of marks, with a blank between words, and how many were read."""
    text, code, signs = "", "", 0
    for n, is_dash in enumerate(dash.tolist()):
        code += "-" if is_dash else "."
        if n < len(spaces) and spaces[n] < 2.0 * dot:
            continue
        sign = SIGN_OF_CODE.get(code)
        text += UNREADABLE if sign is None else sign
        signs += sign is not None
        code = ""
        if n < len(spaces) and spaces[n] >= 5.0 * dot:
            text += " "
    return text, signs
