"""The test transmitter held to theory: whatever it builds is the truth of other tests, so it must be true.

Sources beside each check. Bessel lines: any text on FM (Carson 1922; J_n from scipy.special). The limits of
land-mobile FM: TIA-603-E as quoted in secondary sources.
"""

import numpy as np
import pytest
from scipy import signal
from scipy.special import jn_zeros, jv

from dsp.modulate import (
    Am,
    Audio,
    Ctcss,
    Emission,
    Fm,
    Scene,
    audio_tone,
    pre_emphasis,
    transmit,
    voice,
)

AUDIO_RATE_HZ = 48_000


def sine(tone_hz: float, amplitude: float = 1.0) -> Audio:
    """One second of a tone, which repeats without a seam for whole hertz."""
    samples = audio_tone(seconds=1.0, tone_hz=tone_hz, amplitude=amplitude, rate_hz=AUDIO_RATE_HZ)
    return Audio(samples=samples, rate_hz=AUDIO_RATE_HZ, repeats=True)


def one_second(modulation: object, rate_hz: int, offset_hz: float = 0.0) -> np.ndarray:
    """The second second of a three-second key-down: away from both slopes, whole cycles of whole hertz."""
    sent = transmit(modulation, sample_rate_hz=rate_hz, seconds=3.0, offset_hz=offset_hz)
    return sent[rate_hz : 2 * rate_hz].astype(np.complex128)


def swing_hz(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Frequency from sample to sample, by the definition: phase step over time."""
    return np.angle(samples[1:] * samples[:-1].conj()) * rate_hz / (2 * np.pi)


@pytest.mark.parametrize("rate_hz", [16_000, 24_000, 48_000, 250_000])
@pytest.mark.parametrize(("tone_hz", "index"), [(1000.0, 1.5), (2500.0, 1.0), (500.0, 4.0)])
def test_fm_lines_follow_bessel_functions(rate_hz: int, tone_hz: float, index: float) -> None:
    """Line n of FM by a sine has the amplitude J_n(index)."""
    modulation = Fm(
        audio=sine(tone_hz), deviation_limit_hz=5000.0, drive=index * tone_hz / 5000.0, emphasised=False
    )
    spectrum = np.fft.fft(one_second(modulation, rate_hz)) / rate_hz
    reach = int(0.4 * rate_hz / tone_hz)
    for order in range(-min(reach, 8), min(reach, 8) + 1):
        line = abs(spectrum[round(order * tone_hz) % rate_hz])
        assert line == pytest.approx(abs(jv(order, index)), abs=2e-4)
    others = np.abs(spectrum) ** 2
    frequency_hz = np.rint(np.fft.fftfreq(rate_hz, 1 / rate_hz))
    others[frequency_hz % tone_hz == 0] = 0.0
    assert 10 * np.log10(others.sum()) < -80.0  # nothing but the lines


@pytest.mark.parametrize("zero", [0, 1])
def test_carrier_vanishes_where_j0_does(zero: int) -> None:
    """The classic way to set deviation: at index 2.405 and 5.520 the carrier line is gone."""
    index = float(jn_zeros(0, 2)[zero])
    modulation = Fm(
        audio=sine(800.0), deviation_limit_hz=5000.0, drive=index * 800.0 / 5000.0, emphasised=False
    )
    spectrum = np.fft.fft(one_second(modulation, 48_000)) / 48_000
    assert 20 * np.log10(abs(spectrum[0])) < -60.0


def test_scene_keeps_bessel_lines_at_full_rate() -> None:
    """The long spectrum, the move to an odd offset and the hops leave the lines where and what they were."""
    rate_hz, offset_hz, index = 2_400_000, 731_357.0, 2.0
    modulation = Fm(audio=sine(1000.0), deviation_limit_hz=5000.0, drive=index / 5.0, emphasised=False)
    emission = Emission(
        start_s=-1.0,
        stop_s=2.0,
        offset_hz=offset_hz,
        cnr_db=120.0,
        cnr_width_hz=rate_hz,
        modulation=modulation,
    )
    scene = Scene(sample_rate_hz=rate_hz, seconds=1.0, emissions=(emission,), noise_dbfs=-120.0)
    spectrum = np.abs(np.fft.fft(scene.render(np.random.default_rng(1)))) / rate_hz
    for order in range(-5, 6):
        assert spectrum[round(offset_hz) + 1000 * order] == pytest.approx(abs(jv(order, index)), abs=2e-4)
    wanted = np.zeros(rate_hz, dtype=bool)
    wanted[round(offset_hz) - 15_000 : round(offset_hz) + 15_000] = True
    lines = 20 * np.log10(spectrum[~wanted].max())
    assert lines < -100.0  # images of the low rate: at least 80 dB down was asked for


@pytest.mark.parametrize("limit_hz", [2500.0, 5000.0])
def test_standard_test_modulation_is_sixty_percent(limit_hz: float) -> None:
    """1 kHz at 60 % of rated deviation: TIA-603-E, 1.3.3.5 (secondary)."""
    swing = swing_hz(
        one_second(Fm(audio=sine(1000.0), deviation_limit_hz=limit_hz, drive=0.6), 96_000), 96_000
    )
    assert np.abs(swing).max() == pytest.approx(0.6 * limit_hz, rel=2e-3)
    assert np.std(swing) == pytest.approx(0.6 * limit_hz / np.sqrt(2.0), rel=1e-3)


@pytest.mark.parametrize("limit_hz", [2500.0, 5000.0])
@pytest.mark.parametrize("drive", [1.0, 4.0, 20.0])
def test_no_speech_passes_the_deviation_limit(limit_hz: float, drive: float) -> None:
    """Peak deviation 2.5 kHz (47 CFR 95.575, secondary) and 5 kHz (47 CFR 95.1775), tone included."""
    spoken = Audio(samples=voice(seconds=4.0, rng=np.random.default_rng(7)), rate_hz=16_000)
    modulation = Fm(
        audio=spoken, deviation_limit_hz=limit_hz, drive=drive, tone=Ctcss(tone_hz=103.5, deviation_hz=500.0)
    )
    sent = transmit(modulation, sample_rate_hz=192_000, seconds=4.0)[1000:-1000]
    swing = np.abs(swing_hz(sent.astype(np.complex128), 192_000))
    assert swing.max() <= limit_hz * 1.002
    if drive >= 4.0:
        assert swing.max() >= limit_hz * 0.9  # and the limiter does let speech up to it


def test_emphasis_is_six_decibels_an_octave() -> None:
    """300 to 3000 Hz on a line of 6 dB/octave, +1 / -3 dB (TIA-603-E, 2.1.10 mask, secondary).

    And on the curve of 750 us (common practice, no source), which is what land-mobile receivers undo.

    The corner of 750 us is 1 / (2 pi 750e-6) = 212.2 Hz, so the lift at f is sqrt(1 + (f / 212.2)^2).
    """
    tones_hz = np.array([300.0, 400.0, 500.0, 700.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0])
    heard_hz = []
    for tone_hz in tones_hz:
        modulation = Fm(audio=sine(tone_hz, amplitude=0.1), deviation_limit_hz=5000.0, drive=1.0)
        swing = swing_hz(one_second(modulation, 192_000), 192_000)
        heard_hz.append(np.sqrt(2.0) * np.std(swing))
    lift_db = 20 * np.log10(np.array(heard_hz) / heard_hz[4])
    line_db = 20 * np.log10(tones_hz / 1000.0)
    assert np.all(lift_db - line_db <= 3.0)  # a lift over the line is a loss of the opposite receiver
    assert np.all(lift_db - line_db >= -1.0)
    exact_db = 10 * np.log10((1 + (tones_hz / 212.2066) ** 2) / (1 + (1000.0 / 212.2066) ** 2))
    assert lift_db == pytest.approx(exact_db, abs=0.02)
    assert heard_hz[4] == pytest.approx(500.0, rel=1e-3)
    high_hz = np.array([2000.0, 4000.0])
    octave_db = np.diff(20 * np.log10(np.abs(pre_emphasis(high_hz))))[0]
    assert octave_db == pytest.approx(6.02, abs=0.05)


def test_limiter_harmonics_stay_under_the_low_pass() -> None:
    """Square-wave harmonics of hard limiting (1 kHz: 3, 5, 7 kHz) end at the low-pass behind the limiter."""
    modulation = Fm(audio=sine(1000.0), deviation_limit_hz=2500.0, drive=20.0)
    swing = swing_hz(one_second(modulation, 96_000), 96_000)
    lines_hz = 2 * np.abs(np.fft.rfft(swing, 95_999)) / 95_999
    third, fifth = lines_hz[2990:3010].max(), lines_hz[4990:5010].max()
    assert third > 0.2 * 2500.0  # a clipped sine has a third harmonic near one third
    assert fifth < 2.5  # 60 dB under full deviation


@pytest.mark.parametrize(
    ("limit_hz", "authorised_hz"),
    [(2500.0, 11_000.0), (5000.0, 16_000.0)],
)
def test_occupied_bandwidth_stays_within_carson(limit_hz: float, authorised_hz: float) -> None:
    """99 % of speech lies within 2 M + 2 D: 11K0F3E and 16K0F3E (Carson; 47 CFR 2.202, from memory)."""
    spoken = Audio(samples=voice(seconds=6.0, rng=np.random.default_rng(3)), rate_hz=16_000)
    sent = transmit(
        Fm(audio=spoken, deviation_limit_hz=limit_hz, drive=6.0), sample_rate_hz=96_000, seconds=6.0
    )
    frequency_hz, density = signal.welch(
        sent, 96_000, window=("kaiser", 14.0), nperseg=8192, return_onesided=False
    )
    inside = np.abs(frequency_hz) <= 0.5 * authorised_hz
    assert density[inside].sum() / density.sum() > 0.99


def test_adjacent_channel_hears_little_of_limited_speech() -> None:
    """A 12.5 kHz neighbour gets under -45 dB, a 25 kHz neighbour under -75 dB of limited speech.

    The figures are the adjacent-channel rejections TIA-603-E 3.1.6 asks of receivers (from memory): a test
    transmitter that spilled more would measure itself.
    """
    spoken = Audio(samples=voice(seconds=6.0, rng=np.random.default_rng(3)), rate_hz=16_000)
    for limit_hz, spacing_hz, width_hz, most_db in (
        (2500.0, 12_500.0, 11_000.0, -45.0),
        (5000.0, 25_000.0, 16_000.0, -75.0),
    ):
        sent = transmit(
            Fm(audio=spoken, deviation_limit_hz=limit_hz, drive=6.0), sample_rate_hz=96_000, seconds=5.9
        )
        frequency_hz, density = signal.welch(
            sent[1000:-1000], 96_000, window=("kaiser", 14.0), nperseg=8192, return_onesided=False
        )
        for side in (-1, 1):
            there = np.abs(frequency_hz - side * spacing_hz) <= 0.5 * width_hz
            assert 10 * np.log10(density[there].sum() / density.sum()) < most_db


@pytest.mark.parametrize("tone_hz", [67.0, 100.0, 254.1])
def test_tone_has_its_stated_deviation_and_frequency(tone_hz: float) -> None:
    """CTCSS at 500 Hz deviation, standard at 5 kHz rated deviation (TIA-603-C, 1.3.5.3, secondary)."""
    modulation = Fm(deviation_limit_hz=5000.0, tone=Ctcss(tone_hz=tone_hz, deviation_hz=500.0))
    rate_hz, seconds = 16_000, 10
    sent = transmit(modulation, sample_rate_hz=rate_hz, seconds=seconds + 2.0)[
        rate_hz : rate_hz * (seconds + 1)
    ]
    swing = swing_hz(sent.astype(np.complex128), rate_hz)
    instants_s = (np.arange(len(swing)) + 0.5) / rate_hz
    basis = np.stack([np.sin(2 * np.pi * tone_hz * instants_s), np.cos(2 * np.pi * tone_hz * instants_s)])
    fitted = np.linalg.lstsq(basis.T, swing, rcond=None)[0]
    assert np.hypot(*fitted) == pytest.approx(500.0, rel=1e-3)
    assert np.std(swing - fitted @ basis) < 1.0  # nothing but the tone, so its frequency is right as well


@pytest.mark.parametrize("degrees", [120.0, 180.0])
def test_reverse_burst_turns_the_tone_back(degrees: float) -> None:
    """180 or 120 degrees lagging for 80 to 200 ms (TIA-603 1.3.5.4, secondary): the last 150 ms here."""
    tone_hz, rate_hz = 100.0, 16_000
    tone = Ctcss(tone_hz=tone_hz, deviation_hz=500.0, reverse_burst_s=0.15, reverse_degrees=degrees)
    sent = transmit(Fm(deviation_limit_hz=5000.0, tone=tone), sample_rate_hz=rate_hz, seconds=1.15)
    swing = swing_hz(sent.astype(np.complex128), rate_hz)
    instants_s = (np.arange(len(swing)) + 0.5) / rate_hz
    turn = np.exp(-2j * np.pi * tone_hz * instants_s)
    before = (swing * turn)[round(0.5 * rate_hz) : round(0.9 * rate_hz)].sum()
    after = (swing * turn)[round(1.03 * rate_hz) : round(1.13 * rate_hz)].sum()
    assert np.rad2deg(np.angle(after / before)) % 360.0 == pytest.approx(360.0 - degrees, abs=1.0)


def test_am_sidebands_are_half_the_depth() -> None:
    """Carrier 1, sidebands m / 2 each, nothing else; envelope 1 + m sin (any text on AM)."""
    rate_hz, depth = 16_000, 0.6
    sent = one_second(Am(audio=sine(1000.0), depth=depth), rate_hz, offset_hz=200.0)
    spectrum = np.abs(np.fft.fft(sent)) / rate_hz
    assert spectrum[200] == pytest.approx(1.0, abs=1e-4)
    assert spectrum[1200] == pytest.approx(depth / 2, abs=1e-4)
    assert spectrum[(200 - 1000) % rate_hz] == pytest.approx(depth / 2, abs=1e-4)
    assert np.sum(spectrum**2) == pytest.approx(1 + depth**2 / 2, rel=1e-4)
    assert np.abs(sent).min() == pytest.approx(1 - depth, abs=2e-3)


def test_am_depth_limit_holds_under_loud_speech() -> None:
    spoken = Audio(samples=voice(seconds=3.0, rng=np.random.default_rng(4)), rate_hz=16_000)
    sent = transmit(Am(audio=spoken, depth=8.0, depth_limit=0.9), sample_rate_hz=48_000, seconds=3.0)
    envelope = np.abs(sent[1000:-1000])
    assert envelope.min() >= 0.1 - 1e-3
    assert envelope.max() <= 1.9 + 1e-3
