"""The rules by which a tone is named or not, one test each."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from dsp.signalling.ctcss import TonePiece, decide, first_word
from dsp.signalling.tone_table import TONES_HZ
from tests.dsp.test_ctcss_air import CHANNEL_HZ, LOW_RATE_HZ, instants, received, speech, tone

# TIA-603 1.3.5.5, words worked by hand from the Golay generator: codes 023 and 754 as they are sent.
CODE_WORDS = {"023": "11001000000111000110111", "754": "00110111100111110000010"}


def named(
    swing_hz: np.ndarray, seed: int, *, cnr_db: float = 10.0, offset_hz: float | None = None
) -> TonePiece:
    rng = np.random.default_rng(seed)
    return decide(received(swing_hz, rng, cnr_db=cnr_db, offset_hz=offset_hz), LOW_RATE_HZ)


def spoken(seconds: float, seed: int) -> np.ndarray:
    return speech(seconds, np.random.default_rng(1000 + seed))


@pytest.mark.parametrize("error", [-0.005, 0.0, 0.005])
@pytest.mark.parametrize("tone_hz", TONES_HZ[::7])
def test_listed_tone_is_named_under_speech_with_half_a_percent_of_error(tone_hz: float, error: float) -> None:
    seed = round(tone_hz * 10)
    piece = named(tone(1.2, tone_hz * (1 + error)) + spoken(1.2, seed), seed, cnr_db=8.0)
    assert piece.tone_hz == tone_hz


@pytest.mark.parametrize("tone_hz", TONES_HZ)
def test_every_tone_is_named_on_a_quiet_carrier(tone_hz: float) -> None:
    piece = named(tone(1.0, tone_hz), round(tone_hz), cnr_db=6.0)
    assert piece.tone_hz == tone_hz
    assert piece.probability > 0.8


@pytest.mark.parametrize(
    ("sent_hz", "tone_hz"), [(165.5 * 1.004, 165.5), (167.9 * 0.996, 167.9), (67.3, 67.0), (69.0, 69.3)]
)
def test_closest_neighbours_are_told_apart(sent_hz: float, tone_hz: float) -> None:
    # 166.16 and 167.23 Hz lie 1.07 Hz apart; 1.5 s resolve that many times over (Cramér-Rao: 0.02 Hz).
    assert named(tone(1.5, sent_hz) + spoken(1.5, 3), 3, cnr_db=6.0).tone_hz == tone_hz


@pytest.mark.parametrize("seed", range(12))
def test_speech_without_a_tone_has_none(seed: int) -> None:
    piece = named(spoken(1.5, seed), seed, cnr_db=(3.0, 10.0, 25.0)[seed % 3])
    assert piece.tone_hz is None
    assert piece.probability > 0.9


@pytest.mark.parametrize("cnr_db", [-30.0, 3.0, 20.0])
def test_noise_has_no_tone(cnr_db: float) -> None:
    assert named(np.zeros(CHANNEL_HZ), 7, cnr_db=cnr_db).tone_hz is None


@pytest.mark.parametrize("sent_hz", [60.0, 112.8, 120.0, 150.0, 222.0])
def test_steady_line_clearly_off_the_list_is_not_named(sent_hz: float) -> None:
    """Hum at 60 and 120 Hz, 150.0 Hz as some equipment sends it, and places between two tones."""
    piece = named(tone(1.5, sent_hz), 11)
    assert piece.tone_hz is None


def test_tone_beside_hum_is_named() -> None:
    assert named(tone(1.5, 100.0) + tone(1.5, 120.0, 300.0), 2).tone_hz == 100.0


@pytest.mark.parametrize("pitch_hz", [67.0, 100.0, 123.0, 192.8])
def test_periodic_source_on_a_listed_frequency_is_not_a_tone(pitch_hz: float) -> None:
    # Lines at the listed frequency and its multiples, falling by 6 dB an octave: an organ, a mains rectifier.
    rich = sum(tone(1.5, k * pitch_hz, 400.0 / k, float(k)) for k in range(1, 7))
    assert named(np.asarray(rich), 5).tone_hz is None


def test_second_harmonic_of_a_monotone_voice_is_not_a_tone() -> None:
    rich = sum(tone(1.5, k * 73.75, 500.0 / k, float(k)) for k in range(1, 10))  # its double is 147.5 Hz
    loud = 0.6 + 0.4 * np.sin(2 * np.pi * 4.0 * instants(1.5))
    assert named(np.asarray(rich) * loud, 6).tone_hz is None


def test_note_that_dies_away_is_not_a_tone() -> None:
    dying = tone(1.5, 123.0, 700.0) * np.exp(-instants(1.5) / 0.3)
    assert named(dying, 8, cnr_db=20.0).tone_hz is None


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("code", CODE_WORDS)
def test_digital_code_word_is_not_a_tone(code: str, inverted: bool) -> None:
    bits = np.array([float(bit) for bit in CODE_WORDS[code]]) * 2 - 1
    sent = bits[(instants(2.0) * 134.4).astype(int) % 23] * (-500.0 if inverted else 500.0)
    smoothed = signal.sosfilt(signal.butter(4, 300.0, fs=CHANNEL_HZ, output="sos"), sent)
    assert named(smoothed, 9).tone_hz is None


def test_turn_off_burst_of_a_digital_code_is_not_a_tone() -> None:
    # 134.4 Hz for about 0.2 s (reference facts, from memory): between 131.8 and 136.5 Hz.
    assert named(tone(0.2, 134.4, 500.0), 9, cnr_db=20.0).tone_hz is None


@pytest.mark.parametrize("degrees", [120.0, 180.0])
@pytest.mark.parametrize("burst_s", [0.08, 0.2])
def test_reverse_burst_does_not_hide_the_tone(degrees: float, burst_s: float) -> None:
    flip = np.where(instants(1.2) > 1.2 - burst_s, np.deg2rad(degrees), 0.0)
    talk = spoken(1.2, 4)
    talk[-round(burst_s * CHANNEL_HZ) :] = 0
    turning = 350.0 * np.sin(2 * np.pi * 141.3 * instants(1.2) - flip)
    assert named(turning + talk, 4, cnr_db=6.0).tone_hz == 141.3


def test_noise_left_at_the_end_does_not_hide_the_tone() -> None:
    rng = np.random.default_rng(12)
    band = received(tone(1.0, 203.5) + spoken(1.0, 12), rng, cnr_db=6.0)
    noise = received(np.zeros(CHANNEL_HZ), rng, cnr_db=-30.0)[: round(0.05 * LOW_RATE_HZ)]
    assert decide(np.concatenate([band, noise]), LOW_RATE_HZ).tone_hz == 203.5


def test_tone_that_begins_late_is_named() -> None:
    late = tone(3.0, 110.9) * (instants(3.0) > 1.0)
    assert named(late + spoken(3.0, 2), 2, cnr_db=8.0).tone_hz == 110.9


def test_of_two_tones_one_after_the_other_one_is_named() -> None:
    two = np.concatenate([tone(2.0, 88.5), tone(2.0, 186.2)])
    assert named(two + spoken(4.0, 1), 1).tone_hz in (88.5, 186.2)


@pytest.mark.parametrize("offset_hz", [-1000.0, 0.0, 1000.0])
def test_carrier_offset_and_its_drift_do_not_matter(offset_hz: float) -> None:
    drifting = tone(1.5, 77.0) + 200.0 * instants(1.5)
    assert named(drifting, 3, cnr_db=6.0, offset_hz=offset_hz).tone_hz == 77.0


@pytest.mark.parametrize("seconds", [8.0, 75.0])
def test_long_transmission_is_judged_in_stretches(seconds: float) -> None:
    rng = np.random.default_rng(21)
    talk = np.concatenate([speech(1.0, rng) for _ in range(round(seconds))])
    toned = named(tone(seconds, 179.9) + talk, 21, cnr_db=6.0)
    assert toned.tone_hz == 179.9
    assert toned.estimate_hz == pytest.approx(179.9, abs=0.02)
    assert named(talk, 21).tone_hz is None


def test_stretch_of_a_tone_in_a_long_transmission_is_not_its_tone() -> None:
    """Somebody whistles or hums for four seconds of a minute."""
    swing = np.zeros(60 * CHANNEL_HZ)
    swing[: 4 * CHANNEL_HZ] = tone(4.0, 151.4)
    assert named(swing, 2).tone_hz is None


@pytest.mark.parametrize("cnr_db", [6.0, 20.0])
def test_frequency_and_deviation_lie_within_their_errors(cnr_db: float) -> None:
    off = []
    for seed in range(12):
        sent_hz = 123.0 * (1 + 0.004 * np.sin(seed))
        piece = named(tone(1.0, sent_hz, 500.0), seed, cnr_db=cnr_db)
        assert piece.tone_hz == 123.0
        assert piece.estimate_hz is not None
        assert piece.estimate_sigma_hz is not None
        assert piece.deviation_hz == pytest.approx(500.0, rel=0.05)
        off.append((piece.estimate_hz - sent_hz) / piece.estimate_sigma_hz)
    assert np.sqrt(np.mean(np.square(off))) < 1.8  # 12 values of unit variance stay under with 99.9 %


def test_first_word_names_the_tone_of_300_ms() -> None:
    right = 0
    for seed, tone_hz in enumerate(TONES_HZ[::3]):
        rng = np.random.default_rng(seed)
        band = received(tone(0.3, tone_hz) + speech(0.3, rng), rng, cnr_db=6.0)
        word = first_word(band, LOW_RATE_HZ)
        assert word.tone_hz in (tone_hz, None)
        right += word.tone_hz == tone_hz
    assert right >= 14  # of 17


def test_probability_is_that_of_what_is_said() -> None:
    toned, toneless = named(tone(1.0, 100.0), 1), named(spoken(1.0, 1), 1)
    for piece, sign in ((toned, 1), (toneless, -1)):
        assert piece.probability == pytest.approx(1 / (1 + np.exp(-sign * piece.log_odds)))


def test_deviation_far_outside_the_usual_is_not_believed() -> None:
    """A line of 20 Hz deviation is a residue of something, not a tone: makers set 250 Hz at least."""
    piece = named(tone(1.5, 100.0, 20.0), 1, cnr_db=30.0)
    assert piece.tone_hz is None


@pytest.mark.parametrize("count", [0, 1, 60, 200])
def test_too_short_says_none_and_claims_nothing(count: int) -> None:
    piece = decide(np.ones(count, np.float32), LOW_RATE_HZ)
    assert piece == TonePiece(None, None, None, None, None, 0.5, 0.0)


def test_constant_low_band_says_none() -> None:
    assert decide(np.full(2000, 431.0, np.float32), LOW_RATE_HZ).tone_hz is None


@pytest.mark.parametrize("judge", [decide, first_word])
def test_bad_input_is_refused_in_words(judge: object) -> None:
    assert callable(judge)
    with pytest.raises(ValueError, match="low_band has 2 dimensions; it must have one"):
        judge(np.zeros((2, 9), np.float32), LOW_RATE_HZ)
    with pytest.raises(ValueError, match=r"rate_hz is 1199\.0; it must be 1200 or more"):
        judge(np.zeros(9, np.float32), 1199.0)
    with pytest.raises(ValueError, match="low_band holds a value that is not finite"):
        judge(np.array([0.0, np.nan] * 500, np.float32), LOW_RATE_HZ)
