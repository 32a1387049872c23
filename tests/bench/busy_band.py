"""A band in which every channel talks all the time: the heaviest load the receiver can meet."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from dsp.modulate import Audio, Ctcss, Fm, carrier_power, complex_noise, transmit, voice
from watcher.plan.model import Channel, Station, WatchPlan
from watcher.radio.sigmf_writer import SigmfWriter

RATE_HZ = 2_400_000
CENTRE_HZ = 446_000_000
CHANNEL_RATE_HZ = 16_000
SPACING_HZ = 18_500  # 128 channels fill the span, with free band between them as on a real one
LICENCE_URL = "https://www.gnu.org/licenses/gpl-3.0.html"
CNR_DB = 20.0
NOISE_POWER = 0.003  # leaves an 8-bit converter about 14 dB of headroom with 128 stations on


def busy_channels(count: int) -> list[Channel]:
    """`count` channels spread evenly over the span, none at its centre."""
    places = (np.arange(128) - 63.5) * SPACING_HZ
    chosen = places[np.linspace(0, 127, count).round().astype(int)]
    return [
        Channel(
            name=f"Channel {number:03d}",
            frequency_hz=int(CENTRE_HZ + offset),
            mode="nfm",
            bandwidth_hz=12_500,
        )
        for number, offset in enumerate(chosen, 1)
    ]


def busy_plan(count: int) -> WatchPlan:
    """A plan that lists them all."""
    return WatchPlan(channels=tuple(busy_channels(count)), station=Station(longest_clip_minutes=5))


def busy_samples(count: int, seconds: float, rng: np.random.Generator) -> NDArray[np.complex64]:
    """All channels talking from the first sample to the last, in noise.

    Every station is made at 16 kS/s and laid into one long spectrum; one inverse FFT makes the band.
    """
    total, narrow = round(seconds * RATE_HZ), round(seconds * CHANNEL_RATE_HZ)
    spectrum = np.zeros(total, dtype=np.complex64)
    amplitude = np.sqrt(
        carrier_power(cnr_db=CNR_DB, width_hz=11_000, noise_power=NOISE_POWER, sample_rate_hz=RATE_HZ)
    )
    voices = [voice(seconds=seconds, rng=rng, pauses=False) for _ in range(8)]
    for number, channel in enumerate(busy_channels(count)):
        said = Audio(samples=np.roll(voices[number % 8], 4099 * number), rate_hz=16_000, repeats=True)
        station = transmit(
            Fm(audio=said, tone=Ctcss(tone_hz=100.0)),
            sample_rate_hz=CHANNEL_RATE_HZ,
            seconds=seconds,
            rise_s=0,
            fall_s=0,
        )
        bins = scipy.fft.fft(station) * np.float32(amplitude * total / narrow)
        centre = round((channel.frequency_hz - CENTRE_HZ) * seconds)
        spectrum[(np.fft.fftfreq(narrow, 1 / narrow).astype(int) + centre) % total] += bins
    samples = scipy.fft.ifft(spectrum, overwrite_x=True)
    for at in range(0, total, 1 << 20):
        piece = samples[at : at + (1 << 20)]
        piece += complex_noise(len(piece), power=NOISE_POWER, rng=rng)
    return samples


def quiet_samples(seconds: float, rng: np.random.Generator) -> NDArray[np.complex64]:
    """The same noise with nobody on the air: what a watch hears most of the time."""
    return complex_noise(round(seconds * RATE_HZ), power=NOISE_POWER, rng=rng).astype(np.complex64)


def write_recording(path: Path, samples: NDArray[np.complex64], times: int) -> None:
    """Keep the band as an 8-bit recording, the same samples `times` over: they join without a seam."""
    with SigmfWriter(path, "cu8", RATE_HZ, "Every channel busy, for the benchmark.", LICENCE_URL) as writer:
        writer.start_capture(CENTRE_HZ, datetime(2031, 5, 4, 3, 0, 0, tzinfo=UTC))
        for _ in range(times):
            for at in range(0, len(samples), 1 << 20):
                writer.write(samples[at : at + (1 << 20)])
