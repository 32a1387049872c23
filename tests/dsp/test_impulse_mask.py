"""Impulses are found at their instants, in every channel alike, and nothing else is taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.channelizer import ChannelCut, Channelizer, cell_powers
from dsp.frame_measures import measure_frames
from dsp.impulse_mask import ImpulseMask
from dsp.noise_floor import NoiseFloor

RATE_HZ = 240_000
CUTS = (ChannelCut(-50_000, 11_000), ChannelCut(37_500, 16_000))
SECONDS = 2


def noise(rng: np.random.Generator, power: float = 1.0) -> np.ndarray:
    parts = rng.standard_normal((2, SECONDS * RATE_HZ)) * np.sqrt(power / 2)
    return np.asarray(parts[0] + 1j * parts[1], dtype=np.complex64)


def arcs(
    rng: np.random.Generator, ratio_db: float, width_s: float = 0.3e-3, every_s: float = 0.01
) -> np.ndarray:
    """Bursts of noise in step with the mains."""
    on = (np.arange(SECONDS * RATE_HZ) / RATE_HZ + 0.004) % every_s < width_s
    return np.asarray(noise(rng, 10 ** (ratio_db / 10)) * on)


def station(offset_hz: float, cnr_db: float, on: np.ndarray | float = 1.0) -> np.ndarray:
    """A carrier, its ratio in 11 kHz of noise of power 1 over the span."""
    n = np.arange(SECONDS * RATE_HZ)
    amplitude = np.sqrt(10 ** (cnr_db / 10) * 11_000 / RATE_HZ)
    return np.asarray(amplitude * on * np.exp(2j * np.pi * offset_hz * n / RATE_HZ), dtype=np.complex64)


class Looked:
    """What a mask found in one stream: clear instants, channel powers and floors, frame by frame."""

    def __init__(self, samples: np.ndarray) -> None:
        self.bank = Channelizer(RATE_HZ, CUTS)
        floor = NoiseFloor(self.bank.shape, self.bank.cuts, self.bank.noise_bandwidth_hz)
        self.mask = ImpulseMask(self.bank.shape, CUTS)
        clear, powers, floors = [], [], []
        self.found = 0  # slices
        for piece in self.bank.push(samples):
            here = floor.push(cell_powers(piece.spectra))
            if self.mask.push(piece, floor.typical_cells):
                self.found += 1
                self.mask.floor_between(here, floor.typical())
            mask = self.mask.clear(200)
            clear.append(np.ones((len(piece.spectra), 200), dtype=bool) if mask is None else mask)
            powers.append(measure_frames(piece.blocks[0].samples, 200, mask).power)
            floors.append(here)
        self.clear = np.concatenate(clear).reshape(-1)
        self.power = np.concatenate(powers, axis=1)[0]
        self.floor = np.concatenate(floors, axis=1)[0]


def test_noise_and_stations_hold_no_impulse() -> None:
    rng = np.random.default_rng(1)
    assert Looked(noise(rng)).clear.mean() > 0.999
    keyed = (np.arange(SECONDS * RATE_HZ) / RATE_HZ * 50) % 1 < 0.2  # 4 ms of every 20
    ramp = np.hanning(480) / np.hanning(480).sum()
    pulsed = station(80_000, 50.0, np.convolve(keyed, ramp, mode="same"))
    assert Looked(noise(rng) + station(12_500, 60.0) + pulsed).clear.mean() > 0.999


@pytest.mark.parametrize(("ratio_db", "width_s"), [(10.0, 0.3e-3), (25.0, 0.3e-3), (20.0, 1e-3)])
def test_arcs_are_left_out_and_little_else(ratio_db: float, width_s: float) -> None:
    rng = np.random.default_rng(2)
    looked = Looked(noise(rng) + arcs(rng, ratio_db, width_s))
    hit = np.flatnonzero(~looked.clear[160:]) + 160  # the first arc falls at 6 ms, channel sample 96
    since_arc_s = (hit / 16_000 + 0.004) % 0.01
    # 1 ms either side is what the filter's strongest ringing takes.
    near = (since_arc_s < width_s + 1e-3) | (since_arc_s > 0.009)
    assert near.mean() > 0.99  # a few instants of noise reach the threshold too
    assert 0.95 > looked.clear[160:].mean() > 1 - (width_s + 2e-3) / 0.01


@pytest.mark.parametrize("ratio_db", [10.0, 25.0])
def test_channel_stands_to_its_floor_between_arcs_as_without_them(ratio_db: float) -> None:
    """Both are the noise alone: power in the channel's noise bandwidth, by the definition of the latter."""
    rng = np.random.default_rng(3)
    looked = Looked(noise(rng) + arcs(rng, ratio_db) + station(60_000, 50.0))
    expected = looked.bank.noise_bandwidth_hz[0] / RATE_HZ
    assert looked.found
    assert looked.power[40:].mean() == pytest.approx(expected, rel=0.06)
    assert looked.floor[40:].mean() == pytest.approx(expected, rel=0.06)


def test_edges_are_looked_for_without_the_impulses() -> None:
    rng = np.random.default_rng(4)
    looked = Looked(noise(rng) + arcs(rng, 30.0))
    samples = np.arange(16_000, 24_000).astype(np.complex64)  # each tells its own place
    passed = looked.mask.without_impulses(samples, 16_000, 200)
    clear = looked.clear[16_000:24_000]
    kept = np.arange(len(samples))
    np.testing.assert_array_equal(passed[clear], samples[clear])
    first = int(np.argmax(clear))
    before = np.maximum.accumulate(np.where(clear, kept, 0))
    np.testing.assert_array_equal(passed[first:].real, before[first:] + 16_000)


def test_a_burst_longer_than_a_frame_is_no_impulse() -> None:
    rng = np.random.default_rng(5)
    rise = np.ones(SECONDS * RATE_HZ, np.float32)
    rise[RATE_HZ // 2 : RATE_HZ] = 2.0
    looked = Looked(noise(rng) * rise)
    inside = looked.clear[9_000:15_000]
    assert inside.all()


def test_span_with_room_for_few_bands_is_left_alone() -> None:
    bank = Channelizer(48_000, [ChannelCut(0, 11_000)])
    mask = ImpulseMask(bank.shape, bank.cuts)
    rng = np.random.default_rng(6)
    struck = (noise(rng) + arcs(rng, 30.0))[:48_000]
    for piece in bank.push(struck):
        assert not mask.push(piece, np.ones(24, np.float32))
        assert mask.clear(200) is None
    assert mask.without_impulses(struck, 0, 200) is struck


def test_reset_forgets_the_impulses() -> None:
    rng = np.random.default_rng(7)
    looked = Looked(noise(rng) + arcs(rng, 30.0))
    assert not looked.clear.all()
    looked.mask.reset()
    samples = np.ones(8_000, np.complex64)
    assert looked.mask.without_impulses(samples, 16_000, 200) is samples
