"""What the code tests send through the air, and proof that it is what they say.

Words come from the published list, not from the decoder; bits are rectangular and softened by scipy's
filters. The air and the receiver are those of the tone tests.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from tests.dsp.test_ctcss_air import CHANNEL_HZ, LOW_RATE_HZ, instants, received, speech

TABLE = Path(__file__).parents[2] / "config" / "dcs.csv"
BIT_RATE_HZ = 134.4  # TIA-603 1.3.5.5 (secondary)
OVERSAMPLED = 2
Swing = NDArray[np.float64]


def listed_rows() -> dict[str, dict[str, str]]:
    lines = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return {row["code_octal"]: row for row in csv.DictReader(lines)}


ROWS = listed_rows()
WORDS = {
    code: np.array([float(bit) for bit in row["bits_in_order_sent"]]) * 2 - 1 for code, row in ROWS.items()
}
PARTNERS = {name: row["inverted_partner"] for name, row in ROWS.items()}


def code(
    seconds: float,
    bits: NDArray[np.float64],
    *,
    deviation_hz: float = 300.0,
    rate_error: float = 0.0,
    first_bit: float = 0.0,
    corner_hz: float = 200.0,
    coupling_hz: float = 0.0,
) -> Swing:
    """Frequency swing of a word sent again and again, Bessel low-pass and first-order high-pass, settled."""
    lead_s = 0.2
    fine = np.arange(round((seconds + lead_s) * CHANNEL_HZ) * OVERSAMPLED) / (CHANNEL_HZ * OVERSAMPLED)
    square = bits[(fine * BIT_RATE_HZ * (1 + rate_error) + first_bit).astype(int) % len(bits)]
    low_pass = signal.bessel(4, corner_hz, fs=CHANNEL_HZ * OVERSAMPLED, norm="mag", output="sos")
    swing = signal.sosfilt(low_pass, square)[::OVERSAMPLED]
    if coupling_hz:
        swing = signal.sosfilt(signal.butter(1, coupling_hz, "high", fs=CHANNEL_HZ, output="sos"), swing)
    return np.asarray(deviation_hz * swing[-round(seconds * CHANNEL_HZ) :])


def radio_speech(seconds: float, rng: np.random.Generator) -> Swing:
    """Speech behind a transmitter's own high-pass at 300 Hz, loud, beside a code."""
    high_pass = signal.butter(4, 300.0, "high", fs=CHANNEL_HZ, output="sos")
    return np.asarray(0.85 * signal.sosfilt(high_pass, speech(seconds, rng)))


def coded(
    name: str, seconds: float, seed: int, *, cnr_db: float = 4.0, inverted: bool = False, talks: bool = True
) -> NDArray[np.float32]:
    """The low band of a transmission with a code, all that may vary varied by the seed."""
    rng = np.random.default_rng(seed)
    swing = code(
        seconds,
        -WORDS[name] if inverted else WORDS[name],
        deviation_hz=float(rng.choice([250.0, 300.0, 350.0, 500.0, 800.0])),
        rate_error=rng.uniform(-0.005, 0.005),
        first_bit=rng.uniform(0, 23),
        corner_hz=float(rng.choice([120.0, 150.0, 200.0, 300.0])),
        coupling_hz=float(rng.choice([0.0, 1.0, 5.0, 10.0])),
    )
    if talks:
        swing = swing + radio_speech(seconds, rng)
    return received(swing, rng, cnr_db=cnr_db, offset_hz=rng.uniform(-1500, 1500))


def test_code_swings_by_its_deviation_and_repeats_every_word() -> None:
    swing = code(1.0, WORDS["023"], deviation_hz=400.0)
    assert np.abs(swing).max() == pytest.approx(400.0, rel=0.02)
    word = 23 / BIT_RATE_HZ * CHANNEL_HZ
    later = np.interp(np.arange(8000) + word, np.arange(len(swing)), swing)
    assert later == pytest.approx(swing[:8000], abs=16.0)  # edges stand on a grid of 31 us


def test_code_has_its_lines_below_the_speech(rng: np.random.Generator) -> None:
    # Bits of 134.4 bit/s behind 200 Hz keep over 95 % of their power below 134.4 Hz, their first null (sinc
    # squared: 90 % before any filter).
    swing = code(4.0, WORDS["754"])
    power = np.abs(np.fft.rfft(swing * np.hanning(len(swing)))) ** 2
    assert power[: round(134.4 * 4)].sum() > 0.95 * power.sum()
    talk = radio_speech(4.0, rng)
    below = signal.sosfilt(signal.butter(4, 130.0, fs=CHANNEL_HZ, output="sos"), talk)
    assert below.std() < 0.1 * swing.std()


def test_low_band_carries_the_word() -> None:
    """Seen without noise, its signs in the middles of bits are the listed bits."""
    swing = code(1.0, WORDS["023"], corner_hz=300.0)
    band = received(swing, np.random.default_rng(1), cnr_db=60.0, offset_hz=700.0) - 700.0
    phase = np.arange(0.0, 23.0, 0.05)
    middles_s = (phase[:, None] + 0.5 + np.arange(60)) / BIT_RATE_HZ
    bits = np.sign(np.interp(middles_s, np.arange(len(band)) / LOW_RATE_HZ, band))
    agreement = bits @ WORDS["023"][np.arange(60) % 23]
    assert agreement.max() == 60
    assert len(instants(1.0)) == CHANNEL_HZ
