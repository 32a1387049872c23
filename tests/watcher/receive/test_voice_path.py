"""Open channels of one rate, demodulated side by side as if each were alone."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.modulate import Am, Audio, Fm, audio_tone, transmit
from watcher.receive.voice_path import AUDIO_RATE_HZ, FULL_SCALE_DEPTH, FULL_SCALE_HZ, VoicePath

RATE_HZ = Fraction(16_000)


def tone(number: int, *, is_am: bool = False, seconds: float = 1.0) -> NDArray[np.complex64]:
    """A carrier with a test tone of its own, at no particular phase."""
    audio = Audio(
        samples=audio_tone(seconds=0.1, tone_hz=700.0 + 100 * number, rate_hz=48_000),
        rate_hz=48_000,
        repeats=True,
    )
    modulation = Am(audio=audio, depth=0.5) if is_am else Fm(audio=audio, drive=0.5, emphasised=False)
    return transmit(modulation, sample_rate_hz=16_000, seconds=seconds, offset_hz=100.0 * number)


def rows(*numbers: int) -> NDArray[np.intp]:
    return np.array(numbers, dtype=np.intp)


@pytest.mark.parametrize("is_am", [False, True])
def test_rows_pushed_together_are_what_each_is_alone(is_am: bool) -> None:
    samples = np.stack([tone(n, is_am=is_am) for n in range(3)])
    together = VoicePath(RATE_HZ, 3, is_am=is_am)
    batch = together.push(samples, rows(0, 1, 2), 0)
    for number in range(3):
        alone = VoicePath(RATE_HZ, 3, is_am=is_am)
        single = alone.push(samples[number : number + 1], rows(number), 0)
        assert np.abs(batch.audio[number].astype(int) - single.audio[0]).max() <= 1
        if not is_am:
            assert batch.low_band is not None
            assert single.low_band is not None
            np.testing.assert_allclose(batch.low_band[number], single.low_band[0], atol=0.05)


@pytest.mark.parametrize("is_am", [False, True])
@pytest.mark.parametrize("step", [1, 160, 777])
def test_how_it_is_pushed_does_not_matter(is_am: bool, step: int) -> None:
    samples = tone(1, is_am=is_am, seconds=0.1 if step == 1 else 1.0)[None]
    whole, pieces = (VoicePath(RATE_HZ, 1, is_am=is_am) for _ in range(2))
    expected = whole.push(samples, rows(0), 0)
    got = [pieces.push(samples[:, at : at + step], rows(0), at) for at in range(0, samples.shape[1], step)]
    audio = np.concatenate([one.audio[0] for one in got])
    assert np.abs(audio.astype(int) - expected.audio[0]).max() <= 1
    if not is_am:  # its weights follow the power push by push; the receiver always pushes by the same grid
        assert expected.low_band is not None
        low = np.concatenate([one.low_band[0] for one in got if one.low_band is not None])
        assert len(low) == len(expected.low_band[0])


@pytest.mark.parametrize("rate_hz", [Fraction(16_000), Fraction(20_000), Fraction(225_001 * 256, 14 * 256)])
def test_frames_and_channel_samples_stand_at_the_same_instants(rate_hz: Fraction) -> None:
    path = VoicePath(rate_hz, 1, is_am=False)
    for sample in (0, 1, 1000, 16_001):
        frame = path.frame_at(sample)
        assert path.instant_of(frame) >= sample
        assert path.instant_of(frame - 1) < sample
    samples = np.ones((1, 5000), np.complex64)
    assert path.push(samples, rows(0), 700).audio.shape[1] == path.frames_before(5700) - path.frames_before(
        700
    )


def test_flush_gives_the_audio_up_to_the_last_sample() -> None:
    path = VoicePath(RATE_HZ, 2, is_am=False)
    samples = tone(3)[None]
    out = path.push(samples, rows(1), 0).audio[0]
    rest = path.flush(1, samples.shape[1])
    first_out = path.frames_before(0)
    assert first_out + len(out) + len(rest) == path.frame_at(samples.shape[1])


def test_fresh_start_forgets_the_row_and_only_the_row() -> None:
    path = VoicePath(RATE_HZ, 2, is_am=False)
    reference = VoicePath(RATE_HZ, 2, is_am=False)
    first, second = np.stack([tone(0), tone(1)]), tone(5)[None]
    path.push(first, rows(0, 1), 0)
    path.start(0, np.complex64(0))
    reference.start(0, np.complex64(0))
    np.testing.assert_array_equal(
        path.push(second, rows(0), 50_000).audio, reference.push(second, rows(0), 50_000).audio
    )
    more = tone(1)[None]
    alone = VoicePath(RATE_HZ, 2, is_am=False)
    alone.push(first, rows(0, 1), 0)
    np.testing.assert_array_equal(
        path.push(more, rows(1), 16_000).audio, alone.push(more, rows(1), 16_000).audio
    )


def test_sample_ahead_of_the_first_spares_a_click() -> None:
    """A carrier off its centre steps in phase to its first sample; with nothing ahead it is not known."""
    wave = np.exp(2j * np.pi * 2000.0 / 16_000 * np.arange(2000)).astype(np.complex64)
    path = VoicePath(RATE_HZ, 1, is_am=False)
    path.start(0, wave[0])
    batch = path.push(wave[None, 1:], rows(0), 1)
    assert batch.low_band is not None
    np.testing.assert_allclose(batch.low_band[0], 2000.0, rtol=0.01)


def test_full_scale_is_a_fixed_deviation_or_depth() -> None:
    fm = VoicePath(RATE_HZ, 1, is_am=False).push(tone(3)[None], rows(0), 0).audio[0][2000:15_000]
    assert np.abs(fm).max() == pytest.approx(1250.0 / FULL_SCALE_HZ * 32_767, rel=0.02)  # 0.5 x 2500 Hz
    am = VoicePath(RATE_HZ, 1, is_am=True).push(tone(3, is_am=True)[None], rows(0), 0).audio[0][4000:15_000]
    assert np.abs(am).max() == pytest.approx(0.5 / FULL_SCALE_DEPTH * 32_767, rel=0.02)
    assert AUDIO_RATE_HZ == 16_000


def test_noise_clips_at_full_scale_without_wrapping() -> None:
    """Open-squelch noise, 40 dB hotter than any voice: no sample may jump from one end to the other."""
    rng = np.random.default_rng(1)
    wild = np.exp(2j * np.pi * rng.random((1, 32_000))).astype(np.complex64)
    audio = VoicePath(Fraction(64_000), 1, is_am=False).push(wild, rows(0), 0).audio[0]
    assert audio.dtype == np.int16
    assert audio.min() >= -32_767
    assert audio.max() <= 32_767


def test_am_has_no_low_band() -> None:
    path = VoicePath(RATE_HZ, 1, is_am=True)
    assert path.low_band_rate_hz == path.low_band_delay_s == 0.0
    assert path.push(tone(1, is_am=True)[None], rows(0), 0).low_band is None


def test_silence_in_gives_silence_out() -> None:
    for is_am in (False, True):
        batch = VoicePath(RATE_HZ, 1, is_am=is_am).push(np.zeros((1, 4000), np.complex64), rows(0), 0)
        assert not batch.audio.any()
