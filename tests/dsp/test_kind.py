"""What kind of transmission: each told from the others in the receiver's own audio, and what is promised."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from dsp.audio import VoiceFilter
from dsp.demodulate import AmDetector, instantaneous_frequency
from dsp.modulate import (
    VOICE_RATE_HZ,
    Am,
    Audio,
    Ctcss,
    Fm,
    Modulation,
    Unmodulated,
    add_noise,
    audio_tone,
    complex_noise,
    transmit,
    voice,
)
from dsp.modulate.morse import morse
from dsp.signalling.kind import LEAST_SPEECH_S, Kind, KindDecoder, KindReading
from dsp.signalling.kind_figures import AM, FM
from dsp.signalling.kind_measures import MEASURE_COUNT, MEASURES, measure_blocks
from dsp.signalling.passage import RATE_HZ, Passage, PassageCutter

WIDTH_HZ = 11_000.0
ONE = np.array([0])


def demodulated(samples: NDArray[np.complex64], *, is_am: bool = False) -> NDArray[np.float32]:
    """Audio of channel samples at 48 kS/s cut to 11 kHz, as the receiver makes it."""
    taps = signal.firwin(241, WIDTH_HZ, fs=48_000, window=("kaiser", 8.0))
    channel = signal.resample_poly(signal.oaconvolve(samples, taps, mode="same"), 1, 3).astype(np.complex64)[
        None
    ]
    rate_hz = Fraction(RATE_HZ)
    if is_am:
        heard = AmDetector(rate_hz, 1).push(channel, ONE)
    else:
        heard = instantaneous_frequency(channel, np.zeros(1, np.complex64), rate_hz)
    return VoiceFilter(rate_hz, "am" if is_am else "fm", 1, RATE_HZ).push(heard, ONE, 0)[0]


def received(
    modulation: Modulation, seconds: float, *, cnr_db: float = 15.0, seed: int = 0
) -> NDArray[np.float32]:
    samples = transmit(modulation, sample_rate_hz=48_000, seconds=seconds)
    noisy = add_noise(
        samples, cnr_db=cnr_db, width_hz=WIDTH_HZ, sample_rate_hz=48_000, rng=np.random.default_rng(seed)
    )
    return demodulated(noisy, is_am=isinstance(modulation, Am))


def swung(swing_hz: NDArray, *, cnr_db: float = 15.0, seed: int = 0) -> NDArray[np.float32]:
    """Audio of a carrier whose frequency is moved directly, as data modems do."""
    samples = np.exp(2j * np.pi * np.cumsum(swing_hz) / 48_000).astype(np.complex64)
    rng = np.random.default_rng(seed)
    return demodulated(add_noise(samples, cnr_db=cnr_db, width_hz=WIDTH_HZ, sample_rate_hz=48_000, rng=rng))


def kind_of(
    audio: NDArray[np.float32], *, is_am: bool = False, cnr_db: float | None = None, step: int = 1_000_000
) -> KindReading:
    decoder, cutter = KindDecoder(is_am=is_am), PassageCutter()
    for at in range(0, len(audio), step):
        for passage in cutter.push(audio[at : at + step]):
            assert decoder.push(passage) == []
    for passage in cutter.finish():
        decoder.push(passage)
    reading = decoder.finish(carrier_to_noise_db=cnr_db)
    assert reading is not None
    return reading


def programme(samples: NDArray) -> Audio:
    return Audio(samples=np.asarray(samples, dtype=np.float32), rate_hz=VOICE_RATE_HZ)


def spoken(seconds: float, seed: int) -> NDArray:
    return voice(seconds=seconds, rng=np.random.default_rng(seed))


def four_levels(seconds: float, seed: int) -> NDArray:
    """Digital voice: 4800 symbols/s of four levels through a root-raised-cosine filter of roll-off 0.2."""
    symbols = np.random.default_rng(seed).choice([-1944.0, -648.0, 648.0, 1944.0], round(4800 * seconds))
    train = np.zeros(10 * len(symbols))
    train[::10] = symbols
    bins = np.fft.rfftfreq(len(train), 1 / 48_000)
    fall = np.clip((bins - 1920.0) / 960.0, 0.0, 1.0)  # 0.8 and 1.2 times half the symbol rate
    return np.fft.irfft(np.fft.rfft(train) * np.cos(0.5 * np.pi * fall), len(train)) * 10


def two_levels(rate: int, swing_hz: float, seconds: float, seed: int) -> NDArray:
    bits = np.random.default_rng(seed).choice([-swing_hz, swing_hz], round(rate * seconds))
    shaped = signal.butter(4, 4000, fs=48_000, output="sos")
    return signal.sosfilt(shaped, np.repeat(bits, 48_000 // rate))


def afsk(rate: float, one_hz: float, zero_hz: float, seconds: float, seed: int) -> NDArray:
    count = round(seconds * VOICE_RATE_HZ)
    bits = np.random.default_rng(seed).integers(0, 2, round(seconds * rate) + 2)
    sent = bits[(np.arange(count) * rate / VOICE_RATE_HZ).astype(int)]
    return np.sin(2 * np.pi * np.cumsum(np.where(sent == 1, one_hz, zero_hz)) / VOICE_RATE_HZ)


def siren(seconds: float) -> NDArray:
    instants = np.arange(round(seconds * VOICE_RATE_HZ)) / VOICE_RATE_HZ
    return np.sin(2 * np.pi * np.cumsum(900 + 400 * np.sin(2 * np.pi * 0.5 * instants)) / VOICE_RATE_HZ)


def touch_tones(seed: int) -> NDArray:
    """ITU-T Q.23 pairs, 100 ms on, 60 ms off."""
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(10):
        low, high = rng.choice([697, 770, 852, 941]), rng.choice([1209, 1336, 1477, 1633])
        pair = [audio_tone(seconds=0.1, tone_hz=float(hz), rate_hz=VOICE_RATE_HZ) for hz in (low, high)]
        parts += [(pair[0] + pair[1]) / 2, np.zeros(round(0.06 * VOICE_RATE_HZ))]
    return np.concatenate(parts)


def open_squelch(seconds: float, seed: int, *, is_am: bool = False) -> NDArray[np.float32]:
    noise = complex_noise(round(48_000 * seconds), power=1.0, rng=np.random.default_rng(seed))
    return demodulated(noise, is_am=is_am)


@pytest.mark.parametrize("cnr_db", [8.0, 25.0])
@pytest.mark.parametrize("seed", range(3))
def test_speech_is_voice(cnr_db: float, seed: int) -> None:
    modulation = Fm(audio=programme(spoken(4.0, seed)), drive=3.0, tone=Ctcss(tone_hz=100.0))
    reading = kind_of(received(modulation, 4.0, cnr_db=cnr_db, seed=seed), cnr_db=cnr_db)
    assert reading.kind is Kind.VOICE
    assert reading.speech_s > 1.0
    assert reading.probability > 0.7


@pytest.mark.parametrize("seed", range(3))
def test_a_word_in_a_long_carrier_is_voice(seed: int) -> None:
    said = np.concatenate([np.zeros(4 * VOICE_RATE_HZ), spoken(1.2, seed), np.zeros(4 * VOICE_RATE_HZ)])
    reading = kind_of(received(Fm(audio=programme(said), drive=3.0), 9.2, seed=seed), cnr_db=15.0)
    assert reading.kind is Kind.VOICE
    assert LEAST_SPEECH_S <= reading.speech_s <= 1.6
    assert reading.carrier_s > 6.0


SOUNDS = {
    "siren": siren(3.0),
    "alert": audio_tone(seconds=3.0, tone_hz=1050.0, rate_hz=VOICE_RATE_HZ),
    "touch tones": touch_tones(1),
    "paging": np.concatenate(
        [audio_tone(seconds=s, tone_hz=hz, rate_hz=VOICE_RATE_HZ) for s, hz in ((1.0, 410.8), (3.0, 953.7))]
    ),
    "morse": morse("Q7DX/R", words_per_minute=20.0, rate_hz=VOICE_RATE_HZ, pitch_hz=900.0),
}


@pytest.mark.parametrize("name", SOUNDS)
@pytest.mark.parametrize("is_am", [False, True])
def test_tones_are_tones_and_not_a_voice(name: str, is_am: bool) -> None:
    audio = programme(SOUNDS[name])
    seconds = len(SOUNDS[name]) / VOICE_RATE_HZ
    modulation = Am(audio=audio) if is_am else Fm(audio=audio, drive=0.6)
    reading = kind_of(received(modulation, seconds), is_am=is_am, cnr_db=15.0)
    assert reading.kind is Kind.TONES
    assert reading.tone_s > 0.5


MODEMS = {
    "4FSK, 4800 symbols/s": lambda seed: swung(four_levels(1.5, seed), seed=seed),
    "2FSK, 9600 bit/s": lambda seed: swung(two_levels(9600, 2400.0, 1.5, seed), seed=seed),
    "2FSK, 1200 bit/s": lambda seed: swung(two_levels(1200, 2400.0, 1.5, seed), seed=seed),
    "AFSK, 1200 bit/s": lambda seed: received(
        Fm(audio=programme(afsk(1200, 1200, 2200, 1.5, seed)), drive=0.6), 1.5, seed=seed
    ),
    "MSK, 1200 bit/s": lambda seed: received(
        Fm(audio=programme(afsk(1200, 1200, 1800, 1.5, seed)), drive=0.6), 1.5, seed=seed
    ),
    "AFSK, 520.83 bit/s": lambda seed: received(
        Fm(audio=programme(afsk(520.83, 2083.3, 1562.5, 1.5, seed)), drive=0.6), 1.5, seed=seed
    ),
}


@pytest.mark.parametrize("name", MODEMS)
@pytest.mark.parametrize("seed", range(2))
def test_a_modem_is_data_and_no_silent_voice(name: str, seed: int) -> None:
    reading = kind_of(MODEMS[name](seed), cnr_db=15.0)
    assert reading.kind is Kind.DATA
    assert reading.data_s > 0.9
    assert reading.speech_s < LEAST_SPEECH_S


@pytest.mark.parametrize("cnr_db", [8.0, 15.0, 30.0])
@pytest.mark.parametrize("modulation", [Unmodulated(), Fm(tone=Ctcss(tone_hz=254.1)), Am()])
def test_a_carrier_without_a_word_is_unmodulated(modulation: Modulation, cnr_db: float) -> None:
    is_am = isinstance(modulation, Am)
    reading = kind_of(received(modulation, 3.0, cnr_db=cnr_db), is_am=is_am, cnr_db=cnr_db)
    assert reading.kind is Kind.CARRIER
    assert reading.carrier_s > 2.5


@pytest.mark.parametrize("is_am", [False, True])
@pytest.mark.parametrize("cnr_db", [None, 0.0])
def test_an_open_squelch_is_noise(is_am: bool, cnr_db: float | None) -> None:
    reading = kind_of(open_squelch(4.0, 3, is_am=is_am), is_am=is_am, cnr_db=cnr_db)
    assert reading.kind is Kind.NOISE
    assert reading.noise_s > 3.5


def test_a_strong_carrier_speaks_against_noise() -> None:
    # What sounds like noise on a carrier 20 dB over it cannot be noise: 30 dB of quieting would be heard.
    audio = open_squelch(2.0, 5)
    weak, strong = kind_of(audio, cnr_db=0.0), kind_of(audio, cnr_db=20.0)
    assert weak.kind is Kind.NOISE
    assert strong.kind is not Kind.NOISE or strong.probability < weak.probability


def test_a_short_sound_of_speech_is_not_called_voice() -> None:
    said = np.concatenate([spoken(0.3, 2), np.zeros(3 * VOICE_RATE_HZ)])
    reading = kind_of(received(Fm(audio=programme(said), drive=3.0), 3.3))
    assert reading.speech_s < LEAST_SPEECH_S
    assert reading.kind is not Kind.VOICE


@pytest.mark.parametrize("step", [777, 16_000])
def test_how_it_is_pushed_does_not_matter(step: int) -> None:
    audio = received(Fm(audio=programme(spoken(2.5, 1)), drive=3.0), 2.5)
    assert kind_of(audio, step=step) == kind_of(audio)


def test_the_seconds_are_those_that_were_heard() -> None:
    audio = received(Fm(audio=programme(spoken(3.37, 1)), drive=3.0), 3.37)
    reading = kind_of(audio)
    parts = (reading.speech_s, reading.tone_s, reading.data_s, reading.carrier_s, reading.noise_s)
    assert sum(parts) == pytest.approx(3.4, abs=0.05)  # the last 70 ms count as a tenth
    assert (reading.start_s, reading.stop_s) == (0.0, pytest.approx(3.37, abs=0.01))


def test_too_little_to_hear_is_no_kind() -> None:
    assert KindDecoder().finish() is None
    decoder, cutter = KindDecoder(), PassageCutter()
    for passage in [*cutter.push(np.ones(600, np.float32)), *cutter.finish()]:
        decoder.push(passage)
    assert decoder.finish() is None


@given(
    count=st.integers(0, 40_000),
    kind=st.sampled_from(["nan", "inf", "huge", "zeros", "tiny", "one"]),
    seed=st.integers(0, 1000),
    cnr_db=st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True)),
    is_am=st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_a_broken_stream_does_not_crash_and_is_never_speech(
    count: int, kind: str, seed: int, cnr_db: float | None, is_am: bool
) -> None:
    rng = np.random.default_rng(seed)
    audio = rng.standard_normal(count).astype(np.float32) * 1000
    scale = {"nan": np.nan, "inf": np.inf, "huge": 1e18, "zeros": 0.0, "tiny": 1e-30, "one": 1.0}[kind]
    if kind == "one":
        audio[:] = 1.0
    else:
        audio *= np.float32(scale)
    cutter, decoder = PassageCutter(), KindDecoder(is_am=is_am)
    with np.errstate(all="ignore"):
        cut = [*cutter.push(audio), *cutter.finish()]
    for passage in cut:
        assert decoder.push(passage) == []
    reading = decoder.finish(carrier_to_noise_db=cnr_db)
    if kind in ("nan", "inf"):
        assert reading is None or count == 0
    elif reading is not None:
        assert 0.0 <= reading.probability <= 1.0
        assert reading.kind is not Kind.VOICE


def test_the_measures_are_what_their_names_say() -> None:
    tone = audio_tone(seconds=1.0, tone_hz=1000.0, amplitude=1000.0, rate_hz=RATE_HZ)
    noise = np.random.default_rng(1).standard_normal(RATE_HZ).astype(np.float32) * 1000
    (first,), (second,) = PassageCutter().push(tone), PassageCutter().push(noise)
    of_tone = dict(zip(MEASURES, measure_blocks(first)[1:].mean(axis=0), strict=True))
    of_noise = dict(zip(MEASURES, measure_blocks(second)[1:].mean(axis=0), strict=True))
    # A Hann taper has a noise width of 1.5 bins, by which a sum over bins exceeds the mean square.
    assert of_tone["level"] == pytest.approx(np.log(1000**2 / 2 * 1.5), abs=0.02)
    # 2688 Hz of 8 kHz of white noise fall into the 86 bins.
    assert of_noise["level"] == pytest.approx(np.log(1e6 * 2687.5 / 8000 * 1.5), abs=0.15)
    assert of_tone["but_one"] < np.log(0.01)
    assert of_noise["but_one"] > np.log(0.8)
    assert of_tone["steady"] == 1.0
    assert of_noise["middle"] == pytest.approx(np.log(1250 / 2687.5), abs=0.1)
    assert of_noise["red"] == pytest.approx(np.log(16 / 25), abs=0.15)  # bins in each band
    assert measure_blocks(Passage(np.zeros(0, np.float32), 0, np.zeros((0, 105), np.float32))).shape == (
        0,
        MEASURE_COUNT,
    )


def test_weights_fit_their_inputs() -> None:
    for weights in (FM, AM):
        assert weights.block.shape == (17, 5)
        assert weights.seconds.shape == (6, 5)
        assert weights.seconds_and_ratio.shape == (7, 5)
