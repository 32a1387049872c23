"""Levelling of finished clips: loudness, no pumping, no clipping, noise without carrier turned down."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from dsp.levelling import CEILING_DBFS, LARGEST_BOOST_DB, TARGET_DBFS, level_clip

RATE_HZ = 16_000
TARGET_RMS = 10 ** (TARGET_DBFS / 20) / np.sqrt(2)


def speech(seconds: float, rms: float, seed: int = 1, hiss: float = 1e-4) -> np.ndarray:
    """Noise in the shape of speech: words of four syllables of 200 ms, pauses of 0.4 s; `rms` in words."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    spoken = (t % 1.2) < 0.8
    swell = np.sqrt(2) * np.abs(np.sin(np.pi * t / 0.2)) * spoken
    return (rms * swell * rng.standard_normal(len(t)) + hiss * rng.standard_normal(len(t))).astype(np.float32)


def spoken_rms(samples: np.ndarray, skip_s: float = 0.0) -> float:
    t = np.arange(len(samples)) / RATE_HZ
    spoken = ((t % 1.2) < 0.8) & (t >= skip_s)
    return float(np.sqrt(np.mean((samples[spoken] / 32768.0) ** 2)))


def db(ratio: float) -> float:
    return float(20 * np.log10(ratio))


def gain_along(before: np.ndarray, after: np.ndarray, seconds: float = 0.1) -> np.ndarray:
    """Gain piece by piece, by least squares."""
    n = round(seconds * RATE_HZ)
    pieces = len(before) // n
    x = before[: pieces * n].reshape(pieces, n).astype(np.float64)
    y = after[: pieces * n].reshape(pieces, n) / 32768.0
    return np.sum(x * y, axis=1) / np.sum(x * x, axis=1)


@pytest.mark.parametrize("rms", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("seconds", [2.4, 6.0, 30.0])
def test_speech_reaches_the_target(rms: float, seconds: float) -> None:
    clip = level_clip(speech(seconds, rms), RATE_HZ, 0, round(seconds * RATE_HZ))
    # the gate leaves the quiet flanks of syllables out: the level is that of the louder blocks
    assert db(spoken_rms(clip.samples) / TARGET_RMS) == pytest.approx(0.0, abs=1.5)


@pytest.mark.parametrize("seconds", [3.0, 30.0])
def test_a_steady_tone_gets_exactly_the_target_and_one_gain(seconds: float) -> None:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tone = (0.03 * np.sin(2 * np.pi * 1000 * t)).astype(np.float32)
    clip = level_clip(tone, RATE_HZ, 0, len(tone))
    gains = gain_along(tone, clip.samples)
    assert db(0.03 / np.sqrt(2) * gains[0] / TARGET_RMS) == pytest.approx(0.0, abs=0.05)
    assert gains.max() / gains.min() < 1.001
    assert clip.limited_share == 0.0


def test_pauses_do_not_raise_the_gain() -> None:
    spoken = speech(6.0, 0.05)
    pause = (1e-3 * np.random.default_rng(2).standard_normal(RATE_HZ * 20)).astype(np.float32)
    whole = np.concatenate([spoken, pause, speech(6.0, 0.05, seed=3)])
    clip = level_clip(whole, RATE_HZ, 0, len(whole))
    gains = gain_along(whole, clip.samples)
    assert db(gains.max() / gains.min()) < 1.0
    assert db(spoken_rms(clip.samples[: len(spoken)]) / TARGET_RMS) == pytest.approx(0.0, abs=1.5)


@pytest.mark.parametrize("seconds", [5.0, 60.0])
def test_the_gain_of_one_steady_voice_is_constant(seconds: float) -> None:
    voice = speech(seconds, 0.02, seed=5)
    gains = gain_along(voice, level_clip(voice, RATE_HZ, 0, len(voice)).samples)
    assert db(gains.max() / gains.min()) < 0.1


def test_a_loud_voice_after_a_quiet_one_is_no_louder_and_never_clips() -> None:
    quiet, loud = speech(24.0, 0.01, seed=6), speech(24.0, 0.15, seed=7)
    whole = np.concatenate([quiet, loud])
    clip = level_clip(whole, RATE_HZ, 0, len(whole))
    for part, skip in ((clip.samples[: len(quiet)][: 16 * RATE_HZ], 0.0), (clip.samples[len(quiet) :], 8.0)):
        assert db(spoken_rms(part, skip) / TARGET_RMS) == pytest.approx(0.0, abs=3.0)
    first_words = clip.samples[len(quiet) :][: 2 * RATE_HZ]
    assert db(spoken_rms(first_words) / TARGET_RMS) < 4.0
    assert np.abs(clip.samples).max() <= round(32768 * 10 ** (CEILING_DBFS / 20))
    # the gain moves by 23 dB within seconds, not within words: under 10 dB a second
    gains = np.maximum.reduceat(gain_along(whole, clip.samples), np.arange(0, 480, 10))
    assert np.abs(np.diff(20 * np.log10(gains))).max() < 10.0


def test_boost_is_bounded() -> None:
    faint = speech(3.0, 1e-4, hiss=1e-6)
    clip = level_clip(faint, RATE_HZ, 0, len(faint))
    assert clip.speech_gain_db == pytest.approx(LARGEST_BOOST_DB, abs=1e-6)
    assert gain_along(faint, clip.samples).max() < 10 ** (LARGEST_BOOST_DB / 20) * 1.2  # int16 rounding


@settings(deadline=None, max_examples=40)
@given(
    st.integers(0, 2**32 - 1), st.integers(1, 40_000), st.floats(1e-4, 3.0), st.floats(0, 1), st.floats(0, 1)
)
def test_no_sample_passes_the_ceiling(seed: int, count: int, rms: float, a: float, b: float) -> None:
    rng = np.random.default_rng(seed)
    samples = (rms * rng.standard_normal(count) * np.exp(rng.standard_normal(count))).astype(np.float32)
    rise, fall = sorted((round(a * count), round(b * count)))
    clip = level_clip(samples, RATE_HZ, rise, fall)
    assert len(clip.samples) == count and clip.samples.dtype == np.int16
    assert np.abs(clip.samples.astype(int)).max() <= np.ceil(32768 * 10 ** (CEILING_DBFS / 20))


def test_a_tone_that_must_be_limited_stays_a_tone() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    # a soft voice sets the gain; the alert tone over it would reach full scale
    voice, tone = speech(4.0, 0.02), 0.5 * np.sin(2 * np.pi * 1050 * t)
    tone[: 3 * RATE_HZ] = 0
    samples = (voice + tone).astype(np.float32)
    clip = level_clip(samples, RATE_HZ, 0, len(samples))
    part = clip.samples[round(3.3 * RATE_HZ) : round(3.9 * RATE_HZ)].astype(np.float64)
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
    f = np.fft.rfftfreq(len(part), 1 / RATE_HZ)
    harmonics = spectrum[(np.abs(f - 3150) < 20) | (np.abs(f - 5250) < 20)].sum()
    assert harmonics < 1e-4 * spectrum[np.abs(f - 1050) < 20].sum()  # a clipped tone has 10 % in its third


def test_one_click_is_held_down_without_touching_what_is_half_a_second_away() -> None:
    voice = speech(4.0, 0.05, seed=8)
    without = level_clip(voice, RATE_HZ, 0, len(voice)).samples
    clicked = voice.copy()
    clicked[2 * RATE_HZ] = 1.0
    clip = level_clip(clicked, RATE_HZ, 0, len(voice))
    assert np.abs(clip.samples.astype(int)).max() <= round(32768 * 10 ** (CEILING_DBFS / 20))
    far = np.abs(np.arange(len(voice)) - 2 * RATE_HZ) > RATE_HZ // 20
    assert (
        db(np.linalg.norm(clip.samples[far].astype(float)) / np.linalg.norm(without[far].astype(float)))
        > -0.1
    )
    assert 0 < clip.limited_share < 0.05


def test_open_squelch_noise_is_turned_down_but_not_muted() -> None:
    rng = np.random.default_rng(9)
    noise = (0.15 * rng.standard_normal(RATE_HZ)).astype(np.float32)
    voice = speech(3.6, 0.05)
    whole = np.concatenate([noise, voice, noise])
    clip = level_clip(whole, RATE_HZ, RATE_HZ, RATE_HZ + len(voice))
    gains = gain_along(whole, clip.samples, seconds=0.02)
    inside = np.median(gains[50 : 50 + 180])
    for outside in (gains[:48], gains[232:]):
        assert np.all(20 * np.log10(outside / inside) <= -11.9)
        assert np.all(20 * np.log10(outside / inside) >= -24.1)
    # what is left of the noise lies under the voice
    assert db(np.sqrt(np.mean((clip.samples[: RATE_HZ - 800] / 32768.0) ** 2)) / TARGET_RMS) < -11.5
    # the first syllable is whole: the gain is there 15 ms after the rise and until 15 ms before the fall
    fine = gain_along(whole, clip.samples, seconds=0.005)
    assert db(fine[203] / inside) > -0.1 and db(fine[916] / inside) > -0.1


def test_noise_that_the_filter_spreads_into_the_carrier_is_no_click() -> None:
    """White noise before a silent carrier through a 41 ms band-pass: 6 ms of it lie after the rise."""
    rng = np.random.default_rng(3)
    voice = speech(3.0, 0.02)
    voice[: RATE_HZ // 5] = voice[-RATE_HZ // 5 :] = 0  # a carrier is up before and after anybody speaks
    loud = 0.3 * rng.standard_normal(RATE_HZ)
    whole = np.concatenate([loud, voice, loud])
    taps = signal.firwin(655, (300, 3000), fs=RATE_HZ, pass_zero=False)
    heard = signal.oaconvolve(whole, taps, mode="same").astype(np.float32)
    clip = level_clip(heard, RATE_HZ, RATE_HZ, RATE_HZ + len(voice)).samples / 32768.0
    before = np.abs(clip[: RATE_HZ - 400]).max()
    for edge in (RATE_HZ, RATE_HZ + len(voice)):
        assert np.abs(clip[edge - 320 : edge + 320]).max() < 1.5 * before


def test_quiet_look_back_is_turned_down_by_12_db_only() -> None:
    rng = np.random.default_rng(10)
    whole = np.concatenate([(1e-3 * rng.standard_normal(RATE_HZ)).astype(np.float32), speech(3.6, 0.05)])
    gains = gain_along(whole, level_clip(whole, RATE_HZ, RATE_HZ, len(whole)).samples)
    assert db(gains[5] / np.median(gains[12:])) == pytest.approx(-12.0, abs=0.3)


def test_both_sample_types_give_the_same_clip() -> None:
    whole = (speech(3.0, 0.05) * 32768).astype(np.int16)
    from_int = level_clip(whole, RATE_HZ, 100, 40_000)
    from_float = level_clip((whole / 32768.0).astype(np.float32), RATE_HZ, 100, 40_000)
    assert np.abs(from_int.samples.astype(int) - from_float.samples).max() <= 1


@pytest.mark.parametrize("count", [0, 1, 79, 80, 81, 319, 320, 64_000, 64_001])
def test_silence_comes_back_as_silence_at_any_length(count: int) -> None:
    clip = level_clip(np.zeros(count, np.float32), RATE_HZ, 0, count)
    assert clip.samples.shape == (count,) and not clip.samples.any()


def test_a_clip_without_carrier_is_left_alone() -> None:
    whole = (speech(1.0, 0.05) * 32768).astype(np.int16)
    clip = level_clip(whole, RATE_HZ, 500, 500)
    assert np.array_equal(clip.samples, whole)
    assert clip.speech_gain_db == 0.0


def test_refuses_what_does_not_fit() -> None:
    with pytest.raises(
        TypeError, match="samples are float64 with 1 dimensions; they must be float32 or int16"
    ):
        level_clip(np.zeros(5), RATE_HZ, 0, 5)  # type: ignore[arg-type]
    with pytest.raises(
        ValueError, match="rises at frame 4 and falls at 3; both must lie in order within the clip's 5"
    ):
        level_clip(np.zeros(5, np.float32), RATE_HZ, 4, 3)
    with pytest.raises(ValueError, match="falls at 6"):
        level_clip(np.zeros(5, np.float32), RATE_HZ, 0, 6)
    with pytest.raises(ValueError, match="audio_rate_hz is 4000; it must be 8000 or more"):
        level_clip(np.zeros(5, np.float32), 4000, 0, 5)
