"""Tone calls to send: frequencies, lengths, levels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from dsp.modulate.tones import key_sequence, key_tone, key_tones_hz, silence, tone, two_tone

RATE_HZ = 16_000


def lines(audio: np.ndarray) -> dict[int, float]:
    """Frequency (to 1 Hz, second long) and amplitude of the lines of an audio."""
    frequencies, power = signal.periodogram(audio, RATE_HZ, scaling="spectrum")
    return {round(f): float(np.sqrt(2 * p)) for f, p in zip(frequencies, power, strict=True) if p > 1e-5}


def test_a_tone_has_its_frequency_length_and_amplitude() -> None:
    made = tone(tone_hz=1050, seconds=1.0, rate_hz=RATE_HZ, amplitude=0.3)
    assert made.dtype == np.float32 and made.shape == (RATE_HZ,)
    assert lines(made) == {1050: pytest.approx(0.3, rel=1e-3)}


def test_a_key_is_its_two_tones() -> None:
    # 852 and 1477 Hz: ITU-T Q.23 (config/dtmf.csv).
    assert lines(key_tone("9", seconds=1, rate_hz=RATE_HZ)) == {
        852: pytest.approx(0.4, rel=1e-3),
        1477: pytest.approx(0.4, rel=1e-3),
    }


@pytest.mark.parametrize("twist_db", [-4.0, 8.0])
def test_twist_is_row_over_column(twist_db: float) -> None:
    made = lines(key_tone("2", seconds=1, rate_hz=RATE_HZ, twist_db=twist_db))
    assert 20 * np.log10(made[697] / made[1336]) == pytest.approx(twist_db, abs=0.01)
    assert max(made.values()) == pytest.approx(0.4, rel=1e-3)


def test_frequency_errors_are_relative() -> None:
    made = lines(key_tone("0", seconds=1, rate_hz=RATE_HZ, off=(0.01, -0.01)))
    assert min(abs(f - 941 * 1.01) for f in made) < 1 and min(abs(f - 1336 * 0.99) for f in made) < 1


def test_a_sequence_has_a_pause_around_each_key() -> None:
    made = key_sequence("12", rate_hz=RATE_HZ, tone_s=0.04, pause_s=0.05)
    sounding = np.abs(made).reshape(-1, 160).max(axis=1) > 0
    assert sounding.tolist() == [False] * 5 + [True] * 4 + [False] * 5 + [True] * 4 + [False] * 5


def test_two_tones_follow_each_other() -> None:
    made = two_tone(600, 1500, rate_hz=RATE_HZ, first_s=1, second_s=3, gap_s=0.5)
    assert len(made) == round(4.5 * RATE_HZ)
    assert 600 in lines(made[:RATE_HZ]) and not made[RATE_HZ : round(1.5 * RATE_HZ)].any()
    assert 1500 in lines(made[2 * RATE_HZ : 3 * RATE_HZ])


def test_nothing_is_empty() -> None:
    assert silence(seconds=-1, rate_hz=RATE_HZ).shape == (0,)
    assert tone(tone_hz=1000, seconds=0, rate_hz=RATE_HZ).shape == (0,)


@pytest.mark.parametrize("key", ["", "12", "E", "a"])
def test_unknown_keys_are_refused(key: str) -> None:
    with pytest.raises(ValueError, match="must be one of 0 to 9, A to D"):
        key_tones_hz(key)


@pytest.mark.parametrize("tone_hz", [0.0, -1.0, 8000.0, float("nan")])
def test_frequencies_that_cannot_be_sent_are_refused(tone_hz: float) -> None:
    with pytest.raises(ValueError, match=r"tone_hz is .*half of rate_hz"):
        tone(tone_hz=tone_hz, seconds=1, rate_hz=RATE_HZ)
