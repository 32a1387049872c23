"""What a transmission measured: values without lean, uncertainties that mean what they say."""

import functools
from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from dsp.measure import (
    ChannelNoise,
    Reading,
    carrier_to_noise_db,
    frequency_error_hz,
    peak_deviation_hz,
    power_dbfs,
    rms_deviation_hz,
    sinad_db,
)
from dsp.modulate import Am, Audio, Ctcss, Fm, Modulation, Unmodulated, add_noise, audio_tone, transmit, voice

WIDTH_HZ = 11_000.0
SECONDS = 1.2


@functools.lru_cache(maxsize=256)
def sent_once(modulation: Modulation, rate_hz: int, offset_hz: float) -> np.ndarray:
    """A transmission without noise, made once."""
    return transmit(modulation, sample_rate_hz=rate_hz, seconds=SECONDS, offset_hz=offset_hz)


class Channel:
    """What a receiver hands over: a filter 11 kHz wide at one rate, its noise width known exactly."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.taps = signal.firwin(181, 6250.0, fs=rate_hz, window=("kaiser", 8.0))
        self.noise_width_hz = float(np.sum(self.taps**2)) * rate_hz

    def hear(
        self, modulation: Modulation, cnr_db: float, seed: int, offset_hz: float = 0.0
    ) -> tuple[np.ndarray, ChannelNoise]:
        """One transmission at `cnr_db` in 11 kHz, and what is known of its noise."""
        sent = sent_once(modulation, self.rate_hz, offset_hz)
        noisy = add_noise(
            sent,
            cnr_db=cnr_db,
            width_hz=WIDTH_HZ,
            sample_rate_hz=self.rate_hz,
            rng=np.random.default_rng(seed),
        )
        heard = signal.oaconvolve(noisy, self.taps, mode="same")[200:-200].astype(np.complex64)
        return heard, self.noise(cnr_db)

    def noise(self, cnr_db: float, sigma_db: float = 0.0) -> ChannelNoise:
        power = 10 ** (-cnr_db / 10) * self.noise_width_hz / WIDTH_HZ
        return ChannelNoise(power=power, width_hz=self.noise_width_hz, sigma_db=sigma_db)


@functools.lru_cache(maxsize=256)
def speech(seed: int, drive: float = 2.0) -> Fm:
    spoken = Audio(samples=voice(seconds=SECONDS, rng=np.random.default_rng(1000 + seed)), rate_hz=16_000)
    return Fm(audio=spoken, drive=drive, tone=Ctcss(tone_hz=100.0))


@functools.lru_cache(maxsize=8)
def one_kilohertz(drive: float) -> Fm:
    tone = Audio(samples=audio_tone(seconds=1.0, rate_hz=16_000), rate_hz=16_000, repeats=True)
    return Fm(audio=tone, drive=drive)


@functools.lru_cache(maxsize=256)
def true_swing_hz(modulation: Fm) -> np.ndarray:
    """The transmitter's own swing, at a rate where a phase step is the frequency."""
    sent = transmit(modulation, sample_rate_hz=96_000, seconds=SECONDS)[1000:-1000].astype(np.complex128)
    return np.angle(sent[1:] * sent[:-1].conj()) * 96_000 / (2 * np.pi)


def heard_readings(
    measure: Callable[[np.ndarray, ChannelNoise], Reading | None],
    modulation: Callable[[int], Modulation],
    channel: Channel,
    cnr_db: float,
    runs: int,
    offset_hz: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Values and sigmas over independent transmissions; every one must give a reading."""
    readings = [measure(*channel.hear(modulation(seed), cnr_db, seed, offset_hz)) for seed in range(runs)]
    assert all(reading is not None for reading in readings)
    values = np.array([reading.value for reading in readings if reading is not None])
    return values, np.array([reading.sigma for reading in readings if reading is not None])


def test_power_is_mean_square_in_decibels() -> None:
    tone = transmit(Unmodulated(), sample_rate_hz=16_000, seconds=1.0, rise_s=0, fall_s=0)[200:-200]
    for gain_db in (-60.0, -3.0, 0.0):
        reading = power_dbfs(tone * np.float32(10 ** (gain_db / 20)))
        assert reading is not None
        assert reading.value == pytest.approx(gain_db, abs=1e-3)
        assert reading.sigma < 1e-3


def test_power_of_noise_knows_its_uncertainty() -> None:
    """Mean of K exponential powers: relative sigma 1 / sqrt(K), that is 4.34 / sqrt(K) dB."""
    rng = np.random.default_rng(1)
    readings = [
        power_dbfs(rng.standard_normal(8000, dtype=np.float32).view(np.complex64)) for _ in range(200)
    ]
    sigmas = np.array([reading.sigma for reading in readings if reading is not None])
    assert len(sigmas) == 200
    assert np.sqrt(np.mean(sigmas**2)) == pytest.approx(4.343 / np.sqrt(4000), rel=0.1)


@pytest.mark.parametrize("cnr_db", [-5.0, 3.0, 30.0])
@pytest.mark.parametrize("modulation", [speech, lambda seed: Unmodulated()])
def test_carrier_to_noise_is_right_and_knows_its_uncertainty(
    cnr_db: float, modulation: Callable[[int], Modulation]
) -> None:
    channel = Channel(24_000)
    values, sigmas = heard_readings(
        lambda heard, noise: carrier_to_noise_db(heard, noise, sample_rate_hz=24_000),
        modulation,
        channel,
        cnr_db,
        24,
    )
    in_noise_width_db = cnr_db - 10 * np.log10(channel.noise_width_hz / WIDTH_HZ)
    assert np.mean(values) == pytest.approx(in_noise_width_db, abs=4 * np.mean(sigmas) / np.sqrt(24) + 0.02)
    assert 0.5 < np.std(values) / np.mean(sigmas) < 1.6


def test_carrier_to_noise_of_am_counts_the_sidebands() -> None:
    """Depth 0.6 by a sine: sidebands add 0.6^2 / 2 = 18 % (any text on AM)."""
    tone = Audio(samples=audio_tone(seconds=1.0, rate_hz=16_000), rate_hz=16_000, repeats=True)
    channel = Channel(24_000)
    heard, noise = channel.hear(Am(audio=tone, depth=0.6), 20.0, 1)
    reading = carrier_to_noise_db(heard, noise, sample_rate_hz=24_000)
    assert reading is not None
    expected_db = 20.0 + 10 * np.log10(1.18) - 10 * np.log10(channel.noise_width_hz / WIDTH_HZ)
    assert reading.value == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize(("rate_hz", "offset_hz"), [(16_000, 400.0), (32_000, -1500.0)])
@pytest.mark.parametrize("cnr_db", [0.0, 3.0, 40.0])
def test_frequency_error_does_not_lean_to_zero(rate_hz: int, cnr_db: float, offset_hz: float) -> None:
    """Mean over 16 transmissions of speech within 4 sigma of the mean, plus speech's own few Hz."""
    values, sigmas = heard_readings(
        lambda heard, noise: frequency_error_hz(heard, noise, sample_rate_hz=rate_hz),
        speech,
        Channel(rate_hz),
        cnr_db,
        16,
        offset_hz,
    )
    assert abs(np.mean(values) - offset_hz) < 4 * np.mean(sigmas) / np.sqrt(16) + 6.0
    assert np.std(values) < 2.0 * np.mean(sigmas)


def test_frequency_error_of_a_bare_carrier_meets_its_sigma() -> None:
    values, sigmas = heard_readings(
        lambda heard, noise: frequency_error_hz(heard, noise, sample_rate_hz=24_000),
        lambda seed: Unmodulated(),
        Channel(24_000),
        6.0,
        40,
        700.0,
    )
    pulls = (values - 700.0) / sigmas
    assert abs(np.mean(pulls)) < 0.7
    assert 0.6 < np.std(pulls) < 1.5


def test_mirrored_spectrum_gives_the_opposite_frequency_error() -> None:
    heard, noise = Channel(16_000).hear(speech(1), 15.0, 1, 300.0)
    reading = frequency_error_hz(heard, noise, sample_rate_hz=16_000)
    mirrored = frequency_error_hz(np.conj(heard), noise, sample_rate_hz=16_000)
    assert reading is not None
    assert mirrored is not None
    assert mirrored.value == pytest.approx(-reading.value, abs=1e-3)
    assert mirrored.sigma == pytest.approx(reading.sigma, rel=1e-3)


def test_doubt_about_the_noise_is_carried_into_sigma() -> None:
    """At 3 dB and 1500 Hz off, noise unknown by 1 dB moves the answer by tens of Hz; sigma says so."""
    channel = Channel(24_000)
    heard, sure = channel.hear(speech(2), 3.0, 2, 1500.0)
    unsure = channel.noise(3.0, sigma_db=1.0)
    both = [frequency_error_hz(heard, noise, sample_rate_hz=24_000) for noise in (sure, unsure)]
    assert both[0] is not None
    assert both[1] is not None
    wrong = ChannelNoise(power=sure.power * 10**0.1, width_hz=sure.width_hz)
    moved = frequency_error_hz(heard, wrong, sample_rate_hz=24_000)
    assert moved is not None
    assert both[1].value == both[0].value
    added_hz = np.sqrt(both[1].sigma ** 2 - both[0].sigma ** 2)
    assert added_hz == pytest.approx(abs(moved.value - both[0].value), rel=0.3)
    assert rms_deviation_hz(heard, unsure, sample_rate_hz=24_000) is None


@pytest.mark.parametrize("rate_hz", [16_000, 24_000, 32_000])
@pytest.mark.parametrize("cnr_db", [6.0, 20.0, 50.0])
def test_rms_deviation_of_a_tone_is_peak_over_root_two(rate_hz: int, cnr_db: float) -> None:
    values, sigmas = heard_readings(
        lambda heard, noise: rms_deviation_hz(heard, noise, sample_rate_hz=rate_hz),
        lambda seed: one_kilohertz(0.9),
        Channel(rate_hz),
        cnr_db,
        12,
    )
    assert np.mean(values) == pytest.approx(0.9 * 2500.0 / np.sqrt(2), rel=0.012)
    assert np.std(values) < 2.0 * np.mean(sigmas)


@pytest.mark.parametrize("rate_hz", [16_000, 32_000])
@pytest.mark.parametrize(("cnr_db", "share"), [(3.0, 0.35), (10.0, 0.08), (20.0, 0.02), (40.0, 0.015)])
def test_rms_deviation_of_speech_is_the_transmitters(rate_hz: int, cnr_db: float, share: float) -> None:
    """Through clicks and all, for no discriminator is involved: every voice's own rms, from 3 dB up."""
    channel, ratios = Channel(rate_hz), []
    for seed in range(8):
        modulation = speech(seed, drive=4.0)
        reading = rms_deviation_hz(*channel.hear(modulation, cnr_db, seed), sample_rate_hz=rate_hz)
        if reading is not None:
            ratios.append(reading.value / np.std(true_swing_hz(modulation)))
    assert len(ratios) >= 7
    assert np.mean(ratios) == pytest.approx(1.0, abs=max(0.012, share / np.sqrt(len(ratios)) * 2))
    assert np.abs(np.array(ratios) - 1.0).max() < share


@pytest.mark.parametrize("rate_hz", [16_000, 32_000])
@pytest.mark.parametrize("cnr_db", [10.0, 15.0, 20.0, 30.0, 50.0])
def test_peak_deviation_reads_the_peak_and_not_the_clicks(rate_hz: int, cnr_db: float) -> None:
    """Loud speech, a test tone and soft speech; off frequency; the error stays within what sigma says."""
    channel = Channel(rate_hz)
    pulls = []
    for seed in range(6):
        for modulation in (speech(seed, drive=8.0), speech(seed, drive=1.0), one_kilohertz(0.9)):
            true_hz = np.abs(true_swing_hz(modulation)).max()
            heard, noise = channel.hear(modulation, cnr_db, seed, 300.0)
            reading = peak_deviation_hz(heard, noise, sample_rate_hz=rate_hz, carrier_hz=300.0)
            assert reading is not None
            pulls.append((reading.value - true_hz) / np.hypot(reading.sigma, 0.02 * true_hz))
    assert np.sqrt(np.mean(np.square(pulls))) < 1.7
    assert np.abs(pulls).max() < 4.5


def test_peak_deviation_without_noise_is_exact() -> None:
    for drive in (0.3, 0.6, 1.0):
        sent = transmit(one_kilohertz(drive), sample_rate_hz=32_000, seconds=SECONDS)[200:-200]
        silent = ChannelNoise(power=0.0, width_hz=WIDTH_HZ)
        reading = peak_deviation_hz(sent, silent, sample_rate_hz=32_000)
        assert reading is not None
        assert reading.value == pytest.approx(2500.0 * drive, rel=0.005)


def test_peak_deviation_is_not_read_where_clicks_rule() -> None:
    heard, noise = Channel(16_000).hear(speech(1), 5.0, 1)
    assert peak_deviation_hz(heard, noise, sample_rate_hz=16_000) is None


@pytest.mark.parametrize("gain", [1e-4, 0.3, 50.0])
def test_gain_moves_power_and_nothing_else(gain: float) -> None:
    channel = Channel(16_000)
    heard, noise = channel.hear(speech(3), 15.0, 3, 200.0)
    louder = (heard * np.float32(gain)).astype(np.complex64)
    louder_noise = ChannelNoise(power=noise.power * gain**2, width_hz=noise.width_hz)
    for measure in (carrier_to_noise_db, frequency_error_hz, rms_deviation_hz, peak_deviation_hz):
        before = measure(heard, noise, sample_rate_hz=16_000)
        after = measure(louder, louder_noise, sample_rate_hz=16_000)
        assert before is not None
        assert after is not None
        assert after.value == pytest.approx(before.value, rel=1e-3, abs=1e-2)
    power, moved = power_dbfs(heard), power_dbfs(louder)
    assert power is not None
    assert moved is not None
    assert moved.value - power.value == pytest.approx(20 * np.log10(gain), abs=1e-3)


@pytest.mark.parametrize("seed", range(8))
def test_noise_alone_gives_no_frequency_and_no_deviation(seed: int) -> None:
    channel = Channel(16_000)
    rng = np.random.default_rng(seed)
    white = (rng.standard_normal(20_000) + 1j * rng.standard_normal(20_000)) / np.sqrt(2)
    only = signal.oaconvolve(white, channel.taps, mode="valid").astype(np.complex64)
    noise = ChannelNoise(power=float(np.sum(channel.taps**2)), width_hz=channel.noise_width_hz)
    assert frequency_error_hz(only, noise, sample_rate_hz=16_000) is None
    assert rms_deviation_hz(only, noise, sample_rate_hz=16_000) is None
    assert peak_deviation_hz(only, noise, sample_rate_hz=16_000) is None


@pytest.mark.parametrize("count", [0, 1, 31, 63])
def test_too_few_samples_give_no_reading(count: int) -> None:
    few, noise = np.ones(count, dtype=np.complex64), ChannelNoise(power=0.01, width_hz=WIDTH_HZ)
    assert frequency_error_hz(few, noise, sample_rate_hz=16_000) is None
    assert rms_deviation_hz(few, noise, sample_rate_hz=16_000) is None
    assert peak_deviation_hz(few, noise, sample_rate_hz=16_000) is None
    if count < 32:
        assert power_dbfs(few) is None
    assert sinad_db(few.real, audio_rate_hz=16_000) is None


def test_silence_gives_no_reading() -> None:
    silent = np.zeros(5000, dtype=np.complex64)
    for power in (0.0, 0.1):
        noise = ChannelNoise(power=power, width_hz=WIDTH_HZ)
        assert carrier_to_noise_db(silent, noise, sample_rate_hz=16_000) is None
        assert frequency_error_hz(silent, noise, sample_rate_hz=16_000) is None
        assert rms_deviation_hz(silent, noise, sample_rate_hz=16_000) is None
        assert peak_deviation_hz(silent, noise, sample_rate_hz=16_000) is None
    assert power_dbfs(silent) is None
    assert sinad_db(silent.real, audio_rate_hz=16_000) is None


@pytest.mark.parametrize(
    ("power", "width_hz", "sigma_db"),
    [(-1.0, 1e4, 0.0), (1.0, 0.0, 0.0), (1.0, 1e4, -0.1), (np.nan, 1e4, 0.0)],
)
def test_impossible_noise_is_refused(power: float, width_hz: float, sigma_db: float) -> None:
    with pytest.raises(ValueError, match="none may be negative"):
        ChannelNoise(power=power, width_hz=width_hz, sigma_db=sigma_db)


@pytest.mark.parametrize("sinad", [1.0, 6.0, 12.0, 20.0, 40.0])
@pytest.mark.parametrize("tone_hz", [997.3, 1000.0, 1021.0])
def test_sinad_of_a_tone_in_white_noise_is_its_definition(sinad: float, tone_hz: float) -> None:
    """(S + N) / N with the powers that went in; 12 dB is reference sensitivity (TIA-603-E, 1.3.3.12)."""
    rate_hz, count, rng = 16_000, 48_000, np.random.default_rng(5)
    tone = np.sqrt(2) * np.sin(2 * np.pi * tone_hz * np.arange(count) / rate_hz + 1.0)
    noise = rng.standard_normal(count) / np.sqrt(10 ** (sinad / 10) - 1)
    reading = sinad_db(tone + noise + 0.3, audio_rate_hz=rate_hz)
    assert reading is not None
    assert reading.value == pytest.approx(sinad, abs=max(4 * reading.sigma, 0.05))
    assert reading.sigma == pytest.approx(4.343 * np.sqrt(2 / count), rel=0.6)


def test_sinad_counts_distortion() -> None:
    """A third harmonic 20 dB down and nothing else: 10 log10(1.01 / 0.01) = 20.04 dB."""
    instants_s = np.arange(16_000) / 16_000
    audio = np.sin(2 * np.pi * 1000 * instants_s) + 0.1 * np.sin(2 * np.pi * 3000 * instants_s)
    reading = sinad_db(audio, audio_rate_hz=16_000)
    assert reading is not None
    assert reading.value == pytest.approx(10 * np.log10(1.01 / 0.01), abs=0.01)


@pytest.mark.parametrize("sinad", [3.0, 12.0, 25.0])
def test_sinad_agrees_with_a_notch_meter(sinad: float) -> None:
    """A notch as TIA-603-E 1.3.3.11 asks (secondary): 40 dB deep, at most 0.6 dB down at 500 and 2000 Hz."""
    rate_hz, rng = 16_000, np.random.default_rng(6)
    notch = signal.iirnotch(1000.0, 4.0, fs=rate_hz)
    _, response = signal.freqz(*notch, worN=[500.0, 2000.0], fs=rate_hz)
    assert np.all(20 * np.log10(np.abs(response)) >= -0.6)
    instants_s = np.arange(80_000) / rate_hz
    voice_band = signal.firwin(401, [300.0, 3000.0], fs=rate_hz, pass_zero=False)
    noise = signal.oaconvolve(rng.standard_normal(len(instants_s)), voice_band, mode="same")
    noise /= noise.std() * np.sqrt(10 ** (sinad / 10) - 1)
    audio = np.sqrt(2) * np.sin(2 * np.pi * 1000.0 * instants_s) + noise
    rest = signal.lfilter(*notch, audio)[4000:]
    assert np.abs(signal.freqz(*notch, worN=[1000.0], fs=rate_hz)[1][0]) < 0.01
    meter_db = 10 * np.log10(np.mean(audio**2) / np.mean(rest**2))
    reading = sinad_db(audio, audio_rate_hz=rate_hz)
    assert reading is not None
    # the notch takes the noise beside the tone as well: pi / 2 x 250 Hz of 2700 Hz, 0.7 dB
    lost_db = -10 * np.log10(1 - 0.5 * np.pi * 250.0 / 2700.0)
    assert meter_db - reading.value == pytest.approx(lost_db, abs=0.25)
