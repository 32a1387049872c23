"""Channel names: to a reader and in a file name."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.plan.names import LONGEST_NAME, clean_name_problem, file_part, folded


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("2 m calling", "2-m-calling"),
        ("a/b\\c:d", "a-b-c-d"),
        ("../../etc", "etc"),
        ("..", "channel"),
        ("Bergwacht Süd", "Bergwacht-Süd"),
        ("—", "channel"),
        ("GMRS 20 (travel)", "GMRS-20-travel"),
        ("146.52", "146-52"),
        ("x" * 99, "x" * 80),
        ("ü" * 60, "ü" * 40),
    ],
)
def test_a_name_becomes_a_part_of_a_file_name(name: str, part: str) -> None:
    assert file_part(name) == part


@given(st.text(max_size=LONGEST_NAME))
def test_a_file_part_is_always_one_safe_piece_of_a_path(name: str) -> None:
    part = file_part(name)
    assert part
    assert all(piece.isalnum() for piece in part.split("-"))
    assert not set(part) & set('/\\:*?"<>|. \t\r\n\0_')
    assert len(part.encode()) <= 80
    assert file_part(part) == part


def test_capitals_and_spaces_make_no_difference_to_a_reader() -> None:
    assert folded("2 M  Calling") == folded("2 m calling")
    assert folded("２ m calling") == folded("2 m calling")  # full-width digit
    assert folded("2 m calling") != folded("2 m calling 2")


@given(st.text(alphabet=st.characters(categories=["L", "N", "Zs"]), min_size=1, max_size=LONGEST_NAME))
def test_letters_digits_and_inner_spaces_make_a_name(name: str) -> None:
    good = clean_name_problem(name) is None
    assert good == (name == name.strip() and any(letter.isalnum() for letter in name))
