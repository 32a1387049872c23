"""The code words of digital coded squelch: built, rotated, turned over, and called by their names.

A word has 23 bits of the Golay code: 11 of parity, then 1 0 0, then a code of three octal digits. It is sent
over and over without a start mark, so a word and its rotations are one signal, and because all-ones is
a code word, a word with every bit turned is a word as well. This room decides nothing about signals.

References
----------
M. J. E. Golay, "Notes on digital coding", Proc. IRE 37, 1949 (the code; from memory). TIA-603 1.3.5.5 and its
code table, as secondary copies give them (config/dcs.csv).
"""

from __future__ import annotations

from functools import cache

WORD_BITS, PARITY_BITS, CODE_BITS = 23, 11, 9
BIT_RATE_HZ = 134.4  # TIA-603 1.3.5.5 (secondary)
GENERATOR = 0b1100_0111_0101  # x^11 + x^10 + x^6 + x^5 + x^4 + x^2 + 1
MARK = 0b100  # the three fixed bits above the code
_ALL_ONES = (1 << WORD_BITS) - 1

# The 104 codes of common tables (config/dcs.csv): one for each word that is in use.
_LISTED = (
    "023 025 026 031 032 036 043 047 051 053 054 065 071 072 073 074 114 115 116 122 125 131 132 134 "
    "143 145 152 155 156 162 165 172 174 205 212 223 225 226 243 244 245 246 251 252 255 261 263 265 "
    "266 271 274 306 311 315 325 331 332 343 346 351 356 364 365 371 411 412 413 423 431 432 445 446 "
    "452 454 455 462 464 465 466 503 506 516 523 526 532 546 565 606 612 624 627 631 632 654 662 664 "
    "703 712 723 731 732 734 743 754"
)
CODES: tuple[str, ...] = tuple(_LISTED.split())


def code_word(code: str) -> int:
    """The 23 bits of a code, the first bit sent being the least significant.

    Parameters
    ----------
    code : str
        Three octal digits, listed or not.

    Returns
    -------
    int
        Parity, 1 0 0, code; from the most significant bit on.

    Raises
    ------
    ValueError
        `code` is not three octal digits.

    Examples
    --------
    >>> f"{code_word('023'):06X}"
    '763813'
    """
    if len(code) != 3 or any(digit not in "01234567" for digit in code):
        raise ValueError(f"code is {code!r}; it must be three octal digits, 000 to 777")
    message = MARK << CODE_BITS | int(code, 8)
    return remainder(message << PARITY_BITS) << (MARK.bit_length() + CODE_BITS) | message


def remainder(polynomial: int) -> int:
    """What is left of 23 bits, taken as a polynomial over GF(2), after division by the generator.

    0 for a code word and every rotation of one, because the code is cyclic.
    """
    for place in range(polynomial.bit_length() - 1, PARITY_BITS - 1, -1):
        if polynomial >> place & 1:
            polynomial ^= GENERATOR << (place - PARITY_BITS)
    return polynomial


def sent_bits(word: int) -> tuple[int, ...]:
    """The bits of a word in the order they are sent, 0 or 1, the first one first.

    Examples
    --------
    >>> "".join(map(str, sent_bits(code_word("023"))))
    '11001000000111000110111'
    """
    return tuple(word >> place & 1 for place in range(WORD_BITS))


def rotated(word: int, places: int) -> int:
    """The word as it reads when the look begins `places` bits later; any whole number of places."""
    places %= WORD_BITS
    return (word >> places | word << (WORD_BITS - places)) & _ALL_ONES


def inverted(word: int) -> int:
    """The word with every bit turned, as a wrong sign of the swing shows it."""
    return word ^ _ALL_ONES


@cache
def names(word: int) -> tuple[str, ...]:
    """Every three-digit code whose word is this one in some rotation, in ascending order; often none.

    Examples
    --------
    >>> names(code_word("023"))
    ('023', '340', '766')
    """
    found = set()
    for places in range(WORD_BITS):
        turned = rotated(word, places)
        if turned >> CODE_BITS & 0b111 == MARK and remainder(turned) == 0:
            found.add(f"{turned & 0o777:03o}")
    return tuple(sorted(found))


def aliases(code: str) -> tuple[str, ...]:
    """The other names of a code: same word, other rotation. `ValueError` as for `code_word`."""
    return tuple(name for name in names(code_word(code)) if name != code)


def listed(code: str) -> str | None:
    """The one of the 104 codes that has the same word as `code`; None where none has."""
    return next((name for name in names(code_word(code)) if name in CODES), None)


def partner(code: str) -> str | None:
    """The one of the 104 codes whose word is that of `code` turned over; None where none is.

    Examples
    --------
    >>> partner("023"), partner("754")
    ('047', '116')
    """
    return next((name for name in names(inverted(code_word(code))) if name in CODES), None)
