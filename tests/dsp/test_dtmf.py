"""Keys and the long zero: what is taken, what is refused, and how it is reported."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.modulate.tones import key_sequence, key_tone, silence, tone
from dsp.signalling.dtmf import Digit, DtmfDecoder, dialled
from dsp.signalling.key_frames import KEYS
from dsp.signalling.long_tone import LongTone
from tests.tones_on_air import RATE_HZ, claims, received

QUIET = silence(seconds=0.2, rate_hz=RATE_HZ)


def held(seconds: float, key: str = "0") -> np.ndarray:
    return key_tone(key, seconds=seconds, rate_hz=RATE_HZ)


def pause(seconds: float) -> np.ndarray:
    return silence(seconds=seconds, rate_hz=RATE_HZ)


def heard(*pieces: np.ndarray) -> list[Any]:
    return claims(DtmfDecoder(), np.concatenate([QUIET, *pieces, QUIET]))


def keys(said: list[Any]) -> str:
    return dialled([claim for claim in said if isinstance(claim, Digit)])


def long_tones(said: list[Any]) -> list[LongTone]:
    return [claim for claim in said if isinstance(claim, LongTone)]


def test_all_sixteen_keys() -> None:
    assert keys(heard(key_sequence(KEYS, rate_hz=RATE_HZ, tone_s=0.05, pause_s=0.05))) == KEYS


def test_a_digit_tells_when_how_long_and_how_strong() -> None:
    (digit,) = heard(
        key_tone("7", seconds=0.3, rate_hz=RATE_HZ, amplitude=0.5, twist_db=3.0, off=(0.01, -0.01))
    )
    assert digit.start_s == pytest.approx(0.2, abs=0.005)
    assert digit.stop_s == pytest.approx(0.5, abs=0.005)
    assert digit.row_hz == pytest.approx(852 * 1.01, abs=0.3)
    assert digit.column_hz == pytest.approx(1209 * 0.99, abs=0.3)
    assert digit.row_rms == pytest.approx(0.5 / np.sqrt(2), rel=0.02)
    assert digit.twist_db == pytest.approx(3.0, abs=0.2)
    assert digit.share > 0.95


@given(st.integers(1, 40_000), st.integers(0, 15_999))
def test_blocks_and_seams_change_nothing(block: int, shift: int) -> None:
    """Digits of 40 ms wherever they lie against the seams of the passages."""
    sent = np.concatenate(
        [np.zeros(shift, np.float32), key_sequence("159D", rate_hz=RATE_HZ, tone_s=0.04, pause_s=0.04)]
    )
    said = claims(DtmfDecoder(), np.concatenate([sent, QUIET]), block=block)
    assert keys(said) == "159D"
    assert said[0].start_s == pytest.approx(shift / RATE_HZ + 0.04, abs=0.006)


def test_a_long_digit_over_a_seam_is_one() -> None:
    (digit,) = heard(pause(0.5), held(2.5, "5"))
    assert (digit.key, digit.stop_s - digit.start_s) == ("5", pytest.approx(2.5, abs=0.01))


def test_text_has_a_space_where_a_long_pause_was() -> None:
    said = heard(key_sequence("12", rate_hz=RATE_HZ), pause(2.5), key_sequence("3", rate_hz=RATE_HZ))
    assert keys(said) == "12 3"
    assert dialled([]) == ""


@pytest.mark.parametrize("cnr_db", [20.0, 1.0])
def test_a_zero_held_for_three_seconds_is_claimed_while_it_goes_on(cnr_db: float) -> None:
    # Held at least 3 s, then voice: a custom, ARRL Repeater Directory 1997-98, as a reprint gives it.
    rng = np.random.default_rng(5)
    voice = 0.3 * rng.normal(size=2 * RATE_HZ)
    said = claims(DtmfDecoder(), received(np.concatenate([QUIET, held(5.0), voice]), cnr_db=cnr_db, rng=rng))
    first, last = long_tones(said)
    assert (first.ended, last.ended) == (False, True)
    assert first.start_s == last.start_s == pytest.approx(0.2, abs=0.02)
    assert 3.2 <= first.stop_s < 4.5
    assert last.stop_s == pytest.approx(5.2, abs=0.03)
    assert last.row_hz == pytest.approx(941, abs=3) and last.column_hz == pytest.approx(1336, abs=3)
    assert keys(said) == "0"


def test_three_seconds_are_enough_and_less_is_not() -> None:
    assert long_tones(heard(held(3.0)))[-1].ended
    assert not long_tones(heard(held(2.9)))


def test_a_long_tone_survives_fades() -> None:
    rng = np.random.default_rng(2)
    fading = np.ones(6 * RATE_HZ)
    for at_s, for_s in ((1.0, 0.09), (1.8, 0.05), (2.3, 0.03), (3.9, 0.08)):
        fading[round(at_s * RATE_HZ) : round((at_s + for_s) * RATE_HZ)] = 0.02
    audio = received(np.concatenate([QUIET, held(5.0), QUIET]), cnr_db=15.0, rng=rng, fading=fading)
    said = claims(DtmfDecoder(), audio)
    assert [claim.ended for claim in long_tones(said)] == [False, True]
    assert long_tones(said)[1].stop_s == pytest.approx(5.2, abs=0.02)
    assert keys(said) == "0"


def test_silent_breaks_at_odd_places_do_not_end_a_long_tone() -> None:
    said = heard(held(1.3), pause(0.06), held(0.9), pause(0.05), held(1.5))
    assert long_tones(said)[-1].filled == pytest.approx(3.7 / 3.81, abs=0.01)


@pytest.mark.parametrize(
    ("tone_s", "pause_s"), [(0.04, 0.04), (0.1, 0.05), (0.1, 0.1), (0.25, 0.05), (1.0, 0.07)]
)
def test_zeros_of_fixed_length_are_digits(tone_s: float, pause_s: float) -> None:
    """Keypads that send digits of fixed length cannot send a long tone (from memory)."""
    count = round(5 / (tone_s + pause_s))
    said = heard(*[piece for _ in range(count) for piece in (held(tone_s), pause(pause_s))])
    assert not long_tones(said)
    assert keys(said) == "0" * count


def test_two_long_tones_are_two() -> None:
    ends = [claim for claim in long_tones(heard(held(3.5), pause(0.5), held(3.5))) if claim.ended]
    assert [claim.start_s for claim in ends] == pytest.approx([0.2, 4.2], abs=0.01)


def test_other_keys_held_are_no_long_tone() -> None:
    for key in KEYS.replace("0", ""):
        said = heard(held(4.0, key))
        assert not long_tones(said) and keys(said) == key


def test_other_tones_are_no_keys() -> None:
    """Chords, tones of one group, the tones of a telephone exchange (350 to 620 Hz, from memory)."""
    for pair in (
        (350, 440),
        (480, 620),
        (523.25, 659.26),
        (697, 770),
        (1209, 1336),
        (941, 1050),
        (880, 1318.5),
    ):
        assert not heard(sum(tone(tone_hz=f, seconds=2, rate_hz=RATE_HZ, amplitude=0.3) for f in pair)), pair
    for alone in (697, 941, 1336, 1633):
        assert not heard(tone(tone_hz=alone, seconds=2, rate_hz=RATE_HZ))


def test_a_third_tone_makes_it_no_key() -> None:
    for third in (440, 1050, 1477, 2100):
        assert not heard(held(0.5) + tone(tone_hz=third, seconds=0.5, rate_hz=RATE_HZ, amplitude=0.3))


def test_noise_is_no_key() -> None:
    rng = np.random.default_rng(7)
    assert not claims(DtmfDecoder(), rng.normal(size=60 * RATE_HZ))
    assert not claims(DtmfDecoder(), received(np.zeros(60 * RATE_HZ), cnr_db=-20, rng=rng))


def test_an_unmodulated_carrier_says_nothing() -> None:
    assert not claims(DtmfDecoder(), np.zeros(3 * RATE_HZ))
    assert not DtmfDecoder().finish()
