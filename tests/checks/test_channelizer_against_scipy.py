"""A channel cut by fast convolution against scipy.signal's own mixing, filtering and decimation."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from dsp.channelizer import ChannelCut, Channelizer
from dsp.filter_bank_design import prototype


@pytest.mark.parametrize(
    ("rate_hz", "offset_hz", "pass_band_hz"),
    [
        (48_000, 0.0, 11_000),
        (250_000, -50_000.3, 11_000),
        (250_000, 100_012.5, 6_500),
        (1_024_000, 333_333.0, 11_000),
        (2_400_000, -700_012.5, 11_000),
        (2_400_000, 1_190_000.0, 11_000),  # at the very edge: the taken bins wrap around
    ],
)
def test_channel_equals_plain_decimation(rate_hz: int, offset_hz: float, pass_band_hz: int) -> None:
    rng = np.random.default_rng(7)
    count = rate_hz // 4
    samples = (rng.standard_normal(count) + 1j * rng.standard_normal(count)).astype(np.complex64)
    bank = Channelizer(rate_hz, [ChannelCut(offset_hz, pass_band_hz)])
    blocks = [made.blocks[0].samples for made in (*bank.push(samples), *bank.finish())]
    got = np.concatenate(blocks, axis=1)[0]

    taps = prototype(bank.shape, pass_band_hz)
    mixed = samples * np.exp(-2j * np.pi * offset_hz * np.arange(count) / rate_hz)
    decimation = bank.shape.decimation
    plain = scipy.signal.oaconvolve(mixed, taps)[len(taps) // 2 :][:count:decimation]

    assert len(got) == len(plain)
    error_db = 10 * np.log10(np.mean(np.abs(got - plain) ** 2) / np.mean(np.abs(plain) ** 2))
    assert error_db < -90


def test_response_is_that_of_the_designed_filter() -> None:
    """Lines across the pass band and the transition come through as scipy.signal.freqz says."""
    rate_hz, count = 250_000, 100_000
    bank = Channelizer(rate_hz, [ChannelCut(0.0, 11_000)])
    taps = prototype(bank.shape, 11_000)
    for frequency_hz in (0.0, 1_000.0, 5_000.0, 5_500.0, 6_000.0, 6_250.0, 6_600.0):
        bank.reset()
        line = np.exp(2j * np.pi * frequency_hz * np.arange(count) / rate_hz).astype(np.complex64)
        got = np.concatenate([made.blocks[0].samples[0] for made in bank.push(line)])[200:]
        _, response = scipy.signal.freqz(taps, worN=[frequency_hz], fs=rate_hz)
        assert np.abs(got).mean() == pytest.approx(abs(response[0]), abs=3e-4)
