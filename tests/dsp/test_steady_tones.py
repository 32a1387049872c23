"""Steady tones, the warning tone and paging calls: what is one, what is none, and what is measured."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.modulate import voice
from dsp.modulate.tones import key_tone, silence, tone, two_tone
from dsp.signalling.alert_tone import AlertTone, AlertToneDecoder, log_odds
from dsp.signalling.steady_tones import SteadyTone, SteadyTones
from dsp.signalling.tone_frames import FrameJoiner
from dsp.signalling.two_tone import TonePage, TwoToneDecoder, named_page
from tests.tones_on_air import RATE_HZ, claims, passages, received

QUIET = silence(seconds=0.3, rate_hz=RATE_HZ)


def steady(seconds: float, tone_hz: float = 1050.0, amplitude: float = 0.5) -> np.ndarray:
    return tone(tone_hz=tone_hz, seconds=seconds, rate_hz=RATE_HZ, amplitude=amplitude)


def swept(tone_hz: np.ndarray) -> np.ndarray:
    return np.asarray(0.5 * np.sin(2 * np.pi * np.cumsum(tone_hz) / RATE_HZ), np.float32)


def instants(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def tones(*pieces: np.ndarray) -> list[SteadyTone]:
    joiner, found = FrameJoiner(), SteadyTones()
    said = [t for p in passages(np.concatenate([QUIET, *pieces, QUIET])) for t in found.take(joiner.push(p))]
    return said + found.take(joiner.finish()) + found.finish()


def alerts(*pieces: np.ndarray) -> list[AlertTone]:
    return claims(AlertToneDecoder(), np.concatenate([QUIET, *pieces, QUIET]))


def pages(*pieces: np.ndarray) -> list[TonePage]:
    return claims(TwoToneDecoder(), np.concatenate([QUIET, *pieces, QUIET]))


@settings(max_examples=25)
@given(st.floats(330, 2950), st.floats(0.4, 3.0), st.integers(0, 15_999))
def test_frequency_and_edges_wherever_the_seams_lie(tone_hz: float, seconds: float, shift: int) -> None:
    (found,) = tones(np.zeros(shift, np.float32), steady(seconds, tone_hz))
    assert found.frequency_hz == pytest.approx(tone_hz, abs=0.1)
    assert found.start_s == pytest.approx(0.3 + shift / RATE_HZ, abs=0.008)
    assert found.seconds == pytest.approx(seconds, abs=0.015)
    assert found.rms == pytest.approx(0.5 / np.sqrt(2), rel=0.03)
    assert found.coherence > 0.9 and found.share > 0.9


def test_a_tone_going_on_is_known_before_its_end() -> None:
    joiner, found = FrameJoiner(), SteadyTones()
    for passage in passages(steady(3.0)):
        assert not found.take(joiner.push(passage))
    assert found.current is not None and found.current.seconds == pytest.approx(2.9, abs=0.05)


def test_changing_tones_are_none() -> None:
    t = instants(6)
    assert not tones(swept(1000 + 60 * t))  # a glide
    assert not tones(steady(3) + steady(3, 2100) * 0.5)  # a note with its octave
    assert not tones(key_tone("5", seconds=3, rate_hz=RATE_HZ, twist_db=8.0))
    assert not tones(steady(6, 254.1))  # the highest continuous tone (config/ctcss.csv)


def test_keyed_tones_are_none() -> None:
    """Morse at 20 words a minute: dots of 60 ms (PARIS)."""
    dot = 0.06
    keyed = [
        piece
        for number in range(60)
        for piece in (steady(dot * (1 + 2 * (number % 2))), silence(seconds=dot, rate_hz=RATE_HZ))
    ]
    assert not alerts(*keyed) and not pages(*keyed)


def test_the_warning_tone_is_claimed_within_five_seconds_and_again_at_its_end() -> None:
    # 1050 Hz for about 10 s; receivers react within 5 s (NWS alarms page, alerting description; secondary).
    # Claims come with passages, once a second, and 0.1 s late.
    first, last = alerts(steady(10))
    assert (first.ended, last.ended) == (False, True)
    assert first.start_s == last.start_s == pytest.approx(0.3, abs=0.01)
    assert 4.5 <= first.stop_s - first.start_s < 5.6
    assert last.stop_s == pytest.approx(10.3, abs=0.01)
    assert last.frequency_hz == pytest.approx(1050, abs=0.05)
    assert last.log_odds > 4


@pytest.mark.parametrize("off", [-0.01, -0.003, 0.003, 0.01])
def test_a_sender_may_be_one_percent_off(off: float) -> None:
    assert len(alerts(steady(8, 1050 * (1 + off)))) == 2


def test_what_is_like_the_warning_tone_is_none() -> None:
    assert not alerts(steady(10, 1071)) and not alerts(steady(10, 1000))
    assert not alerts(steady(4))
    assert not alerts(two_tone(700, 1050, rate_hz=RATE_HZ, second_s=5))
    assert not alerts(two_tone(1050, 700, rate_hz=RATE_HZ))
    t = instants(10)
    whistles = (
        swept(1050 + 6 * np.sin(2 * np.pi * 0.2 * t) + 5 * np.sin(2 * np.pi * 6 * t)),
        swept(1050 + 25 * np.sin(2 * np.pi * 0.7 * t) + 8 * np.sin(2 * np.pi * 5 * t)),
    )
    for whistle in whistles:
        assert not alerts(whistle) and not pages(whistle)
    assert not alerts(sum(steady(8, f, 0.15) for f in (523.25, 659.26, 783.99, 1046.5)))


def test_data_before_it_and_voice_after_it_do_not_hide_it() -> None:
    """Header bursts at 2083.3 and 1562.5 Hz, 520.83 bit/s, a pause of 1 s (47 CFR 11.31)."""
    rng = np.random.default_rng(4)
    t = instants(3)
    bits = rng.integers(0, 2, 2000)[(t * 520.83).astype(int)]
    burst = swept(np.where(bits == 1, 2083.3, 1562.5))
    spoken = 0.5 * voice(seconds=4, rng=rng)
    said = alerts(burst, silence(seconds=1, rate_hz=RATE_HZ), steady(8), spoken)
    assert [claim.ended for claim in said] == [False, True]
    assert (said[1].start_s, said[1].stop_s) == (pytest.approx(4.3, abs=0.02), pytest.approx(12.3, abs=0.02))


def test_the_warning_tone_is_heard_in_noise_and_through_fades() -> None:
    rng = np.random.default_rng(6)
    sent = np.concatenate([QUIET, steady(10), QUIET])
    assert len(claims(AlertToneDecoder(), received(sent, cnr_db=3.0, rng=rng))) == 2
    fading = np.ones(len(sent))
    for at_s, for_s in ((2.0, 0.3), (5.0, 0.6)):
        fading[round(at_s * RATE_HZ) : round((at_s + for_s) * RATE_HZ)] = 0.02
    _, last = claims(AlertToneDecoder(), received(sent, cnr_db=15.0, rng=rng, fading=fading))
    assert last.stop_s == pytest.approx(10.3, abs=0.03)


def test_odds_follow_the_frequency() -> None:
    assert log_odds(1050) > log_odds(1055) > 0 > log_odds(1100)


def test_a_page_is_two_frequencies_and_two_durations() -> None:
    (page,) = pages(two_tone(349.0, 1433.4, rate_hz=RATE_HZ))
    assert (page.first_hz, page.second_hz) == (pytest.approx(349, abs=0.1), pytest.approx(1433.4, abs=0.1))
    assert (page.first_s, page.second_s) == (pytest.approx(1, abs=0.02), pytest.approx(3, abs=0.02))
    assert (page.start_s, page.stop_s) == (pytest.approx(0.3, abs=0.01), pytest.approx(4.3, abs=0.01))
    assert page.share > 0.95


@pytest.mark.parametrize("cnr_db", [20.0, 6.0])
def test_a_page_through_the_air(cnr_db: float) -> None:
    rng = np.random.default_rng(9)
    sent = np.concatenate([QUIET, two_tone(707.3, 1153.4, rate_hz=RATE_HZ, gap_s=0.1), QUIET])
    (page,) = claims(TwoToneDecoder(), received(sent, cnr_db=cnr_db, rng=rng))
    assert (page.first_hz, page.second_hz) == (pytest.approx(707.3, abs=0.5), pytest.approx(1153.4, abs=0.5))


def test_a_group_call_is_one_long_tone() -> None:
    (page,) = pages(steady(8, 850))
    assert page.second_hz is None and page.second_s is None
    assert (page.first_hz, page.first_s) == (pytest.approx(850, abs=0.1), pytest.approx(8, abs=0.02))
    assert not pages(steady(8, 1050))  # that is the warning tone


def test_calls_in_a_row() -> None:
    row = [two_tone(500, 700, rate_hz=RATE_HZ), two_tone(900, 1300, rate_hz=RATE_HZ)]
    assert [round(page.first_hz) for page in pages(*row)] == [500, 900]


def test_a_melody_is_no_call() -> None:
    rng = np.random.default_rng(3)
    notes = [steady(0.5, 440 * 2 ** (step / 12)) for step in rng.permutation(20)]
    assert not pages(*notes)
    assert not pages(steady(1, 600), steady(1, 800), steady(1, 700))


def test_speech_is_no_call() -> None:
    spoken = voice(seconds=60, rng=np.random.default_rng(1))
    assert not pages(spoken) and not alerts(spoken)


def test_a_plan_names_a_pair_within_its_tolerance() -> None:
    page = TonePage(0, 4, 605.0, 1, 1196.0, 3, 0.9)
    pairs = {
        "near": (600.0, 1200.0),
        "nearer": (604.0, 1197.0),
        "group": (605.0, None),
        "far": (620.0, 1196.0),
    }
    assert named_page(page, pairs) == "nearer"
    assert named_page(page, {"near": (600.0, 1200.0)}, tolerance=0.005) is None
    assert named_page(page, {"turned": (1196.0, 605.0)}) is None
    assert named_page(page, {}) is None
    assert named_page(TonePage(0, 8, 605.0, 8, None, None, 0.9), pairs) == "group"
