"""Sources of audio and what a transmitter does to it."""

import numpy as np
import pytest
from scipy import signal

from dsp.modulate import VOICE_RATE_HZ, audio_tone, shape_audio, voice

# Long-term mean speech spectrum, third octaves, dB SPL at 70 dB in all, both sexes: Byrne et al.,
# J. Acoust. Soc. Am. 96, 1994, Table II; figures from memory.
SPEECH_BANDS_DB = {
    125: 57.7, 160: 56.8, 200: 60.2, 250: 60.3, 315: 59.0, 400: 62.1, 500: 62.1, 630: 60.5, 800: 56.8,
    1000: 53.7, 1250: 53.0, 1600: 52.0, 2000: 48.7, 2500: 48.1, 3150: 46.8, 4000: 45.6, 5000: 44.5,
    6300: 44.3,
}  # fmt: skip


def test_voice_has_the_spectrum_of_speech() -> None:
    """Third octaves within 6 dB of the published mean, 12 invented speakers."""
    density = 0.0
    for seed in range(12):
        spoken = voice(seconds=8.0, rng=np.random.default_rng(seed)).astype(np.float64)
        frequency_hz, one = signal.welch(spoken / spoken.std(), VOICE_RATE_HZ, nperseg=4096)
        density = density + one
    bands, published = [], []
    for centre_hz, decibels in SPEECH_BANDS_DB.items():
        inside = (frequency_hz > centre_hz / 2 ** (1 / 6)) & (frequency_hz < centre_hz * 2 ** (1 / 6))
        bands.append(10 * np.log10(density[inside].sum()))
        published.append(decibels)
    difference_db = np.array(bands) - np.array(published)
    difference_db -= difference_db.mean()
    assert np.abs(difference_db).max() < 6.0


def test_voice_has_pitch_inside_its_range_and_energy_where_tones_live() -> None:
    spoken = voice(seconds=10.0, rng=np.random.default_rng(2), pitch_low_hz=90.0, pitch_high_hz=160.0)
    frequency_hz, density = signal.welch(spoken, VOICE_RATE_HZ, nperseg=8192)
    below_300 = density[frequency_hz < 300].sum() / density.sum()
    assert 0.1 < below_300 < 0.8
    low = density[(frequency_hz > 20) & (frequency_hz < 75)].sum()
    pitch = density[(frequency_hz > 90) & (frequency_hz < 160)].sum()
    assert pitch > 20 * low


def test_voice_speaks_in_syllables_with_pauses() -> None:
    """Loudness moves at 2 to 8 Hz, as syllables do (common practice, no source), with pauses between."""
    spoken = voice(seconds=30.0, rng=np.random.default_rng(3))
    assert spoken.dtype == np.float32
    assert np.abs(spoken).max() == pytest.approx(1.0)
    loudness = np.sqrt(np.mean(spoken.astype(np.float64).reshape(-1, 160) ** 2, axis=1))  # 10 ms
    frequency_hz, density = signal.welch(loudness, 100.0, nperseg=512)
    syllables = density[(frequency_hz >= 1.5) & (frequency_hz <= 8)].sum()
    assert syllables > 2 * density[frequency_hz > 8].sum()
    silent = loudness < 0.02 * loudness.max()
    runs = np.diff(np.flatnonzero(np.diff(np.r_[0, silent, 0])))[::2]
    assert runs.max() >= 25  # a pause of a quarter of a second


def test_voice_is_the_same_for_the_same_generator_state_only() -> None:
    first, again, other = (voice(seconds=1.0, rng=np.random.default_rng(seed)) for seed in (4, 4, 5))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize("seconds", [-1.0, 0.0, 1 / 16000, 0.003, 0.1])
def test_short_voices_have_their_length(seconds: float) -> None:
    spoken = voice(seconds=seconds, rng=np.random.default_rng(6))
    assert len(spoken) == max(round(seconds * 16_000), 0)
    assert np.isfinite(spoken).all()


@pytest.mark.parametrize(("low_hz", "high_hz"), [(300.0, 80.0), (100.0, 100.0), (10.0, 200.0), (80.0, 900.0)])
def test_voice_refuses_an_impossible_pitch(low_hz: float, high_hz: float) -> None:
    with pytest.raises(ValueError, match="40 to 500 Hz"):
        voice(seconds=1.0, rng=np.random.default_rng(1), pitch_low_hz=low_hz, pitch_high_hz=high_hz)


def test_audio_tone_is_the_sine_it_says() -> None:
    tone = audio_tone(seconds=0.5, tone_hz=440.0, amplitude=0.3, rate_hz=8000)
    assert tone.dtype == np.float32
    assert tone == pytest.approx(0.3 * np.sin(2 * np.pi * 440.0 * np.arange(4000) / 8000), abs=1e-6)


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000])
def test_any_audio_rate_gives_the_same_programme(rate_hz: int) -> None:
    """1 kHz comes out with its amplitude at 48 kHz, against numpy's own sine."""
    tone = audio_tone(seconds=1.0, amplitude=0.5, rate_hz=rate_hz)
    shaped = shape_audio(tone, audio_rate_hz=rate_hz, full_scale=2000.0, limit=2000.0, emphasised=True)
    assert len(shaped) == 48_000
    line = np.abs(np.fft.rfft(shaped))[1000] / 24_000
    assert line == pytest.approx(1000.0, rel=1e-4)
    assert np.std(shaped) == pytest.approx(1000.0 / np.sqrt(2), rel=1e-4)


def test_nothing_above_speech_gets_through() -> None:
    """Flat to 3 kHz, 80 dB down at 4.2 kHz, measured tone by tone."""
    for tone_hz, least, most in ((2900.0, 0.99, 1.01), (4300.0, 0.0, 1e-4), (7000.0, 0.0, 1e-4)):
        tone = audio_tone(seconds=1.0, tone_hz=tone_hz, amplitude=0.5, rate_hz=48_000)
        shaped = shape_audio(tone, audio_rate_hz=48_000, full_scale=2.0, limit=10.0, emphasised=False)
        assert least <= np.sqrt(2) * np.std(shaped) <= most


def test_low_cut_takes_the_voice_out_of_the_tones_band() -> None:
    """24 dB/octave below its corner (3 dB at it): Butterworth of fourth order from scipy.signal."""
    for tone_hz in (75.0, 150.0, 300.0, 600.0):
        tone = audio_tone(seconds=2.0, tone_hz=tone_hz, amplitude=0.5, rate_hz=16_000)
        shaped = shape_audio(
            tone, audio_rate_hz=16_000, full_scale=2.0, limit=10.0, emphasised=False, low_cut_hz=300.0
        )
        sos = signal.butter(4, 300.0, "highpass", analog=True, output="ba")
        expected = abs(signal.freqs(*sos, worN=[tone_hz])[1][0])
        assert np.sqrt(2) * np.std(shaped) == pytest.approx(expected, rel=1e-2)


def test_limit_holds_for_square_waves_and_noise(rng: np.random.Generator) -> None:
    for harsh in (np.sign(np.sin(np.arange(16_000) * 0.3)), rng.standard_normal(16_000) * 5):
        shaped = shape_audio(harsh, audio_rate_hz=16_000, full_scale=9000.0, limit=2500.0, emphasised=True)
        fine = signal.resample(shaped.astype(np.float64), 8 * len(shaped))
        assert np.abs(fine).max() <= 2500.0 * 1.005


def test_audio_that_does_not_repeat_does_not_ring_into_its_beginning() -> None:
    burst = np.zeros(1600, dtype=np.float32)
    burst[-400:] = audio_tone(seconds=0.025, tone_hz=800.0, rate_hz=16_000)
    kept = {
        repeats: shape_audio(
            burst, audio_rate_hz=16_000, full_scale=1.0, limit=1.0, emphasised=True, repeats=repeats
        )
        for repeats in (True, False)
    }
    assert len(kept[False]) == 4800 + 480
    assert np.abs(kept[False][:480]).max() < 1e-3
    assert np.abs(kept[True][:480]).max() > 1e-3


def test_empty_and_silent_audio_give_silence() -> None:
    for silent in (np.zeros(0), np.zeros(1), np.zeros(500)):
        shaped = shape_audio(silent, audio_rate_hz=16_000, full_scale=1.0, limit=1.0, emphasised=True)
        assert not shaped.any()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"samples": np.zeros((2, 5))}, "2 dimensions"),
        ({"samples": np.array([0.0, np.nan])}, "not finite"),
        ({"audio_rate_hz": 0}, "audio_rate_hz is 0"),
        ({"limit": -1.0}, "limit is -1.0"),
    ],
)
def test_shape_audio_names_what_is_wrong(change: dict[str, object], words: str) -> None:
    asked = {
        "samples": np.zeros(5),
        "audio_rate_hz": 8000,
        "full_scale": 1.0,
        "limit": 1.0,
        "emphasised": False,
    }
    with pytest.raises(ValueError, match=words):
        shape_audio(**(asked | change))
