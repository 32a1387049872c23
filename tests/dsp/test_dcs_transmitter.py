"""The test transmitter's digital code: bits, rate, swing, turn-off, held to the list and to theory."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.modulate import Ctcss, DigitalCode, Fm, Sender, transmit

RATE_HZ = 48_000
# The worked example of the list (config/dcs.csv): 023 in the order sent.
WORD_023 = "11001000000111000110111"


def swing_hz(modulation: Fm, seconds: float) -> np.ndarray:
    """Frequency of each sample against the one before it."""
    sent = transmit(modulation, sample_rate_hz=RATE_HZ, seconds=seconds, rise_s=0.0, fall_s=0.0)
    return np.asarray(np.angle(sent[1:] * sent[:-1].conj()) * RATE_HZ / (2 * np.pi))


def bits_sent(swing: np.ndarray, first_bit: float = 0.0) -> str:
    middles = np.arange(0.5, 60.0) - first_bit % 1.0
    places = np.round(middles[middles > 0] / 134.4 * RATE_HZ).astype(int)
    return "".join("1" if value > 0 else "0" for value in swing[places])


@pytest.mark.parametrize("inverted", [False, True])
def test_word_is_sent_in_the_listed_order_again_and_again(inverted: bool) -> None:
    swing = swing_hz(Fm(code=DigitalCode(code="023", inverted=inverted)), 0.5)
    expected = WORD_023.translate(str.maketrans("01", "10")) if inverted else WORD_023
    assert bits_sent(swing) == (expected * 3)[:60]


def test_start_within_a_word_is_the_stated_bit() -> None:
    swing = swing_hz(Fm(code=DigitalCode(code="023", starts_at_bit=7.0)), 0.5)
    assert bits_sent(swing) == (WORD_023 * 4)[7:67]


def test_long_run_reaches_the_stated_deviation_and_nothing_passes_it_by_much() -> None:
    # 023 has a run of six zeros (bits 6 to 11): in its middle a filter of 150 Hz has settled. A Gaussian
    # step never overshoots.
    swing = swing_hz(Fm(code=DigitalCode(code="023", deviation_hz=400.0)), 0.4)
    assert swing[round(8.0 / 134.4 * RATE_HZ)] == pytest.approx(-400.0, rel=0.01)
    assert np.abs(swing).max() < 404.0


def test_lines_lie_where_a_square_wave_of_23_bits_has_them() -> None:
    # A repeated word of rectangular bits: lines at multiples of 134.4 / 23 Hz of |sin(pi k / 23) / (pi k)|
    # times the word's discrete spectrum (Fourier series); the corner's 3 dB at its frequency.
    code = DigitalCode(code="754", deviation_hz=300.0, corner_hz=100.0)
    seconds = 20 * 23 / 134.4
    instants = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    lines = np.fft.rfft(code.swing_hz(instants, np.inf)) / len(instants)
    word = np.array([float(bit) for bit in "00110111100111110000010"]) * 2 - 1
    for k in (1, 5, 11, 17, 23, 30):
        pulse = np.sin(np.pi * k / 23) / (np.pi * k)
        passed = 10 ** (-(3.0103 / 20) * (k * 134.4 / 23 / 100.0) ** 2)
        expected = 300.0 * abs(pulse) * passed * abs(np.exp(-2j * np.pi * k / 23 * np.arange(23)) @ word)
        assert abs(lines[20 * k]) == pytest.approx(expected, abs=0.3)


def test_coupling_takes_direct_current_and_droops_runs() -> None:
    straight = DigitalCode(code="023", corner_hz=300.0)
    coupled = DigitalCode(code="023", corner_hz=300.0, coupling_hz=10.0)
    word_s = 23 / 134.4
    instants = np.arange(4096) * word_s / 4096
    assert straight.swing_hz(instants, np.inf).mean() == pytest.approx(350.0 * (11 - 12) / 23, abs=0.5)
    assert coupled.swing_hz(instants, np.inf).mean() == pytest.approx(0.0, abs=0.5)


def test_turn_off_is_a_tone_of_134_hz_and_speech_is_mute_then() -> None:
    swing = swing_hz(Fm(code=DigitalCode(code="132", turn_off_s=0.2, deviation_hz=300.0)), 1.0)
    tail = swing[-round(0.19 * RATE_HZ) :]
    crossings = np.count_nonzero(np.diff(np.sign(tail)))
    assert crossings == pytest.approx(2 * 134.4 * 0.19, abs=1.5)
    assert np.std(tail) * np.sqrt(2) == pytest.approx(300.0, rel=0.02)


def test_pieces_make_the_same_transmission_as_the_whole() -> None:
    def sender() -> Sender:
        code = DigitalCode(code="411", turn_off_s=0.18)
        return Sender(Fm(code=code, tone=Ctcss(tone_hz=88.5)), sample_rate_hz=51_200.7, seconds=0.5)

    whole = sender().take(20_000)
    again = sender()
    pieces = np.concatenate([again.take(size) for size in (1, 7, 9992, 10_000)])
    assert np.abs(pieces - whole).max() < 1e-5


def test_what_cannot_be_sent_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="three octal digits"):
        DigitalCode(code="089")
    with pytest.raises(ValueError, match="bit_rate_hz is 0; it must be positive"):
        DigitalCode(code="023", bit_rate_hz=0)
    with pytest.raises(ValueError, match="turn_off_s is -1; it must not be negative"):
        DigitalCode(code="023", turn_off_s=-1)
    with pytest.raises(ValueError, match="the code deviates by 3000"):
        Fm(code=DigitalCode(code="023", deviation_hz=3000.0))
    with pytest.raises(ValueError, match="the tone and code deviates by 2600"):
        Fm(code=DigitalCode(code="023", deviation_hz=1300.0), tone=Ctcss(tone_hz=88.5, deviation_hz=1300.0))
