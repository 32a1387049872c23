"""Morse code as an audio tone, keyed as repeaters key their identification.

Timing is that of ITU-R M.1677-1; the slopes are raised cosines, centred on the instants the code asks for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.morse_code import (
    DASH_DOTS,
    SPACE_BETWEEN_SIGNS_DOTS,
    SPACE_BETWEEN_WORDS_DOTS,
    SPACE_IN_SIGN_DOTS,
    dot_s,
    signs_of,
)


def morse(
    text: str,
    *,
    words_per_minute: float,
    rate_hz: int,
    pitch_hz: float = 800.0,
    amplitude: float = 1.0,
    rise_s: float = 0.005,
    dash_dots: float = DASH_DOTS,
    sign_space_dots: float = SPACE_BETWEEN_SIGNS_DOTS,
    word_space_dots: float = SPACE_BETWEEN_WORDS_DOTS,
) -> NDArray[np.float32]:
    """A text in Morse code, from the first mark to the end of the last.

    Parameters
    ----------
    text : str
        Letters, figures and signs of the code; procedural signs in angle brackets, `<SK>`.
    words_per_minute : float
        Speed in words like PARIS.
    rate_hz : int
        Samples per second.
    pitch_hz : float
        Frequency of the tone; its phase runs on through the spaces.
    amplitude : float
        1 is a full-scale sine.
    rise_s : float
        Length of each slope; the mark is half up where the code begins it. Cut to one dot where longer.
    dash_dots, sign_space_dots, word_space_dots : float
        Lengths in dots, for keying that departs from the rule.

    Returns
    -------
    ndarray of float32, shape (n,)
        With half a slope before the first mark and after the last; empty for a text without signs.

    Raises
    ------
    ValueError
        A sign has no code, or the speed is not positive.

    Examples
    --------
    >>> sound = morse("PARIS", words_per_minute=20.0, rate_hz=8000, rise_s=0.0)
    >>> round(len(sound) / 8000 / 0.06)  # 50 dots less the space behind the word
    43
    """
    dot = dot_s(words_per_minute)
    marks_s = _marks(text, dash_dots, sign_space_dots, word_space_dots) * dot
    if not len(marks_s):
        return np.zeros(0, dtype=np.float32)
    slope_s = min(max(rise_s, 0.0), dot)
    count = round((marks_s[-1, 1] + slope_s) * rate_hz)
    instants_s = (np.arange(count) + 0.5) / rate_hz - 0.5 * slope_s
    keyed = np.zeros(count)
    for start_s, stop_s in marks_s:
        first, last = (round((edge_s + 0.5 * slope_s) * rate_hz) for edge_s in (start_s, stop_s))
        margin = round(0.5 * slope_s * rate_hz) + 1
        part = slice(max(first - margin, 0), last + margin)
        inside_s = np.minimum(instants_s[part] - start_s, stop_s - instants_s[part])
        lift = np.clip(inside_s / max(slope_s, 1e-9) + 0.5, 0.0, 1.0)
        keyed[part] += np.sin(0.5 * np.pi * lift) ** 2
    tone = np.sin(2.0 * np.pi * pitch_hz * instants_s)
    return np.asarray(amplitude * keyed * tone, dtype=np.float32)


def _marks(
    text: str, dash_dots: float, sign_space_dots: float, word_space_dots: float
) -> NDArray[np.float64]:
    """Start and stop of every mark, in dots from the first."""
    marks = []
    at = 0.0
    for word in signs_of(text):
        for code in word:
            for element in code:
                length = 1.0 if element == "." else dash_dots
                marks.append((at, at + length))
                at += length + SPACE_IN_SIGN_DOTS
            at += sign_space_dots - SPACE_IN_SIGN_DOTS
        at += word_space_dots - sign_space_dots
    return np.array(marks).reshape(-1, 2)
