"""The constant of the decoder against the published list in `config/`."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest

from dsp.signalling.ctcss import nearest_tone_hz
from dsp.signalling.tone_table import TONES_HZ

TABLE = Path(__file__).parents[2] / "config" / "ctcss.csv"


def _rows() -> list[dict[str, str]]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_decoder_holds_exactly_the_published_tones() -> None:
    assert [float(row["frequency_hz"]) for row in _rows()] == list(TONES_HZ)


def test_list_has_the_38_classic_tones_and_12_more() -> None:
    # config/ctcss.csv, from secondary copies of ANSI/TIA-603 1.3.5.2.
    groups = [row["group"] for row in _rows()]
    assert (groups.count("classic-38"), groups.count("extra-12")) == (38, 12)


def test_closest_neighbours_are_2_3_hz_and_1_45_percent_apart() -> None:
    # Computed from the published list: 67.0 to 69.3 Hz and 165.5 to 167.9 Hz.
    pairs = list(itertools.pairwise(TONES_HZ))
    assert min(b - a for a, b in pairs) == pytest.approx(2.3)
    assert min(b / a - 1 for a, b in pairs) == pytest.approx(0.0145, abs=5e-5)


@pytest.mark.parametrize("tone_hz", TONES_HZ)
def test_nearest_tone_survives_half_a_percent_of_encoder_error(tone_hz: float) -> None:
    assert nearest_tone_hz(tone_hz * 1.005) == tone_hz
    assert nearest_tone_hz(tone_hz * 0.995) == tone_hz
