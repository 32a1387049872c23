"""The filter bank: what it promises about filters, seams, centres and delays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.channelizer import ChannelCut, Channelizer, cell_powers
from dsp.filter_bank_design import (
    RIPPLE_DB,
    STOP_BAND_DB,
    TRANSITION_HZ,
    noise_bandwidth_hz,
    noise_lag_one,
    prototype,
    shape_for_rate,
)

RATES_HZ = [
    16_000,
    20_000,
    44_100,
    48_000,
    96_000,
    225_000,
    225_001,
    250_000,
    1_024_000,
    2_048_000,
    2_400_000,
    3_200_000,
]
RNG_SEED = 20310504


def white(count: int, seed: int = RNG_SEED) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return ((rng.standard_normal(count) + 1j * rng.standard_normal(count)) / np.sqrt(2)).astype(np.complex64)


def run(bank: Channelizer, samples: np.ndarray, cuts: list[int]) -> list[np.ndarray]:
    """Push the samples cut at the given places; join each group's blocks."""
    parts: list[list[np.ndarray]] = [[] for _ in bank.groups]
    for piece in np.split(samples, cuts):
        for made in bank.push(piece):
            for group, block in enumerate(made.blocks):
                parts[group].append(block.samples)
    for made in bank.finish():
        for group, block in enumerate(made.blocks):
            parts[group].append(block.samples)
    return [np.concatenate(group, axis=1) for group in parts]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_shape_keeps_hop_overlap_and_channel_frames_whole(rate_hz: int) -> None:
    shape = shape_for_rate(rate_hz)
    assert shape.filter_length <= 2 * shape.half_overlap + 1
    assert shape.filter_length % 2 == 1
    for pass_band_hz in (6_500, 11_000, 14_000, 16_000):
        bins = shape.bins_for(pass_band_hz)
        if bins == shape.fft_length:
            continue
        assert bins * shape.hop_samples % shape.fft_length == 0
        assert bins * shape.half_overlap % shape.fft_length == 0
        assert bins * shape.bin_hz >= pass_band_hz + 2 * TRANSITION_HZ - 1e-6


def test_rate_too_low_is_refused_with_the_figure() -> None:
    with pytest.raises(ValueError, match="sample_rate_hz is 15999; it must be at least 16000"):
        shape_for_rate(15_999)


@pytest.mark.parametrize("rate_hz", [48_000, 250_000, 2_400_000])
@pytest.mark.parametrize("pass_band_hz", [6_500, 11_000, 16_000])
def test_prototype_meets_its_promises(rate_hz: int, pass_band_hz: int) -> None:
    shape = shape_for_rate(rate_hz)
    taps = prototype(shape, pass_band_hz)
    count = 1 << 20
    response_db = 20 * np.log10(np.maximum(np.abs(np.fft.rfft(taps, count)), 1e-12))
    frequency_hz = np.arange(len(response_db)) * rate_hz / count
    inside = response_db[frequency_hz <= pass_band_hz / 2]
    outside = response_db[frequency_hz >= pass_band_hz / 2 + TRANSITION_HZ]
    assert np.ptp(inside) <= RIPPLE_DB
    assert outside.max() <= -STOP_BAND_DB


def test_tone_in_a_channel_keeps_amplitude_frequency_and_phase() -> None:
    rate_hz, offset_hz, away_hz = 250_000, 31_234.5, 2_000.0
    n = np.arange(60_000)
    tone = np.exp(2j * np.pi * ((offset_hz + away_hz) * n / rate_hz + 0.1)).astype(np.complex64)
    bank = Channelizer(rate_hz, [ChannelCut(offset_hz, 11_000)])
    got = run(bank, tone, [])[0][0]
    at = np.arange(len(got)) / float(bank.groups[0].rate_ratio)
    expected = np.exp(2j * np.pi * (away_hz * at / rate_hz + 0.1))
    inner = slice(100, -100)  # away from the silence assumed before and after
    np.testing.assert_allclose(got[inner], expected[inner], atol=2e-4)


def test_neighbour_at_its_own_channel_is_80_db_down() -> None:
    rate_hz, offset_hz = 2_400_000, 200_000.0
    n = np.arange(600_000)
    neighbour = np.exp(2j * np.pi * (offset_hz + 12_500) * n / rate_hz).astype(np.complex64)
    got = run(Channelizer(rate_hz, [ChannelCut(offset_hz, 11_000)]), neighbour, [])[0][0]
    assert 10 * np.log10(np.mean(np.abs(got[100:-100]) ** 2)) < -STOP_BAND_DB


def test_noise_keeps_its_density() -> None:
    bank = Channelizer(250_000, [ChannelCut(40_000.0, 11_000), ChannelCut(-60_000.0, 16_000)])
    samples = white(2_000_000)
    for channel, got in enumerate(run(bank, samples, [])):
        expected = bank.noise_bandwidth_hz[channel] / 250_000
        # 2 M samples hold about 98 000 independent ones in 12 kHz: 0.3 % of scatter.
        assert np.mean(np.abs(got) ** 2) == pytest.approx(expected, rel=0.015)


def test_noise_bandwidth_and_lag_follow_from_the_taps() -> None:
    shape = shape_for_rate(250_000)
    taps = prototype(shape, 11_000)
    correlation = np.correlate(taps, taps, "full")
    middle = len(taps) - 1
    assert noise_bandwidth_hz(shape, 11_000) == pytest.approx(250_000 * correlation[middle] / taps.sum() ** 2)
    lag = noise_lag_one(shape, 11_000, 250_000 / 15)
    assert lag == pytest.approx(correlation[middle + 15] / correlation[middle], abs=1e-6)


@settings(max_examples=25)
@given(
    cuts=st.lists(st.integers(0, 30_000), max_size=12).map(sorted),
    rate_hz=st.sampled_from([48_000, 96_000, 250_000]),
)
def test_any_split_of_the_stream_gives_the_same_channels(cuts: list[int], rate_hz: int) -> None:
    channels = [ChannelCut(1_000.0, 11_000), ChannelCut(-9_876.5, 16_000)]
    samples = white(30_000)
    whole = run(Channelizer(rate_hz, channels), samples, [])
    for left, right in zip(whole, run(Channelizer(rate_hz, channels), samples, cuts), strict=True):
        np.testing.assert_allclose(left, right, atol=1e-5)


def test_one_sample_at_a_time_is_the_same_too() -> None:
    channels = [ChannelCut(-3_000.0, 11_000)]
    samples = white(2_000)
    whole = run(Channelizer(48_000, channels), samples, [])[0]
    single = run(Channelizer(48_000, channels), samples, list(range(1, 2_000)))[0]
    np.testing.assert_allclose(whole, single, atol=1e-5)


@pytest.mark.parametrize("count", [0, 1, 599, 600, 601, 9_599, 9_600, 9_601, 20_000])
def test_every_instant_with_input_has_output(count: int) -> None:
    bank = Channelizer(48_000, [ChannelCut(0.0, 11_000)])
    blocks = [block for made in (*bank.push(white(count)), *bank.finish()) for block in made.blocks]
    got = sum(block.samples.shape[1] for block in blocks)
    assert got == -(-count // 3)
    for block in blocks:
        assert block.first_sample % 600 == 0


def test_reset_forgets_what_came_before() -> None:
    bank = Channelizer(48_000, [ChannelCut(5_000.0, 11_000)])
    first = run(bank, white(10_000), [])
    bank.reset()
    list(bank.push(white(7_000, seed=1)))
    bank.reset()
    np.testing.assert_array_equal(first[0], run(bank, white(10_000), [])[0])


def test_channel_outside_the_span_is_refused_with_the_figures() -> None:
    with pytest.raises(
        ValueError, match="offset_hz is 20000; with a pass band of 11000 Hz it must lie within 18500"
    ):
        Channelizer(48_000, [ChannelCut(20_000.0, 11_000)])


def test_shift_inside_the_span_moves_the_channel_and_nothing_else() -> None:
    samples = white(100_000)
    n = np.arange(len(samples))
    moved = (samples * np.exp(2j * np.pi * 7_013.0 * n / 250_000)).astype(np.complex64)
    still = run(Channelizer(250_000, [ChannelCut(20_000.0, 11_000)]), samples, [])[0]
    shifted = run(Channelizer(250_000, [ChannelCut(27_013.0, 11_000)]), moved, [])[0]
    inner = slice(50, -50)
    np.testing.assert_allclose(shifted[:, inner], still[:, inner], atol=2e-4)


def test_cells_of_white_noise_sum_to_its_power() -> None:
    samples = white(3840 * 64).reshape(64, 3840)
    cells = cell_powers(np.fft.fft(samples).astype(np.complex64))
    assert cells.shape == (64, 120)
    assert cells.sum(axis=1).mean() == pytest.approx(np.mean(np.abs(samples) ** 2), rel=0.01)


def test_cells_stand_in_order_of_frequency_and_leakage_dies() -> None:
    n = np.arange(3840)
    tone = np.exp(2j * np.pi * 0.2503 * n)[None]
    cells = cell_powers(np.fft.fft(tone).astype(np.complex64))[0]
    assert np.argmax(cells) == int((0.2503 + 0.5) * 120)
    far = np.abs(np.arange(120) - np.argmax(cells)) > 5
    assert 10 * np.log10(cells[far].max() / cells.max()) < -100
