"""Morse code as sound: pitch, level, slopes, refusals. tests/checks/test_morse_itu.py holds its timing."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.modulate.morse import morse


def test_the_tone_has_its_pitch_and_level() -> None:
    sound = morse("TTT", words_per_minute=10.0, rate_hz=16_000, pitch_hz=700.0, amplitude=0.5)
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    assert np.argmax(spectrum) * 16_000 / len(sound) == pytest.approx(700.0, abs=1.0)
    assert np.abs(sound).max() == pytest.approx(0.5, rel=0.01)
    assert sound.dtype == np.float32


def test_a_slope_keeps_the_keying_out_of_the_neighbourhood() -> None:
    def aside(rise_s: float) -> float:
        sound = morse("EEEEE", words_per_minute=20.0, rate_hz=16_000, pitch_hz=1000.0, rise_s=rise_s)
        power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 1 << 17)) ** 2
        bins_hz = np.fft.rfftfreq(1 << 17, 1 / 16_000)
        return float(power[np.abs(bins_hz - 1000) > 500].sum() / power.sum())

    assert aside(0.005) < 0.01 * aside(0.0)


@pytest.mark.parametrize("rise_s", [0.0, 0.002, 0.008, 1.0])
def test_a_mark_is_half_up_where_the_code_begins_it(rise_s: float) -> None:
    # A dot of 100 ms: the energy of a raised-cosine slope is that of a step at its middle.
    sound = morse("T", words_per_minute=12.0, rate_hz=16_000, pitch_hz=1000.0, rise_s=rise_s)
    slope_s = min(rise_s, 0.1)
    assert len(sound) / 16_000 == pytest.approx(0.3 + slope_s, abs=1e-3)
    assert np.abs(sound).sum() / 16_000 == pytest.approx(0.3 * 2 / np.pi, rel=0.01)


def test_an_empty_text_makes_no_sound() -> None:
    assert morse("  ", words_per_minute=20.0, rate_hz=16_000).shape == (0,)


def test_what_cannot_be_keyed_is_refused() -> None:
    with pytest.raises(ValueError, match="text holds '#'"):
        morse("Q7D#", words_per_minute=20.0, rate_hz=16_000)
    with pytest.raises(ValueError, match="text holds '<QQ>'"):
        morse("<QQ>", words_per_minute=20.0, rate_hz=16_000)
    with pytest.raises(ValueError, match=r"words_per_minute is 0\.0; it must be positive"):
        morse("Q7D", words_per_minute=0.0, rate_hz=16_000)
