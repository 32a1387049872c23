"""The Morse code against ITU-R M.1677-1 (10/2009), "International Morse code", part I, 1 and 2; from memory.

The signals are written here row by row as the Recommendation groups them, apart from the table under test.
Speed: the word PARIS with its space is 50 dots (common practice, no source in the Recommendation).
"""

from __future__ import annotations

import numpy as np
import pytest

from dsp.modulate.morse import morse
from dsp.signalling.morse_code import CODE_OF_SIGN, PARIS_DOTS, SIGN_OF_CODE, dot_s, signs_of

LETTERS = """
a .-      i ..      r .-.
b -...    j .---    s ...
c -.-.    k -.-     t -
d -..     l .-..    u ..-
e .       m --      v ...-
é ..-..   n -.      w .--
f ..-.    o ---     x -..-
g --.     p .--.    y -.--
h ....    q --.-    z --..
"""
FIGURES = """
1 .----   6 -....
2 ..---   7 --...
3 ...--   8 ---..
4 ....-   9 ----.
5 .....   0 -----
"""
MARKS = """
. .-.-.-    ? ..--..    ( -.--.    " .-..-.    @ .--.-.
, --..--    ' .----.    ) -.--.-   = -...-
: ---...    - -....-    / -..-.    + .-.-.
"""
# Part I, 1.1.3: understood, error (eight dots), wait, end of work, starting signal.
PROCEDURAL = {"<SN>": "...-.", "<HH>": "." * 8, "<AS>": ".-...", "<SK>": "...-.-", "<KA>": "-.-.-"}


def rows(table: str) -> list[tuple[str, str]]:
    words = table.split()
    return list(zip(words[::2], words[1::2], strict=True))


@pytest.mark.parametrize(("sign", "code"), rows(LETTERS) + rows(FIGURES) + rows(MARKS))
def test_each_sign_is_the_recommendations(sign: str, code: str) -> None:
    assert CODE_OF_SIGN[sign.upper()] == code


def test_procedural_signs_are_the_recommendations() -> None:
    assert {sign: CODE_OF_SIGN[sign] for sign in PROCEDURAL} == PROCEDURAL


def test_the_table_holds_nothing_else_and_no_code_twice() -> None:
    listed = {code for _, code in rows(LETTERS) + rows(FIGURES) + rows(MARKS)} | set(PROCEDURAL.values())
    assert set(CODE_OF_SIGN.values()) == listed
    assert len(SIGN_OF_CODE) == len(CODE_OF_SIGN)


def test_a_run_together_sign_is_the_signs_it_is_called_by() -> None:
    # <SK> is s and k without the space between them, and so on.
    for sign, code in PROCEDURAL.items():
        assert code == "".join(CODE_OF_SIGN[letter] for letter in sign.strip("<>"))


def test_paris_is_fifty_dots_long() -> None:
    # Part I, 2: dash 3 dots, space in a letter 1, between letters 3, between words 7.
    dots = 0
    for code in signs_of("PARIS")[0]:
        dots += sum(1 if element == "." else 3 for element in code) + (len(code) - 1) + 3
    assert dots - 3 + 7 == PARIS_DOTS == 50
    assert dot_s(50.0) * PARIS_DOTS * 50 == pytest.approx(60.0)


@pytest.mark.parametrize("words_per_minute", [8.0, 20.0, 35.0])
def test_paris_sent_over_and_over_makes_the_words_a_minute(words_per_minute: float) -> None:
    once, twice = (
        len(morse(text, words_per_minute=words_per_minute, rate_hz=16_000))
        for text in ("PARIS", "PARIS PARIS")
    )
    assert 60 * 16_000 / (twice - once) == pytest.approx(words_per_minute, rel=1e-3)


def test_marks_and_spaces_have_the_lengths_of_the_recommendation() -> None:
    # "AE T": dot, 1, dash, 3, dot, 7, dash, at 12 words a minute: a dot of 100 ms.
    sound = morse("AE T", words_per_minute=12.0, rate_hz=8000, pitch_hz=1000.0, rise_s=0.0)
    loud = np.abs(sound).reshape(-1, 8).max(axis=1) > 0.1  # one period of the tone each
    edges = np.flatnonzero(np.diff(np.concatenate([[0], loud.astype(int), [0]])))
    assert np.diff(edges).tolist() == [100, 100, 300, 300, 100, 700, 300]
