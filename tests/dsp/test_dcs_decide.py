"""The rules by which a code is named or not, one test each."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray
from scipy import signal

from dsp.modulate import Audio, DigitalCode, Fm, transmit, voice
from dsp.signalling.code_lines import LINES, WORD_S, cut_frames, word_lines
from dsp.signalling.ctcss import decide as decide_tone
from dsp.signalling.dcs import DcsPiece, decide, first_word, needed_log_ratio
from dsp.signalling.tone_table import TONES_HZ
from tests.dsp.test_ctcss_air import (
    CHANNEL_HZ,
    LOW_RATE_HZ,
    instants,
    low_band,
    passed,
    received,
    speech,
    tone,
)
from tests.dsp.test_dcs_air import PARTNERS, WORDS, code, coded

Judge = Callable[[NDArray[np.floating], float], DcsPiece]


def heard(swing_hz: NDArray[np.float64], seed: int, *, cnr_db: float = 10.0) -> DcsPiece:
    rng = np.random.default_rng(seed)
    return decide(received(swing_hz, rng, cnr_db=cnr_db), LOW_RATE_HZ)


@pytest.mark.parametrize("name", WORDS)
def test_every_code_is_named_from_the_first_half_second_at_4_db(name: str) -> None:
    word = first_word(coded(name, 0.5, seed=int(name, 8)), LOW_RATE_HZ)
    assert word.code == name
    assert word.name == f"{name}N"
    assert word.inverted_name == f"{PARTNERS[name]}I"
    assert word.probability > 0.5


@pytest.mark.parametrize("name", WORDS)
def test_every_inverted_code_is_named_as_its_partner(name: str) -> None:
    piece = decide(coded(name, 0.6, seed=512 + int(name, 8), inverted=True), LOW_RATE_HZ)
    assert piece.name == f"{PARTNERS[name]}N"
    assert piece.inverted_name == f"{name}I"


def test_discriminator_of_the_wrong_sign_shows_the_partner() -> None:
    band = coded("023", 1.0, seed=3)
    assert (decide(band, LOW_RATE_HZ).code, decide(-band, LOW_RATE_HZ).code) == ("023", "047")


@pytest.mark.parametrize("alias", ["023", "340", "766"])
def test_names_of_one_word_are_heard_as_the_listed_one(alias: str) -> None:
    sent = transmit(Fm(code=DigitalCode(code=alias)), sample_rate_hz=CHANNEL_HZ, seconds=1.0)
    assert decide(low_band(passed(sent)), LOW_RATE_HZ).code == "023"


@pytest.mark.parametrize("inverted", [False, True])
def test_test_transmitter_under_speech_is_heard_right(inverted: bool) -> None:
    rng = np.random.default_rng(4)
    audio = Audio(samples=voice(seconds=1.5, rng=rng), rate_hz=16_000)
    under = DigitalCode(code="411", inverted=inverted, coupling_hz=5.0)
    modulation = Fm(audio=audio, drive=4.0, low_cut_hz=300.0, code=under)
    sent = transmit(modulation, sample_rate_hz=CHANNEL_HZ, seconds=1.5, offset_hz=-800.0)
    noise = rng.standard_normal((2, len(sent))) * np.sqrt(0.5 * 10**-0.6 * CHANNEL_HZ / 11_000)
    band = low_band(passed(sent + noise[0] + 1j * noise[1]))[30:-30]
    assert decide(band, LOW_RATE_HZ).code == (PARTNERS["411"] if inverted else "411")


@pytest.mark.parametrize("seed", range(15))
def test_speech_without_a_code_has_none(seed: int) -> None:
    talk = speech(1.5, np.random.default_rng(seed))
    piece = heard(talk, seed, cnr_db=(3.0, 10.0, 25.0)[seed % 3])
    assert piece.code is None
    assert piece.name is None
    assert piece.inverted_name is None
    assert piece.probability > 0.9


@pytest.mark.parametrize("tone_hz", TONES_HZ)
def test_tone_is_not_a_code(tone_hz: float) -> None:
    piece = heard(tone(1.0, tone_hz, 500.0), round(tone_hz), cnr_db=(4.0, 20.0)[round(tone_hz) % 2])
    assert piece.code is None


@pytest.mark.parametrize("name", list(WORDS)[::4])
def test_code_is_not_a_tone(name: str) -> None:
    for talks in (False, True):
        band = coded(name, 1.5, seed=7 + int(name, 8), cnr_db=12.0, talks=talks)
        assert decide_tone(band, LOW_RATE_HZ).tone_hz is None


@pytest.mark.parametrize("hum_hz", [50.0, 60.0, 100.0, 120.0, 134.4, 67.2, 134.4 / 23 * 10])
def test_hum_whistle_and_turn_off_tone_alone_are_not_a_code(hum_hz: float) -> None:
    rich = sum(tone(1.5, k * hum_hz, 600.0 / k, float(k)) for k in range(1, 5))
    assert heard(np.asarray(rich), 5).code is None
    assert heard(tone(1.5, hum_hz, 600.0), 6, cnr_db=30.0).code is None


@pytest.mark.parametrize("cnr_db", [-30.0, 3.0, 30.0])
def test_noise_and_a_bare_carrier_have_no_code(cnr_db: float) -> None:
    assert heard(np.zeros(CHANNEL_HZ), 7, cnr_db=cnr_db).code is None


def test_carrier_that_drifts_has_no_code() -> None:
    drift = 800.0 * np.exp(-instants(1.0) / 0.2)
    assert heard(drift, 2, cnr_db=20.0).code is None


@pytest.mark.parametrize("bit_rate", [50.0, 134.4, 150.0, 300.0, 512.0, 1200.0])
def test_other_bits_are_not_a_code(bit_rate: float) -> None:
    for seed in range(3):
        rng = np.random.default_rng(seed)
        bits = rng.integers(0, 2, 2000) * 2.0 - 1
        swing = 800.0 * bits[(instants(1.0) * bit_rate).astype(int)]
        assert heard(swing, seed, cnr_db=15.0).code is None


@pytest.mark.parametrize("cnr_db", [6.0, 25.0])
@pytest.mark.parametrize("turned", [(3,), (0, 9), (2, 11, 17), (1, 2, 3, 4, 5, 6, 7)])
def test_word_of_no_listed_code_is_not_named(turned: tuple[int, ...], cnr_db: float) -> None:
    """Three wrong bits would be repaired, were bits decided; a word that repeats them is another word."""
    bits = WORDS["023"].copy()
    bits[list(turned)] *= -1
    assert heard(code(1.5, bits), 4, cnr_db=cnr_db).code is None


@pytest.mark.parametrize("rate_error", [0.05, -0.01, 0.008])
def test_word_of_another_bit_rate_is_not_named(rate_error: float) -> None:
    assert heard(code(2.5, WORDS["023"], rate_error=rate_error), 4).code is None


@pytest.mark.parametrize("rate_error", [-0.005, 0.0, 0.003])
def test_bit_rate_and_deviation_are_measured(rate_error: float) -> None:
    swing = code(2.0, WORDS["331"], deviation_hz=400.0, rate_error=rate_error)
    piece = heard(swing, 9, cnr_db=8.0)
    assert piece.bit_rate_hz is not None
    assert piece.bit_rate_sigma_hz is not None
    assert piece.bit_rate_hz == pytest.approx(134.4 * (1 + rate_error), abs=5 * piece.bit_rate_sigma_hz)
    assert piece.bit_rate_sigma_hz < 0.1
    assert piece.deviation_hz == pytest.approx(400.0, rel=0.1)
    assert piece.deviation_sigma_hz is not None
    assert 0 < piece.deviation_sigma_hz < 40


@pytest.mark.parametrize("seconds", [4.0, 30.0])
def test_long_transmission_is_judged_in_stretches(seconds: float) -> None:
    rng = np.random.default_rng(21)
    talk = np.concatenate([speech(1.0, rng) for _ in range(round(seconds))])
    piece = heard(code(seconds, WORDS["743"]) + 0.3 * talk, 21, cnr_db=8.0)
    assert piece.code == "743"
    assert piece.bit_rate_hz == pytest.approx(134.4, abs=0.02)
    assert heard(talk, 21).code is None


def test_code_of_one_of_two_stations_on_the_same_carrier_is_named() -> None:
    two = np.concatenate([np.zeros(4 * CHANNEL_HZ), code(4.0, WORDS["152"])])
    assert heard(two, 1).code == "152"


@pytest.mark.parametrize("rate_hz", [1000.0, 1414.2, 4000.0])
def test_rate_of_the_low_band_may_be_any(rate_hz: float) -> None:
    band = coded("503", 0.8, seed=6, cnr_db=10.0)
    count = round(len(band) * rate_hz / LOW_RATE_HZ)
    again = signal.resample(band - np.median(band), count)
    piece = decide(again, count / len(band) * LOW_RATE_HZ)
    assert piece.code == "503"
    assert piece.deviation_hz == pytest.approx(decide(band, LOW_RATE_HZ).deviation_hz, rel=0.03)


def test_code_is_named_through_deep_fading() -> None:
    # Two independent Gaussian parts, a fade about every 50 ms: as from a moving car, 12 dB on average.
    named = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        carrier = np.exp(2j * np.pi / CHANNEL_HZ * np.cumsum(code(1.0, WORDS["734"]) + 300.0))
        knots = rng.standard_normal((2, 41)) / np.sqrt(2)
        place = instants(1.0) * 40
        path = np.interp(place, np.arange(41), knots[0]) + 1j * np.interp(place, np.arange(41), knots[1])
        noise = rng.standard_normal((2, len(path))) * np.sqrt(0.5 * 10**-1.2 * CHANNEL_HZ / 11_000)
        heard_code = decide(low_band(passed(carrier * path + noise[0] + 1j * noise[1])), LOW_RATE_HZ).code
        assert heard_code in ("734", None)
        named += heard_code == "734"
    assert named >= 9


def test_code_of_a_few_hertz_is_not_believed() -> None:
    """Makers set 250 Hz at least: what swings by 10 Hz is a residue of something else."""
    assert heard(code(1.5, WORDS["023"], deviation_hz=10.0), 1, cnr_db=40.0).code is None


def test_strong_hum_of_seconds_has_no_code() -> None:
    # Found wanting: 50 Hz and its harmonics of 600 Hz for 3 s at 30 dB left 1.9 Hz that fitted a code.
    for seed in range(12):
        rng = np.random.default_rng(seed)
        parts = [tone(3.0, k * 50.0, 600.0 / k, rng.uniform(0, 6)) for k in range(1, 6)]
        assert heard(np.asarray(sum(parts)), seed, cnr_db=30.0).code is None


def test_turn_off_tone_does_not_hide_the_code_and_is_found() -> None:
    swing = code(0.8, WORDS["245"])
    swing[-round(0.19 * CHANNEL_HZ) :] = tone(0.19, 134.4, 300.0)
    piece = heard(swing, 2, cnr_db=8.0)
    assert piece.code == "245"
    assert piece.turn_off_s == pytest.approx(0.61, abs=0.03)
    assert heard(code(0.8, WORDS["245"]), 2, cnr_db=8.0).turn_off_s is None


def test_probability_is_that_of_what_is_said() -> None:
    for piece, sign in ((heard(code(1.0, WORDS["023"]), 1), 1), (heard(np.zeros(CHANNEL_HZ), 1), -1)):
        assert piece.probability == pytest.approx(1 / (1 + np.exp(-sign * piece.log_odds)))
        assert piece.probability > 0.9


def test_shorter_looks_have_to_show_more() -> None:
    asked = [needed_log_ratio(words) for words in (1.75, 2.0, 2.5, 4.0, 8.0)]
    assert asked == sorted(asked, reverse=True)


def test_lines_of_a_word_are_its_fourier_coefficients() -> None:
    # Integrated numerically over one word of rectangular bits; the decoder's own low-pass, 3 dB down at
    # 180 Hz, is taken off.
    fine = np.repeat(WORDS["114"], 2000)
    place = (np.arange(len(fine)) + 0.5) / len(fine)
    lines = word_lines(WORDS["114"]) * 10 ** (0.1505 * (LINES / WORD_S / 180.0) ** 2)
    for k, line in zip(LINES, lines, strict=True):
        assert line == pytest.approx((fine * np.exp(-2j * np.pi * k * place)).mean(), abs=2e-4)


def test_frames_measure_a_line_and_nothing_of_its_neighbours() -> None:
    wave = 2.0 * np.cos(2 * np.pi * 7 / WORD_S * np.arange(1000) / LOW_RATE_HZ) + 555.0
    frames = cut_frames(wave, LOW_RATE_HZ, 1, 0.7)
    assert frames is not None
    seen = np.abs(frames.lines[0]) * frames.unit_hz
    assert seen[:, 5] == pytest.approx(np.ones(len(seen)), abs=0.01)  # line 7: the first is line 2
    assert np.delete(seen, 5, axis=1).max() < 0.02


@pytest.mark.parametrize("judge", [decide, first_word])
@pytest.mark.parametrize("count", [0, 1, 60, 390])
def test_too_short_says_none_and_claims_nothing(judge: Judge, count: int) -> None:
    assert judge(coded("023", 0.4, seed=1)[:count], LOW_RATE_HZ) == DcsPiece(None, 0.5, 0.0)


@pytest.mark.parametrize("value", [0.0, 431.0, -1e30])
def test_constant_low_band_says_none(value: float) -> None:
    assert decide(np.full(2000, value, np.float32), LOW_RATE_HZ) == DcsPiece(None, 0.5, 0.0)


@pytest.mark.parametrize("judge", [decide, first_word])
def test_bad_input_is_refused_in_words(judge: Judge) -> None:
    with pytest.raises(ValueError, match="low_band has 2 dimensions; it must have one"):
        judge(np.zeros((2, 9), np.float32), LOW_RATE_HZ)
    with pytest.raises(ValueError, match=r"rate_hz is 999\.0; it must be 1000 or more"):
        judge(np.zeros(9, np.float32), 999.0)
    for broken in (np.nan, np.inf):
        with pytest.raises(ValueError, match="low_band holds a value that is not finite"):
            judge(np.array([0.0, broken] * 500, np.float32), LOW_RATE_HZ)


@given(
    hnp.arrays(
        np.float32,
        st.integers(0, 900),
        elements=st.floats(width=32, allow_nan=False, allow_infinity=False),
        fill=st.floats(width=32, allow_nan=False, allow_infinity=False),
    )
)
def test_any_numbers_give_a_reading_and_no_claim(band: NDArray[np.float32]) -> None:
    piece = decide(band, LOW_RATE_HZ)
    assert piece.code is None
    assert 0.0 <= piece.probability <= 1.0


@given(st.integers(0, 2**32 - 1), st.integers(400, 4000), st.floats(-0.99, 0.99), st.floats(1e-3, 1e6))
def test_coloured_noise_of_any_size_gives_no_claim(seed: int, count: int, colour: float, size: float) -> None:
    noise = signal.lfilter([1.0], [1.0, -colour], np.random.default_rng(seed).standard_normal(count))
    assert decide((size * noise).astype(np.float32), LOW_RATE_HZ).code is None


@cache
def _one_band() -> NDArray[np.float32]:
    return coded("205", 0.8, seed=5, cnr_db=10.0)


@given(st.floats(0.5, 10.0), st.floats(-1500.0, 1500.0), st.integers(0, 200))
def test_scale_offset_and_start_do_not_change_the_code(scale: float, offset_hz: float, skipped: int) -> None:
    band = _one_band()[skipped:]
    piece = decide(np.float32(scale) * band + np.float32(offset_hz * scale), LOW_RATE_HZ)
    assert piece.code == "205"
    plain = decide(band, LOW_RATE_HZ)
    assert piece.log_odds == pytest.approx(plain.log_odds, abs=0.3)
    assert piece.deviation_hz == pytest.approx(scale * (plain.deviation_hz or 0.0), rel=0.01)
