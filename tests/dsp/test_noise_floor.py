"""The floor: unbiased on noise, blind to stations, quick on bursts, wise about dead spectrum."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.channelizer import ChannelCut, Channelizer, cell_powers
from dsp.noise_floor import NoiseFloor


def white(rng: np.random.Generator, count: int) -> np.ndarray:
    return (rng.standard_normal(count) + 1j * rng.standard_normal(count)).astype(np.complex64) * np.float32(
        0.05
    )


def floors(
    samples: np.ndarray, rate_hz: int, offsets_hz: list[float]
) -> tuple[np.ndarray, Channelizer, NoiseFloor]:
    bank = Channelizer(rate_hz, [ChannelCut(offset, 11_000) for offset in offsets_hz])
    floor = NoiseFloor(bank.shape, bank.cuts, bank.noise_bandwidth_hz)
    got = [floor.push(cell_powers(made.spectra)) for made in bank.push(samples)]
    return np.concatenate(got, axis=1), bank, floor


@pytest.mark.parametrize("rate_hz", [48_000, 240_000, 2_400_000])
def test_floor_of_white_noise_is_its_density_times_the_channel_width(rate_hz: int) -> None:
    rng = np.random.default_rng(1)
    samples = white(rng, rate_hz)
    got, bank, floor = floors(samples, rate_hz, [3_000.0])
    expected = np.mean(np.abs(samples) ** 2) * bank.noise_bandwidth_hz[0] / rate_hz
    frames = got.shape[1] - 1
    inner = got[0, 1:]  # the first frame holds the silence before the start
    assert inner.mean() == pytest.approx(expected, rel=0.02 + 3 * np.sqrt(floor.relative_variance / frames))
    assert inner.std() / inner.mean() == pytest.approx(np.sqrt(floor.relative_variance), rel=0.35)


def test_gain_moves_the_floor_and_nothing_else() -> None:
    samples = white(np.random.default_rng(2), 240_000)
    low, *_ = floors(samples, 240_000, [40_000.0])
    high, *_ = floors(samples * np.float32(4), 240_000, [40_000.0])
    np.testing.assert_allclose(high, 16 * low, rtol=1e-3)


def test_strong_stations_around_do_not_raise_it() -> None:
    rng = np.random.default_rng(3)
    rate_hz = 480_000
    samples = white(rng, rate_hz)
    quiet, *_ = floors(samples, rate_hz, [0.0])
    n = np.arange(len(samples))
    for offset_hz in (-90_000, -60_000, 25_000, 50_000, 120_000):
        swing = 3 * np.sin(2 * np.pi * 800 * n / rate_hz)
        samples = samples + (10 * np.exp(1j * (2 * np.pi * offset_hz * n / rate_hz + swing))).astype(
            np.complex64
        )
    busy, *_ = floors(samples, rate_hz, [0.0])
    assert 10 * np.log10(busy[0, 1:].mean() / quiet[0, 1:].mean()) < 0.6  # 60 dB stations, over the noise


def test_broadband_rise_is_followed_in_the_same_frame() -> None:
    rng = np.random.default_rng(4)
    samples = white(rng, 240_000)
    rise_at = 120_000
    samples[rise_at:] *= 2
    got, bank, _ = floors(samples, 240_000, [40_000.0])
    frame = rise_at // bank.shape.hop_samples
    before, after = got[0, 1 : frame - 1].mean(), got[0, frame + 1 :].mean()
    assert after / before == pytest.approx(4, rel=0.05)
    assert got[0, frame + 1] / after == pytest.approx(1, abs=0.25)


def test_spectrum_that_the_front_end_never_fills_is_no_reference() -> None:
    rng = np.random.default_rng(5)
    rate_hz = 96_000
    samples = white(rng, 2 * rate_hz)
    spectrum = np.fft.fft(samples)
    frequency_hz = np.fft.fftfreq(len(samples), 1 / rate_hz)
    full, *_ = floors(samples, rate_hz, [0.0])
    spectrum[np.abs(frequency_hz) > 24_000] *= 1e-3  # half of the span is dead
    dead, *_ = floors(np.fft.ifft(spectrum).astype(np.complex64), rate_hz, [0.0])
    assert 10 * np.log10(dead[0, 20:].mean() / full[0, 20:].mean()) == pytest.approx(0, abs=0.7)


def test_silence_has_no_floor() -> None:
    got, *_ = floors(np.zeros(60_000, np.complex64), 240_000, [0.0])
    assert (got == 0).all()


def test_references_that_change_tell_by_how_much_the_floor_moved() -> None:
    """Half of the span goes dead after two seconds: the floor is taken elsewhere and says so."""
    rng = np.random.default_rng(6)
    rate_hz = 96_000
    bank = Channelizer(rate_hz, [ChannelCut(0.0, 11_000)])
    floor = NoiseFloor(bank.shape, bank.cuts, bank.noise_bandwidth_hz)
    spectrum = np.fft.fft(white(rng, 14 * rate_hz))
    spectrum[np.abs(np.fft.fftfreq(len(spectrum), 1 / rate_hz)) > 30_000] *= 1e-3
    late = np.fft.ifft(spectrum).astype(np.complex64)
    moved = []
    last = 0.0
    for piece in bank.push(np.concatenate([white(rng, 2 * rate_hz), late])):
        got = floor.push(cell_powers(piece.spectra))[0].mean()
        if floor.moved is not None:
            moved.append((float(floor.moved[0]), got / last))
        last = got
    assert moved
    for told, seen in moved:
        assert told == pytest.approx(seen, rel=0.25)
