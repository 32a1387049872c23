"""The International Morse code: which dots and dashes stand for which sign.

A table and the law of spacing; it sends nothing and hears nothing.
"""

from __future__ import annotations

# ITU-R M.1677-1 (10/2009), part I, 1.1 (letters, figures, punctuation marks and signs); from memory.
# The multiplication sign has the code of X, the invitation to transmit that of K; they are read as letters.
LETTERS = {
    **{"A": ".-", "B": "-...", "C": "-.-.", "D": "-..", "E": ".", "F": "..-.", "G": "--.", "H": "...."},
    **{"I": "..", "J": ".---", "K": "-.-", "L": ".-..", "M": "--", "N": "-.", "O": "---", "P": ".--."},
    **{"Q": "--.-", "R": ".-.", "S": "...", "T": "-", "U": "..-", "V": "...-", "W": ".--", "X": "-..-"},
    **{"Y": "-.--", "Z": "--..", "É": "..-.."},
}
FIGURES = {
    **{"1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": "....."},
    **{"6": "-....", "7": "--...", "8": "---..", "9": "----.", "0": "-----"},
}
MARKS = {
    **{
        ".": ".-.-.-",
        ",": "--..--",
        ":": "---...",
        "?": "..--..",
        "'": ".----.",
        "-": "-....-",
        "/": "-..-.",
    },
    **{"(": "-.--.", ")": "-.--.-", '"': ".-..-.", "=": "-...-", "+": ".-.-.", "@": ".--.-."},
}
# Signs without a written form: starting signal, wait, end of work, understood, error.
# Between operators they are called by the letters they would be, run together.
PROCEDURAL = {
    "<KA>": "-.-.-",
    "<AS>": ".-...",
    "<SK>": "...-.-",
    "<SN>": "...-.",
    "<HH>": "........",
}
CODE_OF_SIGN = {**LETTERS, **FIGURES, **MARKS, **PROCEDURAL}
SIGN_OF_CODE = {code: sign for sign, code in CODE_OF_SIGN.items()}

# ITU-R M.1677-1, part I, 2: spacing and length of the signals, in dots.
DASH_DOTS = 3
SPACE_IN_SIGN_DOTS = 1
SPACE_BETWEEN_SIGNS_DOTS = 3
SPACE_BETWEEN_WORDS_DOTS = 7

PARIS_DOTS = 50  # the word that speed is counted in, with the space behind it (common practice)


def dot_s(words_per_minute: float) -> float:
    """Length of a dot at a speed counted in words like PARIS, seconds.

    Raises
    ------
    ValueError
        The speed is not positive.

    Examples
    --------
    >>> round(dot_s(20.0), 6)
    0.06
    """
    if not words_per_minute > 0:
        raise ValueError(f"words_per_minute is {words_per_minute}; it must be positive")
    return 60.0 / (PARIS_DOTS * words_per_minute)


def signs_of(text: str) -> list[list[str]]:
    """The codes of a text, word by word; procedural signs stand in angle brackets, `<SK>`.

    Raises
    ------
    ValueError
        The text holds a sign that has no code.
    """
    return [_codes_of_word(word) for word in text.upper().split()]


def _codes_of_word(word: str) -> list[str]:
    codes = []
    at = 0
    while at < len(word):
        sign = word[at : word.find(">", at) + 1] if word[at] == "<" and ">" in word[at:] else word[at]
        if sign not in CODE_OF_SIGN:
            raise ValueError(
                f"text holds {sign!r}; it must be made of letters, figures and signs that have a code"
            )
        codes.append(CODE_OF_SIGN[sign])
        at += len(sign)
    return codes
