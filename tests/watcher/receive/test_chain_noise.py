"""Noise that is not white and steady: it opens nothing and hides no call."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from dsp.blocks import IqBlock
from dsp.modulate import Impulses, NoiseRise, complex_noise
from tests.on_the_air import CENTRE_HZ, call, listed, receive, scene, seconds_in

RATE_HZ = 240_000
ONE, TWO, THREE, FOUR = (listed(offset) for offset in (37_500, -50_000, -87_500, 75_000))
CHANNELS = (ONE, TWO, THREE, FOUR)


def test_a_noise_rise_of_6_db_opens_nothing() -> None:
    rises = (NoiseRise(start_s=3.0, stop_s=8.0, rise_db=6.0), NoiseRise(start_s=9.0, stop_s=9.1, rise_db=6.0))
    heard = receive(scene(RATE_HZ, 11.0, rises=rises), CHANNELS)
    assert not heard.transmissions
    assert not heard.conditions


def test_a_noise_rise_neither_ends_nor_splits_nor_hides_a_call() -> None:
    rises = (NoiseRise(start_s=3.0, stop_s=8.0, rise_db=6.0),)
    calls = (call(ONE, 2.0, 5.0, 15.0), call(TWO, 4.0, 5.0, 12.0), call(THREE, 7.0, 10.0, 15.0))
    heard = receive(scene(RATE_HZ, 11.0, *calls, rises=rises), CHANNELS)
    spans = {one.channel: (seconds_in(one.start_utc), seconds_in(one.end_utc)) for one in heard.transmissions}
    assert len(heard.transmissions) == 3
    assert spans[ONE.name] == pytest.approx((2.0, 5.0), abs=0.015)
    assert spans[TWO.name] == pytest.approx((4.0, 5.0), abs=0.015)
    assert spans[THREE.name] == pytest.approx((7.0, 10.0), abs=0.015)


def test_recording_that_its_maker_filtered_to_one_channel_hears_calls_and_no_noise() -> None:
    """48 kS/s through a low-pass of 8 kHz: around the channel there is nothing to compare with."""
    wanted = listed(0.0)
    made = scene(48_000, 14.0, call(wanted, 4.0, 6.0, 12.0), call(wanted, 8.0, 8.5, 6.0))
    low_pass = scipy.signal.firwin(255, 8_000, fs=48_000)
    samples = scipy.signal.lfilter(low_pass, 1.0, made.render(np.random.default_rng(1)))
    block = IqBlock(samples.astype(np.complex64), 0, 48_000, CENTRE_HZ)
    first, second = receive([block], [wanted], sample_rate_hz=48_000).transmissions
    delay_s = 127 / 48_000
    for one, made_s, cnr_db in ((first, (4.0, 6.0), 12.0), (second, (8.0, 8.5), 6.0)):
        assert seconds_in(one.start_utc) - delay_s == pytest.approx(made_s[0], abs=0.015)
        assert seconds_in(one.end_utc) - delay_s == pytest.approx(made_s[1], abs=0.015)
        assert one.snr_db is not None
        assert one.snr_db.value == pytest.approx(cnr_db, abs=1.0)


@pytest.mark.parametrize("hump_db", [6.0, 10.0])
@pytest.mark.parametrize("from_s", [0.0, 3.0])
def test_a_hump_of_noise_over_one_channel_opens_nothing_and_hides_no_strong_call(
    hump_db: float, from_s: float
) -> None:
    """As a switching supply makes it: 25 kHz wide, there from the start or switched on."""
    rate_hz = RATE_HZ
    samples = scene(rate_hz, 12.0, call(ONE, 8.0, 10.0, 15.0 + hump_db)).render(np.random.default_rng(1))
    rng = np.random.default_rng(2)
    extra = complex_noise(len(samples), power=1e-3 * (10 ** (hump_db / 10) - 1), rng=rng)
    extra = scipy.signal.oaconvolve(extra, scipy.signal.firwin(481, 12_500, fs=rate_hz), mode="same")
    n = np.arange(len(samples))
    extra *= np.exp(2j * np.pi * 37_500 * n / rate_hz) * (n >= from_s * rate_hz)
    block = IqBlock((samples + extra).astype(np.complex64), 0, rate_hz, CENTRE_HZ)
    (one,) = receive([block], CHANNELS, sample_rate_hz=rate_hz).transmissions
    assert one.channel == ONE.name
    assert seconds_in(one.start_utc) == pytest.approx(8.0, abs=0.015)
    assert seconds_in(one.end_utc) == pytest.approx(10.0, abs=0.015)


@pytest.mark.parametrize(("per_second", "width_s"), [(5, 1e-3), (50, 1e-5), (100, 1e-4), (300, 1e-6)])
def test_impulses_open_nothing(per_second: float, width_s: float) -> None:
    """Ignition, fences: a microsecond to a millisecond, 30 dB over the noise (common practice, no source)."""
    impulses = (Impulses(per_second=per_second, width_s=width_s, power_dbfs=0.0),)
    assert not receive(scene(RATE_HZ, 6.0, impulses=impulses), CHANNELS).transmissions


@pytest.mark.parametrize(("per_second", "width_s"), [(20, 1e-3), (100, 1e-5)])
def test_a_call_under_impulses_is_one_transmission(per_second: float, width_s: float) -> None:
    impulses = (Impulses(per_second=per_second, width_s=width_s, power_dbfs=0.0),)
    heard = receive(scene(RATE_HZ, 7.0, call(ONE, 2.0, 5.0, 12.0), impulses=impulses), CHANNELS)
    (one,) = heard.transmissions
    # An impulse of a millisecond just ahead of the carrier may be taken for its rise: early, never late.
    assert 1.7 < seconds_in(one.start_utc) < 2.02
    assert 4.98 < seconds_in(one.end_utc) < 5.3


@pytest.mark.parametrize(
    ("per_second", "width_s", "over_noise_db"), [(100, 3e-4, 25.0), (100, 1e-3, 20.0), (500, 1e-4, 25.0)]
)
def test_calls_at_9_db_are_heard_under_the_arcs_of_the_mains(
    per_second: float, width_s: float, over_noise_db: float
) -> None:
    """A gap that sparks in each half-wave of 50 Hz (common practice, no source)."""
    impulses = (Impulses(per_second=per_second, width_s=width_s, power_dbfs=-30.0 + over_noise_db),)
    calls = [call(channel, 1.0 + 0.7 * n, 3.0 + 0.7 * n, 9.0) for n, channel in enumerate(CHANNELS)]
    heard = receive(scene(RATE_HZ, 7.0, *calls, impulses=impulses), CHANNELS)
    for channel, made in zip(CHANNELS, calls, strict=True):
        (one,) = heard.on(channel)
        # An impulse just ahead of the carrier may be taken for its rise: early, never late.
        assert made.start_s - 0.3 < seconds_in(one.start_utc) < made.start_s + 0.02
        assert made.stop_s - 0.02 < seconds_in(one.end_utc) < made.stop_s + 0.1
