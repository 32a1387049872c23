"""The code words against the published list in `config/`, the worked examples and the published equations."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.signalling.golay import (
    CODES,
    WORD_BITS,
    aliases,
    code_word,
    inverted,
    listed,
    names,
    partner,
    remainder,
    rotated,
    sent_bits,
)

TABLE = Path(__file__).parents[2] / "config" / "dcs.csv"
# The eleven parity equations of L. Richardson, 1995, from memory: which bits of the code, counted from 1 at
# the right, are added for each parity bit; "not" where the sum is turned over.
EQUATIONS = (
    *("1 2 3 4 5 8", "not 2 3 4 5 6 9", "1 2 6 7 8", "not 2 3 7 8 9", "not 1 2 5 9", "not 1 4 5 6 8"),
    *("1 3 4 6 7 8 9", "2 4 5 7 8 9", "3 5 6 8 9", "not 4 6 7 9", "not 1 2 3 4 7"),
)


def rows() -> list[dict[str, str]]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def bits(word: int) -> str:
    return "".join(map(str, sent_bits(word)))


every_word = st.integers(0, 2**WORD_BITS - 1)
every_code = st.integers(0, 511).map(lambda number: f"{number:03o}")


def test_decoder_holds_exactly_the_104_published_codes() -> None:
    assert tuple(row["code_octal"] for row in rows()) == CODES
    assert len(CODES) == 104
    assert sum(row["in_83_list"] == "yes" for row in rows()) == 83


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["code_octal"])
def test_word_partner_and_other_names_are_those_of_the_list(row: dict[str, str]) -> None:
    code = row["code_octal"]
    assert f"{code_word(code):06X}" == row["word_hex"]
    assert f"{code_word(code):08o}" == row["word_octal"]
    assert bits(code_word(code)) == row["bits_in_order_sent"]
    assert partner(code) == row["inverted_partner"]
    assert " ".join(aliases(code)) == row["same_word_rotated"].replace("-", "")
    assert " ".join(names(inverted(code_word(code)))) == row["all_codes_equal_to_inverted_word"]


def test_worked_examples() -> None:
    # Worked by hand beside the list: 023 has the parity 11101100011, 754 the word 20F9EC and the partner 116.
    assert code_word("023") >> 12 == 0b11101100011
    assert bits(code_word("023")) == "11001000000111000110111"
    assert code_word("754") == 0x20F9EC
    assert bits(code_word("754")) == "00110111100111110000010"
    assert partner("754") == "116"


def test_three_names_of_one_word() -> None:
    assert names(code_word("023")) == ("023", "340", "766")
    assert listed("340") == listed("766") == "023"
    assert listed("645") == "526"  # the 105th of some lists


@given(every_code)
def test_word_obeys_the_published_parity_equations(code: str) -> None:
    word = code_word(code)
    for number, equation in enumerate(EQUATIONS):
        terms = equation.removeprefix("not ").split()
        total = sum(int(code, 8) >> (int(place) - 1) & 1 for place in terms) + equation.startswith("not")
        assert word >> (12 + number) & 1 == total % 2


@given(every_word)
def test_remainder_is_that_of_polynomial_division(word: int) -> None:
    # numpy divides the polynomials over the integers; taken modulo 2 that is division over GF(2), because
    # the generator's leading coefficient is 1.
    generator = np.array([1, 1, 0, 0, 0, 1, 1, 1, 0, 1, 0, 1], dtype=object)
    left = np.array([int(bit) for bit in f"{word:023b}"], dtype=object)
    for place in range(12):
        left[place : place + 12] -= left[place] * generator
    expected = int("".join(str(value % 2) for value in left[12:]), 2)
    assert remainder(word) == expected


@given(every_code, st.integers(-50, 50))
def test_rotation_of_a_word_is_a_word_of_the_same_names(code: str, places: int) -> None:
    turned = rotated(code_word(code), places)
    assert remainder(turned) == 0
    assert remainder(inverted(turned)) == 0  # all-ones is a code word
    assert names(turned) == names(code_word(code))
    assert bits(turned) == np.array2string(
        np.roll(np.array(sent_bits(code_word(code))), -places), separator="", max_line_width=99
    ).strip("[]")


@given(every_word)
def test_inverting_twice_and_turning_all_round_change_nothing(word: int) -> None:
    assert inverted(inverted(word)) == word
    assert rotated(word, WORD_BITS) == word


def test_least_distance_between_two_codes_in_any_alignment_is_7() -> None:
    # Golay, 1949: the (23,12) code has a least distance of 7.
    words = [code_word(code) for code in CODES]
    distances = {
        (words[one] ^ rotated(words[other], places)).bit_count()
        for one in range(len(words))
        for other in range(one)
        for places in range(WORD_BITS)
    }
    assert min(distances) == 7


def test_every_code_has_one_partner_which_is_never_itself() -> None:
    assert sorted(str(partner(code)) for code in CODES) == sorted(CODES)
    assert all(partner(code) != code and partner(str(partner(code))) == code for code in CODES)


def test_words_fall_into_177_classes_of_which_104_are_listed() -> None:
    # Counted independently for the reference list: 512 codes, 177 classes of rotations.
    assert len({names(code_word(f"{number:03o}")) for number in range(512)}) == 177
    assert len({names(code_word(code)) for code in CODES}) == 104


@pytest.mark.parametrize("code", ["", "23", "0233", "089", "abc", "02N", "-23", "٣٢١"])
def test_what_is_no_code_is_refused_in_words(code: str) -> None:
    with pytest.raises(ValueError, match="it must be three octal digits, 000 to 777"):
        code_word(code)
