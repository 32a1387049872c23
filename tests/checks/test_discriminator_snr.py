"""Noise behind the discriminator and the AM detector against the textbook formulas, above threshold.

Source: S. O. Rice, "Noise in FM receivers" (1963), and any text on modulation, from memory. A carrier of
power C in white noise of density N0 (W/Hz) gives a frequency noise of one-sided density f² N0 / C (Hz²/Hz)
as long as C stands well over the noise. Through an audio filter G a tone of peak deviation D where |G| = 1
then comes out with

    SNR = (D² / 2) (C / N0) / integral f² |G(f)|² df,

which for a flat low-pass W is the familiar 3/2 beta² C / (N0 W) with beta = D / W. An AM envelope has the
noise density N0 / C (in units of depth) and SNR = (depth² / 2) (C / N0) / integral |G(f)|² df.
"""

from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import freqz

from dsp.audio import VoiceFilter, voice_taps
from dsp.demodulate import AmDetector, instantaneous_frequency

RATE_HZ = 16_000
SECONDS = 20
TONE_HZ = 1000.0


def with_noise(wave: np.ndarray, carrier_to_noise_db: float, seed: int) -> np.ndarray:
    """Adds white noise; the ratio is carrier power 1 to the noise in the whole rate."""
    rng = np.random.default_rng(seed)
    scale = 10 ** (-carrier_to_noise_db / 20) / np.sqrt(2)
    return (wave + scale * (rng.standard_normal(wave.shape) + 1j * rng.standard_normal(wave.shape))).astype(
        np.complex64
    )


def fm_wave(deviation_hz: float) -> np.ndarray:
    t = np.arange(-1, RATE_HZ * SECONDS) / RATE_HZ
    return np.exp(-1j * deviation_hz / TONE_HZ * np.cos(2 * np.pi * TONE_HZ * t))


def discriminated(wave: np.ndarray) -> np.ndarray:
    wave = wave[None]
    return instantaneous_frequency(wave[:, 1:], wave[:, 0], float(RATE_HZ))


def sinad_db(audio: np.ndarray) -> float:
    """SINAD with the 1 kHz tone fitted out: a notch of no width."""
    audio = audio.astype(np.float64)
    t = np.arange(len(audio)) / RATE_HZ
    basis = np.stack([np.ones_like(t), np.cos(2 * np.pi * TONE_HZ * t), np.sin(2 * np.pi * TONE_HZ * t)])
    rest = audio - np.linalg.lstsq(basis.T, audio, rcond=None)[0] @ basis
    audio = audio - audio.mean()
    return float(10 * np.log10(np.mean(audio**2) / np.mean(rest**2)))


def sinad_of(snr: float) -> float:
    return float(10 * np.log10(snr + 1))


@pytest.mark.parametrize("carrier_to_noise_db", [18.0, 24.0, 34.0])
def test_flat_fm_output_follows_3_beta_squared(carrier_to_noise_db: float) -> None:
    deviation_hz, width_hz = 1500.0, 3000.0
    frequency = discriminated(with_noise(fm_wave(deviation_hz), carrier_to_noise_db, seed=11))[0]
    # the ideal audio filter of the formula, with the sin(x)/x of the phase steps taken off
    spectrum = np.fft.rfft(frequency.astype(np.float64))
    f = np.fft.rfftfreq(len(frequency), 1 / RATE_HZ)
    audio = np.fft.irfft(np.where(f <= width_hz, spectrum / np.sinc(f / RATE_HZ), 0), len(frequency))
    carrier_over_density = 10 ** (carrier_to_noise_db / 10) * RATE_HZ
    snr = 1.5 * (deviation_hz / width_hz) ** 2 * carrier_over_density / width_hz
    # 0.06 dB is the spread of a noise power over 20 s; Rice's next term at 18 dB is 1 / (2 C/N) = 0.03 dB
    assert sinad_db(audio) == pytest.approx(sinad_of(snr), abs=0.2)


@pytest.mark.parametrize("carrier_to_noise_db", [18.0, 24.0, 34.0])
def test_fm_output_through_the_voice_filter(carrier_to_noise_db: float) -> None:
    deviation_hz = 1500.0  # 60 % of 2.5 kHz: standard test modulation, TIA-603-E 1.3.3.5 (secondary)
    frequency = discriminated(with_noise(fm_wave(deviation_hz), carrier_to_noise_db, seed=12))
    audio = VoiceFilter(Fraction(RATE_HZ), "nfm", rows=1).push(frequency, np.array([0]), 0)[0, 2000:]
    f = np.linspace(0, RATE_HZ / 2, 16_001)
    _, filter_response = freqz(voice_taps(Fraction(RATE_HZ), "nfm"), worN=np.append(f, TONE_HZ), fs=RATE_HZ)
    gain = np.abs(filter_response) * np.sinc(np.append(f, TONE_HZ) / RATE_HZ)
    noise = np.trapezoid(f**2 * gain[:-1] ** 2, f)
    carrier_over_density = 10 ** (carrier_to_noise_db / 10) * RATE_HZ
    snr = (deviation_hz * gain[-1]) ** 2 / 2 * carrier_over_density / noise
    assert sinad_db(audio) == pytest.approx(sinad_of(snr), abs=0.2)
    # and the ideal 750 us curve cut off sharply at 300 and 3000 Hz tells nearly the same
    inside = (f >= 300) & (f <= 3000)
    curve = (1 + (2 * np.pi * 1000 * 750e-6) ** 2) / (1 + (2 * np.pi * f * 750e-6) ** 2)
    ideal = deviation_hz**2 / 2 * carrier_over_density / np.trapezoid(f**2 * curve * inside, f)
    assert sinad_db(audio) == pytest.approx(sinad_of(ideal), abs=0.3)


def test_a_clean_fm_tone_has_no_distortion_to_speak_of() -> None:
    """TIA-603 allows a receiver 5 % (26 dB; from memory); an exact discriminator leaves rounding only."""
    frequency = discriminated(fm_wave(3000.0).astype(np.complex64))
    audio = VoiceFilter(Fraction(RATE_HZ), "nfm", rows=1).push(frequency, np.array([0]), 0)[0, 2000:]
    assert sinad_db(audio) > 80.0


@pytest.mark.parametrize("carrier_to_noise_db", [20.0, 30.0])
def test_am_output_through_the_voice_filter(carrier_to_noise_db: float) -> None:
    depth = 0.3  # the modulation of aviation sensitivity tests, common practice, no source
    t = np.arange(RATE_HZ * SECONDS) / RATE_HZ
    wave = (1 + depth * np.sin(2 * np.pi * TONE_HZ * t)) * np.exp(2j * np.pi * 400 * t)
    samples = with_noise(wave, carrier_to_noise_db, seed=13)[None]
    row = np.array([0])
    audio = VoiceFilter(Fraction(RATE_HZ), "am", rows=1).push(
        AmDetector(float(RATE_HZ), 1).push(samples, row), row, 0
    )[0, 4000:]
    f = np.linspace(0, RATE_HZ / 2, 16_001)
    _, response = freqz(voice_taps(Fraction(RATE_HZ), "am"), worN=f, fs=RATE_HZ)
    carrier_over_density = 10 ** (carrier_to_noise_db / 10) * RATE_HZ
    snr = depth**2 / 2 * carrier_over_density / np.trapezoid(np.abs(response) ** 2, f)
    # an envelope detector lifts the carrier by half the quadrature noise: 1 / (2 C/N), 0.04 dB at 20 dB
    assert sinad_db(audio) == pytest.approx(sinad_of(snr), abs=0.25)
