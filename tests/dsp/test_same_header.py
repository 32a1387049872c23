"""The grammar of a SAME header: any header that follows it is read back, nothing else passes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray

from dsp.signalling.same_header import GRAMMAR, LEAST_EVIDENCE, bits_of_text, end_evidence, read_header

LETTERS = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ", min_size=3, max_size=3)
PLACES = st.lists(st.from_regex(r"[0-9]{6}", fullmatch=True), min_size=1, max_size=31)
ENDS = st.from_regex(r"[0-9]{2}[0-5][0-9]-[0-3][0-9]{2}[0-2][0-9][0-5][0-9]-[A-Z0-9/ ]{8}-", fullmatch=True)


@given(LETTERS, LETTERS, PLACES, ENDS)
@settings(max_examples=40)
def test_every_header_of_the_grammar_is_read_back(
    originator: str, event: str, places: list[str], end: str
) -> None:
    header = f"ZCZC-{originator}-{event}-{'-'.join(places)}+{end}"
    assert GRAMMAR.fullmatch(header)
    bits = bits_of_text(header)
    silence = np.zeros(200)  # after the text, where neither is likely
    reading = read_header(
        np.concatenate([6 * (1 - 2 * bits), silence]), np.concatenate([6 * (2 * bits - 1), silence])
    )
    assert reading is not None and reading.text == header and reading.grammatical


@given(st.binary(max_size=300))
@settings(max_examples=60)
def test_random_bytes_are_no_header(octets: bytes) -> None:
    bits = np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little").astype(np.float64)
    assert read_header(4 * (1 - 2 * bits), 4 * (2 * bits - 1)) is None


@given(
    arrays.arrays(np.float64, st.integers(0, 3000), elements=st.floats(-50, 50)), st.integers(0, 2**32 - 1)
)
@settings(max_examples=40)
def test_random_likelihoods_are_no_header(spaces: NDArray[np.float64], seed: int) -> None:
    marks = np.random.default_rng(seed).permutation(spaces)
    reading = read_header(spaces, marks)
    assert reading is None or reading.evidence >= LEAST_EVIDENCE


def test_evidence_of_random_signs_keeps_its_bound() -> None:
    """Hoeffding: of N trials no more than N exp(-e) reach the evidence e. Here e = 3 and N = 4000."""
    rng = np.random.default_rng(3)
    from dsp.signalling.same_header import _layout, evidence_of

    layout = _layout(1)
    reached = sum(evidence_of(layout, rng.normal(size=(len(layout), 8))) >= 3 for _ in range(4000))
    assert reached <= 4000 * np.exp(-3)


@pytest.mark.parametrize(("wrong", "expected"), [(0, 32 * np.log(2)), (1, 32 * np.log(2) - np.log(33))])
def test_evidence_of_an_end_is_the_binomial_tail(wrong: int, expected: float) -> None:
    """2^-32 for all bits right; 33 / 2^32 for one wrong at most."""
    lean = (2 * bits_of_text("NNNN") - 1).reshape(-1, 8)
    lean[0, :wrong] *= -1
    assert end_evidence(lean) == pytest.approx(expected)
