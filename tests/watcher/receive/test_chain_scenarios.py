"""Whole evenings in small: an 8-bit radio with its faults, stations that overlap, fade and double."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from dsp.modulate import Birdie, Emission, Fading, FrontEnd, Impulses
from tests.on_the_air import BEGAN_UTC, CENTRE_HZ, call, listed, receive, scene, seconds_in, speech, utc_at
from watcher.receive.records import EndedBy

RATE_HZ = 240_000
CHANNELS = tuple(listed(offset) for offset in (-87_500, -50_000, -37_500, 25_000, 62_500, 87_500))
TONES_HZ = (None, 67.0, None, 100.0, 123.0, 203.5)
STICK = FrontEnd(
    zero_spike_dbfs=-32.0,
    skirt_dbfs=-45.0,
    gain_imbalance_db=0.2,
    phase_imbalance_deg=1.0,
    birdies=(Birdie(offset_hz=-12_000.0, power_dbfs=-35.0),),
    edge_droop_db=3.0,
)


def evening() -> list[Emission]:
    """Fourteen transmissions on six channels, 6 to 30 dB, up together for much of the time."""
    rng = np.random.default_rng(14)
    made = []
    for n in range(14):
        number = n % 6
        start = 0.8 + 5.0 * (n // 6) + 0.3 * number
        tone_hz = TONES_HZ[number]
        made.append(
            call(
                CHANNELS[number],
                start,
                start + float(rng.uniform(1.2, 3.8)),
                float(rng.uniform(6.0, 30.0)),
                modulation=speech(n % 4, tone_hz=tone_hz),
                error_hz=float(rng.uniform(-500, 500)),
            )
        )
    return made


def test_evening_on_a_cheap_radio_is_heard_as_it_was() -> None:
    made = scene(RATE_HZ, 17.0, *evening(), noise_dbfs=-30.0, front_end=STICK, eight_bit=True)
    heard = receive(made, CHANNELS)
    truth = made.truth()
    assert len(heard.transmissions) == len(truth) == 14
    for sent in truth:
        (one,) = (t for t in heard.on(sent.label) if abs(t.start_sample - sent.start_sample) < 0.25 * RATE_HZ)
        assert one.start_sample == pytest.approx(sent.start_sample, abs=0.015 * RATE_HZ)
        assert one.stop_sample == pytest.approx(sent.stop_sample, abs=0.015 * RATE_HZ)
        assert one.snr_db is not None
        assert one.snr_db.value == pytest.approx(sent.cnr_db, abs=1.0)
        assert one.tone is not None
        assert one.tone.tone_hz == sent.tone_hz


@pytest.mark.parametrize("eight_bit", [False, True])
def test_front_end_alone_opens_nothing(eight_bit: bool) -> None:
    made = scene(
        RATE_HZ,
        20.0,
        noise_dbfs=-30.0,
        front_end=STICK,
        eight_bit=eight_bit,
        impulses=(Impulses(per_second=8.0, width_s=2e-5, power_dbfs=-3.0),),
    )
    on_the_faults = (listed(0, name="zero"), listed(-12_500, name="birdie"))
    heard = receive(made, (*CHANNELS, *on_the_faults))
    assert not heard.transmissions
    assert {one.channel for one in heard.conditions} == {"zero", "birdie"}


def test_conditions_lie_within_the_time_that_was_watched() -> None:
    on_the_faults = (listed(0, name="zero"), listed(-12_500, name="birdie"))
    heard = receive(scene(RATE_HZ, 5.003, noise_dbfs=-30.0, front_end=STICK), on_the_faults)
    assert len(heard.conditions) == 2
    for one in heard.conditions:
        assert one.start_utc >= BEGAN_UTC
        assert one.stop_utc <= utc_at(5.003)


@pytest.mark.parametrize(("doppler_hz", "cnr_db"), [(4.0, 20.0), (20.0, 15.0)])
def test_fading_station_is_heard_and_not_cut_to_shreds(doppler_hz: float, cnr_db: float) -> None:
    """Walking and driving at 146 MHz make 1 to 15 Hz of Doppler (speed over wavelength).

    Clarke's model stays under -10 dB of its mean for 10 % of the time, in fades of some 0.13 / doppler s:
    30 ms at 4 Hz (W. C. Jakes, 1974, ch. 1; from memory). So little of 6 s is lost, few fades last 200 ms.
    """
    faded = call(CHANNELS[3], 1.0, 7.0, cnr_db, fading=Fading(doppler_hz=doppler_hz))
    heard = receive(scene(RATE_HZ, 8.0, faded), CHANNELS[3:5])
    assert 1 <= len(heard.transmissions) <= 2
    assert sum(one.seconds for one in heard.transmissions) > 0.9 * 6.0
    assert all(before.end_utc <= after.start_utc for before, after in pairwise(heard.transmissions))


def test_two_stations_at_once_on_a_channel_are_one_transmission() -> None:
    doubled = (call(CHANNELS[3], 1.0, 4.0, 15.0), call(CHANNELS[3], 2.0, 6.0, 12.0, error_hz=350.0))
    (one,) = receive(scene(RATE_HZ, 7.0, *doubled), CHANNELS).transmissions
    assert seconds_in(one.start_utc) == pytest.approx(1.0, abs=0.015)
    assert seconds_in(one.end_utc) == pytest.approx(6.0, abs=0.015)


def test_stations_that_answer_each_other_keep_their_tones_apart() -> None:
    tones_hz = (67.0, 100.0, None, 254.1)
    calls = [
        call(CHANNELS[3], 0.8 + 2.3 * n, 2.8 + 2.3 * n, 14.0, modulation=speech(n, tone_hz=tone_hz))
        for n, tone_hz in enumerate(tones_hz)
    ]
    heard = receive(scene(RATE_HZ, 11.0, *calls), CHANNELS)
    assert [one.tone.tone_hz if one.tone else None for one in heard.transmissions] == list(tones_hz)


def test_recording_that_begins_and_ends_in_mid_transmission_on_every_channel() -> None:
    calls = [call(channel, -1.0, 5.0, 8.0 + 3 * n) for n, channel in enumerate(CHANNELS)]
    heard = receive(scene(RATE_HZ, 4.0, *calls, front_end=STICK, eight_bit=True), CHANNELS)
    assert len(heard.transmissions) == len(CHANNELS)
    for one in heard.transmissions:
        assert one.on_at_start
        assert one.start_utc == BEGAN_UTC
        assert one.ended_by == EndedBy.END_OF_SAMPLES
        number = next(n for n, channel in enumerate(CHANNELS) if channel.name == one.channel)
        if abs(CHANNELS[number].frequency_hz - CENTRE_HZ) < 0.3 * RATE_HZ:
            # farther out the tuner's slope lowers the noise under a station that never gave way to it
            assert one.snr_db is not None
            assert one.snr_db.value == pytest.approx(8.0 + 3 * number, abs=1.0)


def test_every_channel_busy_at_once_leaves_the_floor_alone() -> None:
    """Sixteen of the nineteen 12.5 kHz channels of the span are up: the floor must not rise with them."""
    band = [listed(12_500.0 * n) for n in range(-8, 9) if n]
    calls = [call(channel, 1.0, 3.0, 20.0, modulation=speech(n % 4)) for n, channel in enumerate(band)]
    heard = receive(scene(RATE_HZ, 4.0, *calls), band)
    assert len(heard.transmissions) == len(band)
    for one in heard.transmissions:
        assert one.snr_db is not None
        assert one.snr_db.value == pytest.approx(20.0, abs=2.0)
