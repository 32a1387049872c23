"""The voice filter as a stream: block sizes, rows, rates, instants. Its curves are held in tests/checks."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import fftconvolve

from dsp.audio import VoiceFilter, de_emphasis_gain, voice_taps
from dsp.demodulate import instantaneous_frequency

RATES_HZ = [Fraction(16_000), Fraction(20_000), Fraction(50_000, 3), Fraction(112_500, 7), Fraction(32_000)]
ROW = np.array([0])


def noise(rows: int, m: int, seed: int = 1) -> np.ndarray:
    return (1000 * np.random.default_rng(seed).standard_normal((rows, m))).astype(np.float32)


def stream(voice: VoiceFilter, block: np.ndarray, sizes: list[int], first: int = 0) -> np.ndarray:
    """All frames of a stream cut into the given sizes, the last ones by finish."""
    rows, at, parts = np.arange(len(block)), 0, []
    for size in sizes:
        parts.append(voice.push(block[:, at : at + size], rows, first + at))
        at += size
    assert at == block.shape[1]
    parts.append(voice.finish(rows, first + at))
    return np.concatenate(parts, axis=1)


def interpolated(taps: np.ndarray, x: np.ndarray, instants: np.ndarray) -> np.ndarray:
    """The filter's output between samples: direct convolution in float64, then Whittaker's sum of sinc."""
    y = fftconvolve(x.astype(np.float64), taps)
    return np.array([np.dot(y, np.sinc(t - np.arange(len(y)))) for t in instants])


@pytest.mark.parametrize("rate_hz", [*RATES_HZ, Fraction(15_000)])
def test_equals_direct_convolution_at_the_stated_instants(rate_hz: Fraction) -> None:
    voice = VoiceFilter(rate_hz, "nfm", rows=2)
    x, first = noise(2, 6000), 123_456
    audio = stream(voice, x, [1600, 1600, 1600, 1200], first)
    frames = np.arange(voice.frames_before(first), voice.frame_at(first + 6000))
    assert audio.shape == (2, len(frames))
    some = frames[::23]
    # frame k is the causal filter's output at channel sample k * rate / audio rate
    instants = np.array([float(k * rate_hz / 16_000 - first) for k in some.tolist()])
    wanted = interpolated(voice_taps(rate_hz, "nfm"), x[1], instants)
    assert np.abs(audio[1, ::23] - wanted).max() <= 1e-5 * np.abs(wanted).max()


@settings(deadline=None, max_examples=15)
@given(
    st.sampled_from(RATES_HZ),
    st.sampled_from(["nfm", "am"]),
    st.lists(st.one_of(st.just(1), st.integers(1, 2000), st.integers(4000, 9000)), min_size=1, max_size=8),
    st.integers(0, 10**7),
)
def test_any_cut_into_blocks_gives_the_same_audio(
    rate_hz: Fraction, mode: str, sizes: list[int], first: int
) -> None:
    voice = VoiceFilter(rate_hz, mode, rows=3)
    x = noise(3, sum(sizes))
    whole = stream(voice, x, [sum(sizes)], first)
    assert np.abs(stream(voice, x, sizes, first) - whole).max(initial=0) <= 1e-5 * np.abs(x).max()


def test_one_sample_at_a_time() -> None:
    voice = VoiceFilter(Fraction(50_000, 3), "fm", rows=1)
    x = noise(1, 300)
    assert np.abs(stream(voice, x, [1] * 300) - stream(voice, x, [300])).max() <= 1e-5 * np.abs(x).max()


def test_a_rate_of_no_small_ratio_is_off_by_little_and_never_adds_up() -> None:
    rate_hz = Fraction(900_001, 56)
    voice = VoiceFilter(rate_hz, "nfm", rows=1)
    first = 10**9  # 17 hours in
    x = (1000 * np.sin(2 * np.pi * 1000 / float(rate_hz) * np.arange(20_000))).astype(np.float32)[None]
    audio = stream(voice, x, [1600] * 12 + [800], first)[0]
    instants = np.array(
        [
            float(voice.instant_of(k) - first)
            for k in range(voice.frames_before(first), voice.frame_at(first + 20_000))
        ]
    )
    # the discriminator's half sample is in the delay, so this input, not one, comes half a sample early
    wanted = (
        1000 * np.sin(2 * np.pi * 1000 / float(rate_hz) * (instants + 0.5)) / np.sinc(1000 / float(rate_hz))
    )
    middle = slice(2000, -2000)
    # 1e-5 of half a block of 1600 samples: 0.008 samples, 0.0031 rad at 1 kHz; and the pass band's own 0.2 dB
    gain = np.dot(audio[middle], wanted[middle]) / np.dot(wanted[middle], wanted[middle])
    assert abs(20 * np.log10(gain)) < 0.3
    assert np.abs(audio - gain * wanted)[middle].max() <= 0.0035 * 1000


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("tone_hz", [400.0, 1000.0, 2900.0])
def test_a_tone_comes_out_in_phase_with_the_senders_modulation(rate_hz: Fraction, tone_hz: float) -> None:
    m, rate = 16_000, float(rate_hz)
    t = np.arange(-1, m) / rate
    # frequency 300 + 1500 sin(2 pi f t); its phase integrated on paper
    phase = 2 * np.pi * 300 * t - 1500 / tone_hz * np.cos(2 * np.pi * tone_hz * t)
    wave = np.exp(1j * phase).astype(np.complex64)[None]
    voice = VoiceFilter(rate_hz, "nfm", rows=1)
    audio = voice.push(instantaneous_frequency(wave[:, 1:], wave[:, 0], rate), ROW, 0)[0]
    frames = np.arange(voice.frames_before(0), voice.frames_before(m))
    instants_s = np.array([float(voice.instant_of(k) / rate_hz) for k in frames.tolist()])
    settled = (instants_s > 0.1) & (instants_s < (m - voice.delay_samples) / rate - 0.1)
    turning = np.exp(-2j * np.pi * tone_hz * instants_s[settled])
    tone = 2j * np.mean(audio[settled] * turning) / 1500  # 1 for a sine of 1500
    assert abs(np.angle(tone)) < 2e-3
    wanted_db = 20 * np.log10(de_emphasis_gain(np.array(tone_hz)))
    assert 20 * np.log10(abs(tone)) == pytest.approx(wanted_db, abs=1.0)


def test_nothing_above_the_audio_rate_folds_back() -> None:
    voice = VoiceFilter(Fraction(32_000), "am", rows=1)
    x = np.sin(2 * np.pi * 14_700 / 32_000 * np.arange(12_000)).astype(np.float32)[None]
    audio = voice.push(x, ROW, 0)[0]
    assert np.abs(audio[2000:]).max() < 1e-4  # 80 dB down; folded back it would sit at 1300 Hz


def test_rows_opened_at_different_times_stay_in_step() -> None:
    rate_hz = Fraction(50_000, 3)
    together, alone = VoiceFilter(rate_hz, "nfm", rows=5), VoiceFilter(rate_hz, "nfm", rows=1)
    x = noise(2, 5000)
    early = together.push(x[:1, :3000], np.array([3]), 777)
    both = together.push(x[:, 3000:], np.array([4, 3])[::-1], 3777)
    wanted = alone.push(x[:1], ROW, 777)
    got = np.concatenate([early, both[:1]], axis=1)
    assert got == pytest.approx(wanted, abs=1e-2)
    alone.reset()
    assert both[1:] == pytest.approx(alone.push(x[1:, 3000:], ROW, 3777), abs=1e-2)


def test_reset_forgets_and_a_row_left_behind_is_noticed() -> None:
    voice = VoiceFilter(Fraction(16_000), "nfm", rows=2)
    x = noise(2, 1000)
    rows = np.array([0, 1])
    fresh = voice.push(x, rows, 0)
    with pytest.raises(
        ValueError, match="first_channel_sample is 1001; row 0 must go on at 1000 or be reset"
    ):
        voice.push(x, rows, 1001)
    voice.reset(np.array([0]))
    with pytest.raises(ValueError, match="row 1 must go on at 1000 or be reset"):
        voice.push(x, rows, 500)
    voice.reset()
    assert np.array_equal(voice.push(x, rows, 5000), fresh)


def test_finish_gives_the_last_instants_and_resets() -> None:
    rate_hz = Fraction(20_000)
    voice = VoiceFilter(rate_hz, "nfm", rows=1)
    x = noise(1, 3000)
    audio = stream(voice, x, [3000], first=100)
    frames = range(voice.frames_before(100), voice.frames_before(100) + audio.shape[1])
    assert voice.instant_of(frames[-1]) < 3100 <= voice.instant_of(frames[-1] + 1)
    voice.push(x, ROW, 0)  # a row that was finished is fresh


def test_frames_and_instants_agree() -> None:
    voice = VoiceFilter(Fraction(50_000, 3), "nfm", rows=1)
    for sample in (0, 1, 17, 10**9):
        frame = voice.frame_at(sample)
        assert voice.instant_of(frame - 1) < sample <= voice.instant_of(frame)
        assert voice.frames_before(sample) <= frame
    at_once = VoiceFilter(Fraction(16_000), "nfm", rows=1)
    assert at_once.frames_before(1600) - at_once.frames_before(0) == 1600
    assert at_once.instant_of(at_once.frame_at(1600)) == 1600
    assert (
        isinstance(at_once.delay_samples, int)
        and at_once.delay_samples == len(voice_taps(Fraction(16_000), "fm")) / 2
    )


def test_zeros_and_nothing_give_zeros_and_nothing() -> None:
    voice = VoiceFilter(Fraction(16_000), "am", rows=1)
    assert not voice.push(np.zeros((1, 500), np.float32), ROW, 0).any()
    assert voice.push(np.zeros((1, 0), np.float32), ROW, 500).shape == (1, 0)
    assert voice.push(np.zeros((0, 9), np.float32), np.array([], np.intp), 0).shape == (0, 9)


def test_refuses_what_does_not_fit() -> None:
    with pytest.raises(ValueError, match='mode is "ssb"; it must be "nfm", "fm" or "am"'):
        VoiceFilter(Fraction(16_000), "ssb", rows=1)
    with pytest.raises(ValueError, match="channel_rate_hz is 8000; it must be 10000 or more"):
        VoiceFilter(Fraction(8000), "nfm", rows=1)
    with pytest.raises(ValueError, match="rows is 0; it must be at least 1"):
        VoiceFilter(Fraction(16_000), "nfm", rows=0)
    with pytest.raises(ValueError, match="audio_rate_hz is 4000; it must be 8000 or more"):
        VoiceFilter(Fraction(16_000), "nfm", rows=1, audio_rate_hz=4000)
    with pytest.raises(ValueError, match=r"block has shape \(1, 4\) and rows \(2,\)"):
        VoiceFilter(Fraction(16_000), "nfm", rows=2).push(noise(1, 4), np.array([0, 1]), 0)
