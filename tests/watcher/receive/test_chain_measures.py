"""What is said of a transmission against the truth of the scene: ratio, frequency, deviation, tone, mode."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from dsp.modulate import Am, Audio, Ctcss, Fm, Scene, Unmodulated, audio_tone
from tests.on_the_air import MemoryClips, call, listed, receive, scene, speech, spoken
from watcher.plan.model import Channel
from watcher.receive import gathering
from watcher.receive.records import EndedBy

RATE_HZ = 240_000
NARROW = listed(12_500, name="12.5 kHz")
MIDDLE = listed(-37_500, mode="fm", bandwidth_hz=20_000, name="20 kHz")
WIDE = listed(62_500, mode="fm", bandwidth_hz=25_000, name="25 kHz")
TOWER = listed(-75_000, mode="am", bandwidth_hz=8_330, name="8.33 kHz AM")
AIRFIELD = listed(-100_000, mode="am", bandwidth_hz=25_000, name="25 kHz AM")
ODD = listed(93_750, mode="nfm", bandwidth_hz=10_000, name="10 kHz")
ALL = (NARROW, MIDDLE, WIDE, TOWER, AIRFIELD, ODD)


def everything_at_once(cnr_db: float, errors_hz: tuple[float, ...] = (0.0,) * 6) -> Scene:
    """A call on each channel, all of them up together: three rate groups, FM beside AM."""
    calls = [
        call(channel, 1.0 + 0.1 * n, 4.0 + 0.1 * n, cnr_db, error_hz=error_hz)
        for n, (channel, error_hz) in enumerate(zip(ALL, errors_hz, strict=True))
    ]
    return scene(RATE_HZ, 5.5, *calls)


@pytest.mark.parametrize("cnr_db", [10.0, 25.0])
def test_all_modes_and_widths_are_heard_side_by_side(cnr_db: float) -> None:
    made = everything_at_once(cnr_db)
    clips = MemoryClips()
    heard = receive(made, ALL, clips=clips)
    assert len(heard.transmissions) == len(clips.finished) == len(ALL)
    for truth in made.truth():
        (one,) = heard.on(truth.label)
        assert one.start_sample == pytest.approx(truth.start_sample, abs=0.015 * RATE_HZ)
        assert one.stop_sample == pytest.approx(truth.stop_sample, abs=0.015 * RATE_HZ)
        (audio,) = (clip.kept for clip in clips.finished if clip.facts.channel == truth.label)
        assert np.abs(audio.astype(float)).max() > 500  # of 32767: there is something to hear


def test_a_channel_hears_the_same_alone_and_among_others() -> None:
    made = everything_at_once(15.0)
    together = MemoryClips()
    receive(made, ALL, clips=together)
    for channel in (NARROW, WIDE, TOWER):
        alone = MemoryClips()
        receive(made, [channel], clips=alone)
        (one,), (other,) = alone.audio_of(channel), together.audio_of(channel)
        assert len(one) == pytest.approx(len(other), abs=32)  # the floor has other references: edges may move
        # shifted by what the edges moved, the audio is the same to a rounding of the last bit
        first = 8000
        piece = other[first : first + 400].astype(int)
        misfit = [np.abs(one[first + d : first + d + 400] - piece).sum() for d in range(-32, 33)]
        shift = int(np.argmin(misfit)) - 32
        stop = min(len(one) - shift, len(other)) - 3200
        assert np.abs(one[first + shift : stop + shift].astype(int) - other[first:stop]).max() <= 2


def test_order_of_the_plan_does_not_matter() -> None:
    made = everything_at_once(15.0)
    forward, backward = (receive(made, channels) for channels in (ALL, ALL[::-1]))
    assert forward.transmissions == backward.transmissions


# --- carrier to noise ---------------------------------------------------------------------------------


@pytest.mark.parametrize("cnr_db", [3.0, 6.0, 12.0, 20.0, 30.0, 40.0])
def test_ratio_is_that_of_the_scene(cnr_db: float) -> None:
    """Half a dB at any ratio: 0.1 dB lie outside Carson's width, the floor is good to 0.3 dB over a call."""
    heard = receive(everything_at_once(cnr_db), ALL)
    for channel in ALL:
        (one,) = heard.on(channel)
        assert one.snr_db is not None
        # AM: the sidebands carry depth² / 2 of the carrier's power, and count as carrier
        more_db = 0.6 if channel.mode == "am" else 0.0
        assert -0.5 < one.snr_db.value - cnr_db < 0.5 + more_db, channel.name
        assert one.snr_db.sigma is not None
        assert 0 < one.snr_db.sigma < 0.3


def test_power_is_that_of_the_scene() -> None:
    made = everything_at_once(20.0)
    heard = receive(made, ALL)
    for truth in made.truth():
        (one,) = heard.on(truth.label)
        assert one.power_dbfs is not None
        more_db = 0.6 if truth.mode == "am" else 0.0
        assert -0.2 < one.power_dbfs - truth.power_dbfs < 0.3 + more_db, truth.label


# --- frequency ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [-1, 1])
def test_frequency_error_is_that_of_the_scene(sign: int) -> None:
    """Within 60 Hz, a tenth of what tells a radio's own error from its neighbour's: speech is lopsided."""
    errors_hz = tuple(sign * error for error in (150.0, 700.0, 1200.0, 400.0, 900.0, 300.0))
    made = everything_at_once(15.0, errors_hz)
    heard = receive(made, ALL)
    for truth, error_hz in zip(sorted(made.truth(), key=lambda t: t.start_sample), errors_hz, strict=True):
        (one,) = heard.on(truth.label)
        assert one.frequency_error_hz is not None
        assert one.frequency_error_hz.value == pytest.approx(error_hz, abs=60.0), truth.label


def test_frequency_error_of_speech_lies_within_four_of_its_sigmas() -> None:
    heard = receive(everything_at_once(15.0), ALL)
    for one in heard.transmissions:
        assert one.frequency_error_hz is not None
        assert one.frequency_error_hz.sigma is not None
        assert abs(one.frequency_error_hz.value) < 4 * one.frequency_error_hz.sigma, one.channel


def test_frequency_error_of_a_bare_carrier_is_good_to_a_hertz() -> None:
    """Cramér and Rao allow 0.01 Hz here (sqrt(6 / (C/N n^3)) / (2 pi) cycles a sample); 1 Hz is plenty."""
    bare = call(NARROW, 1.0, 4.0, 20.0, modulation=Unmodulated(), error_hz=321.0)
    (one,) = receive(scene(RATE_HZ, 5.0, bare), [NARROW]).transmissions
    assert one.frequency_error_hz is not None
    assert one.frequency_error_hz.value == pytest.approx(321.0, abs=1.0)
    assert one.flags == ("unmodulated",)


# --- deviation ----------------------------------------------------------------------------------------


def steady_tone(channel: Channel, cnr_db: float, deviation_hz: float) -> Scene:
    audio = Audio(samples=audio_tone(seconds=0.1, rate_hz=48_000), rate_hz=48_000, repeats=True)
    tone = Fm(audio=audio, deviation_limit_hz=5000.0, drive=deviation_hz / 5000.0, emphasised=False)
    return scene(RATE_HZ, 5.0, call(channel, 1.0, 4.0, cnr_db, modulation=tone))


@pytest.mark.parametrize(("channel", "deviation_hz"), [(NARROW, 1500.0), (WIDE, 3000.0)], ids=["12.5", "25"])
@pytest.mark.parametrize("cnr_db", [12.0, 20.0, 35.0])
def test_deviation_of_a_steady_tone_is_that_of_the_scene(
    channel: Channel, deviation_hz: float, cnr_db: float
) -> None:
    """Peak by definition the amplitude of the swing, rms that over the square root of two."""
    (one,) = receive(steady_tone(channel, cnr_db, deviation_hz), [channel]).transmissions
    assert one.peak_deviation_hz is not None
    assert one.peak_deviation_hz.sigma is not None
    tolerance_hz = max(0.03 * deviation_hz, 3 * one.peak_deviation_hz.sigma)
    assert one.peak_deviation_hz.value == pytest.approx(deviation_hz, abs=tolerance_hz)
    assert one.peak_deviation_hz.sigma < 0.25 * deviation_hz
    if one.rms_deviation_hz is not None:
        assert one.rms_deviation_hz.sigma is not None
        tolerance_hz = max(0.04 * deviation_hz, 3 * one.rms_deviation_hz.sigma)
        assert one.rms_deviation_hz.value == pytest.approx(deviation_hz / np.sqrt(2), abs=tolerance_hz)
    assert one.rms_deviation_hz is not None or cnr_db < 15


def test_am_has_neither_deviation_nor_tone() -> None:
    (one,) = receive(scene(RATE_HZ, 4.0, call(TOWER, 1.0, 3.0, 20.0)), [TOWER]).transmissions
    assert one.peak_deviation_hz is None
    assert one.rms_deviation_hz is None
    assert one.tone is None


# --- tone ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "tone_hz"), [(NARROW, 67.0), (MIDDLE, 123.0), (WIDE, 254.1), (ODD, 100.0)]
)
def test_tone_is_that_of_the_scene(channel: Channel, tone_hz: float) -> None:
    toned = call(channel, 1.0, 3.5, 12.0, modulation=speech(3, tone_hz=tone_hz))
    (one,) = receive(scene(RATE_HZ, 5.0, toned), [channel]).transmissions
    assert one.tone is not None
    assert one.tone.tone_hz == tone_hz
    assert one.tone.estimate_hz is not None
    assert one.tone.estimate_hz.value == pytest.approx(tone_hz, abs=0.3)
    assert one.tone.deviation_hz is not None
    assert one.tone.deviation_hz.value == pytest.approx(350.0, rel=0.2)
    if one.tone.first_word_ms is not None:
        assert one.tone.first_word_ms <= 300.0


@pytest.mark.parametrize("cnr_db", [12.0, 25.0])
def test_deviation_of_a_tone_alone_is_that_of_the_scene(cnr_db: float) -> None:
    toned = call(NARROW, 1.0, 3.5, cnr_db, modulation=Fm(tone=Ctcss(tone_hz=100.0, deviation_hz=350.0)))
    (one,) = receive(scene(RATE_HZ, 5.0, toned), [NARROW]).transmissions
    assert one.tone is not None
    assert one.tone.deviation_hz is not None
    assert one.tone.deviation_hz.value == pytest.approx(350.0, rel=0.04)


@pytest.mark.parametrize("seed", range(4))
def test_no_tone_is_said_as_none(seed: int) -> None:
    (one,) = receive(
        scene(RATE_HZ, 5.0, call(NARROW, 1.0, 4.0, 12.0, modulation=speech(seed))), [NARROW]
    ).transmissions
    assert one.tone is not None
    assert one.tone.tone_hz is None


def test_decoder_that_fails_costs_its_own_result_and_never_the_clip(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a mistake in a decoder")

    monkeypatch.setattr(gathering, "decide", broken)
    monkeypatch.setattr(gathering, "first_word", broken)
    clips = MemoryClips()
    toned = call(NARROW, 1.0, 3.0, 15.0, modulation=speech(1, tone_hz=100.0))
    (one,) = receive(scene(RATE_HZ, 4.0, toned), [NARROW], clips=clips).transmissions
    assert one.tone is None
    assert one.snr_db is not None
    assert one.ended_by == EndedBy.CARRIER_DROP
    assert len(clips.finished) == 1


# --- the audio ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("channel", [NARROW, WIDE, TOWER], ids=lambda channel: channel.name)
def test_clip_plays_the_tone_that_was_sent(channel: Channel) -> None:
    """1 kHz in, 1 kHz out, at the deviation or depth sent (full scale is 15 kHz, or a depth of 3)."""
    audio = Audio(samples=audio_tone(seconds=0.1, rate_hz=48_000), rate_hz=48_000, repeats=True)
    modulation: Am | Fm
    if channel.mode == "am":
        modulation, expected = Am(audio=audio, depth=0.5), 0.5 / 3.0 * 32_767
    else:
        modulation = Fm(audio=audio, deviation_limit_hz=5000.0, drive=0.3)  # 1500 Hz, emphasis is 1 at 1 kHz
        expected = 1500.0 / 15_000.0 * 32_767
    clips = MemoryClips()
    receive(scene(RATE_HZ, 4.0, call(channel, 1.0, 3.0, 35.0, modulation=modulation)), [channel], clips=clips)
    (clip,) = clips.finished
    heard = clip.kept[clip.carrier_frames[0] + 1600 : clip.carrier_frames[0] + 1600 + 16_000].astype(float)
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    assert np.argmax(spectrum) == pytest.approx(1000, abs=1)  # a second: bins of 1 Hz
    assert 4 * spectrum.max() / len(heard) == pytest.approx(expected, rel=0.03)


def test_sub_audible_tone_is_not_in_the_clip() -> None:
    """40 dB under 1 kHz of the same deviation is asked for; 350 Hz of tone leave at most 3.5 Hz."""
    clips = MemoryClips()
    toned = call(NARROW, 1.0, 4.0, 40.0, modulation=Fm(tone=speech(1, tone_hz=203.5).tone))
    receive(scene(RATE_HZ, 5.0, toned), [NARROW], clips=clips)
    (clip,) = clips.finished
    heard = clip.kept[clip.carrier_frames[0] + 1600 : clip.carrier_frames[0] + 1600 + 32_000].astype(float)
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    line_hz = 4 * spectrum[2 * 203 : 2 * 204 + 1].max() / len(heard) * 15_000.0 / 32_767
    assert line_hz < 3.5


def test_speech_comes_through() -> None:
    """The loudness of the clip follows that of the voice sent, in steps of 50 ms."""
    sent = spoken(4)
    audio = Audio(samples=sent.samples, rate_hz=sent.rate_hz)
    clips = MemoryClips()
    modest = call(NARROW, 1.0, 6.0, 25.0, modulation=Fm(audio=audio, drive=0.6))  # the limiter rarely works
    receive(scene(RATE_HZ, 6.5, modest), [NARROW], clips=clips)
    (clip,) = clips.finished
    heard = clip.kept[clip.carrier_frames[0] : clip.carrier_frames[1]].astype(float)
    band = signal.butter(4, [300, 3000], "bandpass", fs=16_000, output="sos")
    count = min(len(heard), len(sent.samples)) // 800 * 800

    def loudness(voice: NDArray[np.float64]) -> NDArray[np.float64]:
        means: NDArray[np.float64] = np.mean(voice[:count].reshape(-1, 800) ** 2, axis=1)
        return np.sqrt(means)

    expected = loudness(signal.sosfiltfilt(band, sent.samples.astype(float)))
    assert np.corrcoef(loudness(heard), expected)[0, 1] > 0.95
