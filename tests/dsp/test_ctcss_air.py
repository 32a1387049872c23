"""What the CTCSS tests send through the air, and proof that it is what they say.

One channel at 16 kS/s: a frequency swing made straight at the channel's rate, white noise at a ratio stated
in the 11 kHz pass band, the pass band itself, the project's discriminator and low band.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft, signal

from dsp.demodulate import instantaneous_frequency
from dsp.modulate import voice
from dsp.signalling.tone_lowband import LowBand

CHANNEL_HZ, PASS_HZ = 16_000, 11_000
LOW_RATE_HZ = LowBand(CHANNEL_HZ, 1).rate_hz
PUSHED = 808  # samples a push, as a receiver would bring them

Swing = NDArray[np.float64]


def instants(seconds: float) -> Swing:
    return np.arange(round(seconds * CHANNEL_HZ)) / CHANNEL_HZ


def tone(seconds: float, tone_hz: float, deviation_hz: float = 350.0, phase_rad: float = 0.0) -> Swing:
    """Frequency swing of a steady tone, Hz."""
    return deviation_hz * np.sin(2 * np.pi * tone_hz * instants(seconds) + phase_rad)


@lru_cache(maxsize=12)
def _speaker(number: int) -> Swing:
    return np.asarray(voice(seconds=40.0, rng=np.random.default_rng(number)), dtype=np.float64)


def speech(seconds: float, rng: np.random.Generator, peak_hz: float = 2500.0) -> Swing:
    """Swing of a piece of speech without pre-emphasis and without high-pass: its pitch lies on the tones."""
    whole = _speaker(int(rng.integers(8)))
    wanted = round(seconds * CHANNEL_HZ)
    first = int(rng.integers(len(whole) - wanted))
    low_pass = signal.butter(6, 3000.0, fs=CHANNEL_HZ, output="sos")
    piece = whole[first : first + wanted]
    loud = np.quantile(np.abs(piece), 0.998) + 1e-9
    return np.asarray(signal.sosfilt(low_pass, np.clip(piece / loud, -1, 1) * peak_hz))


def on_the_air(
    swing_hz: Swing, rng: np.random.Generator, *, cnr_db: float, offset_hz: float | None = None
) -> NDArray[np.complex64]:
    """Samples of the channel; without a stated offset the carrier stands up to 1 kHz off."""
    offset_hz = rng.uniform(-1000, 1000) if offset_hz is None else offset_hz
    carrier = np.exp(2j * np.pi / CHANNEL_HZ * np.cumsum(swing_hz + offset_hz))
    power = 10 ** (-cnr_db / 10) * CHANNEL_HZ / PASS_HZ
    noise = rng.standard_normal((2, len(carrier))) * np.sqrt(power / 2)
    return passed(carrier + noise[0] + 1j * noise[1])


def passed(wave: NDArray[np.complexfloating]) -> NDArray[np.complex64]:
    """Only what lies in the pass band; flat to its edge, gone a tenth beyond."""
    count = fft.next_fast_len(len(wave))
    away = np.abs(fft.fftfreq(count, 1 / CHANNEL_HZ)) / (PASS_HZ / 2)
    kept = fft.ifft(fft.fft(wave, count) * np.clip((1.1 - away) / 0.1, 0, 1))[: len(wave)]
    return kept.astype(np.complex64)


def low_band(samples: NDArray[np.complex64]) -> NDArray[np.float32]:
    """What a receiver hands to the decoder."""
    frequency = instantaneous_frequency(samples[None, 1:], samples[:1], float(CHANNEL_HZ))
    power = (np.abs(samples[1:]) * np.abs(samples[:-1])).astype(np.float32)[None] ** 2
    band = LowBand(CHANNEL_HZ, 1)
    pieces = [
        band.push(frequency[:, i : i + PUSHED], [0], power[:, i : i + PUSHED])[0]
        for i in range(0, frequency.shape[1], PUSHED)
    ]
    return np.concatenate(pieces)


def received(
    swing_hz: Swing, rng: np.random.Generator, *, cnr_db: float, offset_hz: float | None = None
) -> NDArray[np.float32]:
    """A frequency swing as the decoder sees it."""
    return low_band(on_the_air(swing_hz, rng, cnr_db=cnr_db, offset_hz=offset_hz))


def test_carrier_to_noise_ratio_is_the_stated_one(rng: np.random.Generator) -> None:
    # A carrier of power 1: what is left when it is taken out is the noise of the pass band. By definition.
    wave = on_the_air(np.zeros(10 * CHANNEL_HZ), rng, cnr_db=3.0, offset_hz=0.0)
    spectrum = np.abs(fft.fft(wave)) ** 2 / len(wave) ** 2
    away = np.abs(fft.fftfreq(len(wave), 1 / CHANNEL_HZ))
    noise = spectrum[(away > 1) & (away < PASS_HZ / 2)].sum()
    assert 10 * np.log10(spectrum[0] / noise) == pytest.approx(3.0, abs=0.1)


def test_speech_has_energy_where_the_tones_are(rng: np.random.Generator) -> None:
    # As much as a 350 Hz tone at least, or the tests would not be about telling the two apart.
    swings = np.concatenate([speech(2.0, rng) for _ in range(10)])
    band = signal.sosfilt(signal.butter(4, (60, 260), "bandpass", fs=CHANNEL_HZ, output="sos"), swings)
    assert np.sqrt(2) * band.std() > 350.0
    assert np.abs(swings).max() < 3500.0
