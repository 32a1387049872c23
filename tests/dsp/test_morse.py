"""A station's identification in Morse: read alone, in noise and under a voice, and never where there is none.

Call signs begin with Q, which no administration is given (from memory: ITU Radio Regulations, appendix 42).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from dsp.modulate import VOICE_RATE_HZ, audio_tone, voice
from dsp.modulate.morse import morse
from dsp.signalling.morse import MorseDecoder, MorseReading, keyed_bin, narrowed
from dsp.signalling.morse_reading import KeyedText, read_keying
from dsp.signalling.passage import RATE_HZ, Passage, PassageCutter

DEVIATION_HZ = 500.0
LEAD_S = 0.6
VOICE_BAND = signal.butter(4, [300, 3000], "bandpass", fs=RATE_HZ, output="sos")


def heard(audio: NDArray[np.floating], step: int = 1_000_000) -> tuple[MorseReading, ...]:
    decoder, cutter = MorseDecoder(), PassageCutter()
    pushed: list[MorseReading] = []
    single = np.asarray(audio, dtype=np.float32)
    for at in range(0, len(single), step):
        for passage in cutter.push(single[at : at + step]):
            pushed += decoder.push(passage)
    for passage in cutter.finish():
        pushed += decoder.push(passage)
    readings = decoder.finish()
    assert tuple(pushed) == readings[: len(pushed)]
    return readings


def keyed(
    text: str, *, wpm: float = 20.0, pitch_hz: float = 800.0, tail_s: float = 0.5, **more: float
) -> NDArray:
    sound = DEVIATION_HZ * morse(text, words_per_minute=wpm, rate_hz=RATE_HZ, pitch_hz=pitch_hz, **more)
    return np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), sound, np.zeros(round(tail_s * RATE_HZ))])


def noise(count: int, seed: int, rms_hz: float) -> NDArray:
    return rms_hz * np.random.default_rng(seed).standard_normal(count)


@pytest.mark.parametrize("wpm", [8.0, 13.0, 20.0, 25.0, 35.0])
@pytest.mark.parametrize("pitch_hz", [403.0, 812.5, 828.0, 1295.0])
def test_speed_pitch_text_and_times_are_read(wpm: float, pitch_hz: float) -> None:
    audio = keyed("Q7DX/R", wpm=wpm, pitch_hz=pitch_hz)
    (reading,) = heard(audio)
    assert reading.text == "Q7DX/R"
    assert reading.pitch_hz == pytest.approx(pitch_hz, abs=2.0)
    assert reading.words_per_minute == pytest.approx(wpm, rel=0.05)
    assert reading.start_s == pytest.approx(LEAD_S + 0.0025, abs=0.012)  # half a slope into the sound
    assert reading.stop_s == pytest.approx(len(audio) / RATE_HZ - 0.5 - 0.0025, abs=0.012)
    assert 0.9 < reading.confidence <= 1.0


@pytest.mark.parametrize("text", ["Q0ABC", "Q9ZYX <SK>", "DE Q3MN/B", "Q5GHI = 147.5", "<KA> Q4P"])
def test_figures_procedural_signs_and_words_are_read(text: str) -> None:
    assert [reading.text for reading in heard(keyed(text))] == [text]


@pytest.mark.parametrize("seed", range(4))
def test_it_is_read_in_noise_3_db_stronger(seed: int) -> None:
    # White over 8 kHz, 500 Hz rms against the tone's 354 Hz while it is on.
    audio = keyed("Q7DX/R", wpm=20.0)
    (reading,) = heard(audio + noise(len(audio), seed, DEVIATION_HZ))
    assert reading.text == "Q7DX/R"


@pytest.mark.parametrize("seed", range(4))
def test_it_is_read_under_a_voice_6_db_weaker(seed: int) -> None:
    audio = keyed("Q7DX/R", wpm=20.0)
    talk = signal.sosfilt(VOICE_BAND, voice(seconds=len(audio) / RATE_HZ, rng=np.random.default_rng(seed)))
    talk *= DEVIATION_HZ / np.sqrt(2) / np.sqrt(np.mean(talk**2)) / 2
    (reading,) = heard(audio + talk[: len(audio)])
    assert reading.text == "Q7DX/R"


@pytest.mark.parametrize(
    ("dash", "sign_space", "word_space"), [(2.7, 3.5, 8.0), (3.3, 2.7, 6.0), (3.0, 4.4, 12.0)]
)
def test_keying_may_depart_from_the_rule(dash: float, sign_space: float, word_space: float) -> None:
    audio = keyed(
        "DE Q7DX", dash_dots=dash, sign_space_dots=sign_space, word_space_dots=word_space, rise_s=0.008
    )
    assert [reading.text for reading in heard(audio)] == ["DE Q7DX"]


def test_two_identifications_minutes_apart_stand_alone() -> None:
    audio = np.concatenate([keyed("Q7DX", tail_s=20.0), keyed("Q2B/R", pitch_hz=1100.0)])
    first, second = heard(audio)
    assert (first.text, second.text) == ("Q7DX", "Q2B/R")
    assert second.start_s - first.stop_s == pytest.approx(20.0 + LEAD_S, abs=0.05)


def test_another_tone_soon_after_is_read_too() -> None:
    audio = np.concatenate([keyed("Q7DX", tail_s=2.0), keyed("Q2B/R", pitch_hz=1100.0)])
    assert [reading.text for reading in heard(audio)] == ["Q7DX", "Q2B/R"]


@pytest.mark.parametrize("step", [777, 16_000, 16_001])
def test_how_it_is_pushed_does_not_matter(step: int) -> None:
    audio = keyed("Q7DX")
    assert heard(audio, step) == heard(audio)


@pytest.mark.parametrize("text", ["EEEEEEEE", "SSS", "TTTTT", "5H5H", "Q", "TEE"])
def test_beeps_and_single_signs_are_no_identification(text: str) -> None:
    assert heard(keyed(text)) == ()


def digits(rng: np.random.Generator) -> NDArray:
    """Touch tones of one length or of lengths as a hand makes them; ITU-T Q.23 frequencies."""
    parts = [np.zeros(4000)]
    for _ in range(12):
        on_s, off_s = rng.uniform(0.05, 0.3, 2)
        pair = [
            audio_tone(seconds=on_s, tone_hz=hz, rate_hz=RATE_HZ)
            for hz in (rng.choice([697, 770, 852, 941]), rng.choice([1209, 1336, 1477, 1633]))
        ]
        parts += [pair[0] + pair[1], np.zeros(round(off_s * RATE_HZ))]
    return np.concatenate(parts)


def pages(rng: np.random.Generator) -> NDArray:
    parts = [audio_tone(seconds=s, tone_hz=rng.uniform(400, 1300), rate_hz=RATE_HZ) for s in (1.0, 3.0)]
    return np.concatenate(parts)


def bits(rng: np.random.Generator) -> NDArray:
    """AFSK of 1200 bit/s, 1200 and 2200 Hz."""
    tones_hz = np.repeat(rng.choice([1200.0, 2200.0], 6 * 1200), 40)
    return np.sin(2 * np.pi * np.cumsum(tones_hz) / 48_000)[::3]


def talk(rng: np.random.Generator) -> NDArray:
    return signal.sosfilt(VOICE_BAND, voice(seconds=8.0, rng=rng))


@pytest.mark.parametrize("source", [digits, pages, bits, talk])
@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_claimed_on_other_sounds(source, seed: int) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    audio = source(rng)
    audio = audio / np.abs(audio).max() * 1500 + noise(len(audio), seed, 50.0)
    assert heard(audio) == ()


@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_claimed_on_noise(seed: int) -> None:
    assert heard(signal.sosfilt(VOICE_BAND, noise(10 * RATE_HZ, seed, 2000.0))) == ()


def test_an_endless_beacon_does_not_fill_the_memory() -> None:
    decoder, cutter = MorseDecoder(), PassageCutter()
    sound = np.asarray(keyed("Q7DX/R", tail_s=0.0), dtype=np.float32)
    read = 0
    for _ in range(40):
        for passage in cutter.push(sound):
            read += len(decoder.push(passage))
            assert sum(len(piece) for piece in decoder._narrow) <= 41 * 400
    assert 2 <= read <= len(decoder.finish()) <= 64


@given(
    count=st.integers(0, 40_000),
    kind=st.sampled_from(["nan", "inf", "huge", "zeros", "steps", "one"]),
    seed=st.integers(0, 1000),
)
@settings(max_examples=30, deadline=None)
def test_a_broken_stream_neither_crashes_nor_claims(count: int, kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    audio = rng.standard_normal(count).astype(np.float32) * 1000
    if kind in ("nan", "inf") and count:
        audio[rng.integers(0, count, 3)] = np.nan if kind == "nan" else np.inf
    elif kind == "huge":
        audio *= np.float32(1e15)
    elif kind == "zeros":
        audio[:] = 0
    elif kind == "steps":
        audio = np.repeat(rng.choice([-15e3, 15e3], count // 50 + 1), 50)[:count].astype(np.float32)
    elif kind == "one":
        audio[:] = 15_000
    with np.errstate(all="ignore"):
        passages = PassageCutter()
        cut = [*passages.push(audio), *passages.finish()]
    decoder = MorseDecoder()
    for passage in cut:
        assert decoder.push(passage) == []
    assert decoder.finish() == ()


def test_after_a_broken_second_it_reads_on() -> None:
    broken = np.full(RATE_HZ, np.nan, dtype=np.float32)
    with np.errstate(all="ignore"):
        (reading,) = heard(np.concatenate([broken, np.zeros(RATE_HZ), keyed("Q7DX")]))
    assert reading.text == "Q7DX"
    assert reading.start_s == pytest.approx(2.0 + LEAD_S, abs=0.02)


def test_an_empty_passage_is_no_line() -> None:
    assert keyed_bin(np.zeros((0, 105), np.float32)) is None
    decoder = MorseDecoder()
    assert decoder.push(Passage(np.zeros(0, np.float32), 0, np.zeros((0, 105), np.float32))) == []


def test_a_steady_tone_is_not_keyed_and_a_keyed_one_stands_in_its_bin() -> None:
    cutter = PassageCutter()
    steady = audio_tone(seconds=1.0, tone_hz=1000.0, rate_hz=RATE_HZ)
    (first,) = cutter.push(steady)
    assert keyed_bin(first.spectra) is None
    (second,) = cutter.push(np.asarray(keyed("Q7DX", pitch_hz=1000.0)[RATE_HZ : 2 * RATE_HZ], np.float32))
    assert keyed_bin(second.spectra) == 32  # 1000 / 31.25


def test_the_narrow_band_holds_the_tone_at_zero_and_shuts_out_the_rest() -> None:
    # A real sine of amplitude 1 is a half at its pitch; the Hann taper (7.5 ms) is 31 dB down from 267 Hz on.
    edge = np.zeros(80, np.float32)
    inside, outside = (
        narrowed(audio_tone(seconds=1.0, tone_hz=hz, rate_hz=RATE_HZ), edge, 750.0)[4:]
        for hz in (750.0, 1150.0)
    )
    assert np.abs(inside) == pytest.approx(0.5, rel=0.03)
    assert np.abs(outside).max() < 0.5 * 10 ** (-31 / 20)


def test_the_reader_takes_complex_samples_and_leaves_the_unreadable() -> None:
    assert read_keying(np.zeros(0, np.complex64)) == []
    assert read_keying(np.zeros(4000, np.complex64)) == []
    assert read_keying(np.full(4000, np.nan, np.complex64)) == []
    sound = morse("Q7DX", words_per_minute=20.0, rate_hz=RATE_HZ, pitch_hz=750.0)
    sound = np.pad(sound, (8000, 8000 + -len(sound) % 40))
    turn = np.exp(-2j * np.pi * 1.875 * np.arange(len(sound) // 40))  # 40 samples hold 1.875 periods
    narrow = narrowed(sound, np.zeros(80, np.float32), 750.0) * turn
    (text,) = read_keying(narrow.astype(np.complex64))
    assert isinstance(text, KeyedText)
    assert (text.text, text.signs) == ("Q7DX", 4)
    assert text.log_odds > 20


def test_voice_rate_is_the_decoders() -> None:
    assert VOICE_RATE_HZ == RATE_HZ
