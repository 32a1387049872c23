"""The constants of the keypad decoder and of the keypad sender against the published list in `config/`."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from dsp.modulate.tones import key_tones_hz
from dsp.signalling.key_frames import COLUMNS_HZ, KEYS, ROWS_HZ

TABLE = Path(__file__).parents[2] / "config" / "dtmf.csv"


def _rows() -> dict[str, tuple[float, float]]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("# ")]
    return {row["key"]: (float(row["row_hz"]), float(row["column_hz"])) for row in csv.DictReader(lines)}


def test_decoder_holds_exactly_the_published_keys() -> None:
    held = {key: (ROWS_HZ[n // 4], COLUMNS_HZ[n % 4]) for n, key in enumerate(KEYS)}
    assert held == _rows()
    assert len(held) == 16


@pytest.mark.parametrize("key", KEYS)
def test_sender_uses_the_published_tones(key: str) -> None:
    assert key_tones_hz(key) == _rows()[key]


def test_no_tone_is_a_multiple_of_another() -> None:
    # Why Q.23 chose them: none lies within 1.8 % (the sender's tolerance, from memory) of a harmonic.
    tones = sorted({tone for pair in _rows().values() for tone in pair})
    for low in tones:
        for high in tones:
            if high > low:
                assert abs(high / low / round(high / low) - 1) > 0.018
