"""What cheap receivers make themselves becomes a channel's condition; what a station sends stays its own."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.modulate import Audio, Birdie, Ctcss, Emission, Fm, FrontEnd, Unmodulated
from tests.on_the_air import Heard, MemoryClips, call, listed, receive, scene, seconds_in, spoken, utc_at
from watcher.plan.model import Channel
from watcher.receive.chain import SHORT_LIVED_S
from watcher.receive.records import ConditionKind, EndedBy

RATE_HZ = 240_000
NOISE_DBFS = -30.0
CENTRE, ONE, TWO, THREE = (listed(offset) for offset in (0, 37_500, -50_000, 75_000))


def birdie(channel: Channel, cnr_db: float, *, off_hz: float = 0.0, drift_hz_per_s: float = 0.0) -> Birdie:
    """A birdie on a channel, its ratio in 11 kHz."""
    return Birdie(
        offset_hz=channel.frequency_hz - CENTRE.frequency_hz + off_hz,
        power_dbfs=NOISE_DBFS + 10 * np.log10(11_000 / RATE_HZ) + cnr_db,
        drift_hz_per_s=drift_hz_per_s,
    )


def with_birdies(seconds: float, *birdies: Birdie, calls: tuple[Emission, ...] = ()) -> Heard:
    made = scene(RATE_HZ, seconds, *calls, noise_dbfs=NOISE_DBFS, front_end=FrontEnd(birdies=birdies))
    return receive(made, [CENTRE, ONE, TWO, THREE])


# --- the spike at zero frequency -------------------------------------------------------------------------


@pytest.mark.parametrize(("spike_dbfs", "skirt_dbfs"), [(-20.0, None), (-30.0, -50.0), (-45.0, None)])
def test_spike_at_zero_is_a_condition_of_the_channel_on_it(
    spike_dbfs: float, skirt_dbfs: float | None
) -> None:
    front_end = FrontEnd(zero_spike_dbfs=spike_dbfs, skirt_dbfs=skirt_dbfs)
    heard = receive(scene(RATE_HZ, 8.0, front_end=front_end), [CENTRE, ONE, TWO])
    assert not heard.transmissions
    (condition,) = heard.conditions
    assert condition.channel == CENTRE.name
    assert condition.kind == ConditionKind.ZERO_FREQUENCY_SPIKE
    assert (seconds_in(condition.start_utc), seconds_in(condition.stop_utc)) == (0.0, 8.0)
    assert condition.offset_hz == pytest.approx(0.0, abs=20.0)
    assert "radio's own centre frequency" in condition.evidence


def test_spike_beside_the_channels_opens_none_of_them() -> None:
    front_end = FrontEnd(zero_spike_dbfs=-15.0, skirt_dbfs=-25.0)
    beside = [listed(12_500), listed(-12_500), ONE]
    heard = receive(scene(RATE_HZ, 8.0, front_end=front_end), beside)
    assert not heard.transmissions
    assert not heard.conditions


FLOOR_DBFS = NOISE_DBFS + 10 * np.log10(11_000 / RATE_HZ)


@pytest.mark.parametrize(("spike_db", "skirt_db"), [(13.4, 3.4), (9.0, 1.0), (18.7, 7.7), (26.0, -4.0)])
def test_spike_with_a_strong_skirt_is_no_transmission(spike_db: float, skirt_db: float) -> None:
    """Both over the noise of the channel; (13.4, 3.4) is flicker noise 10 dB under the spike."""
    front_end = FrontEnd(zero_spike_dbfs=FLOOR_DBFS + spike_db, skirt_dbfs=FLOOR_DBFS + skirt_db)
    heard = receive(scene(RATE_HZ, 8.0, noise_dbfs=NOISE_DBFS, front_end=front_end), [CENTRE, ONE])
    assert not heard.transmissions
    (condition,) = heard.conditions
    assert condition.kind == ConditionKind.ZERO_FREQUENCY_SPIKE


@pytest.mark.parametrize(("cnr_db", "error_hz"), [(10.0, -800.0), (15.0, 300.0), (25.0, 0.0)])
def test_a_station_on_the_spike_and_its_skirt_is_heard(cnr_db: float, error_hz: float) -> None:
    front_end = FrontEnd(zero_spike_dbfs=FLOOR_DBFS + 20.0, skirt_dbfs=FLOOR_DBFS + 3.0)
    made = call(CENTRE, 5.3, 7.3, cnr_db, error_hz=error_hz)
    heard = receive(scene(RATE_HZ, 10.0, made, noise_dbfs=NOISE_DBFS, front_end=front_end), [CENTRE])
    (one,) = heard.transmissions
    assert seconds_in(one.start_utc) == pytest.approx(5.3, abs=0.1)
    assert seconds_in(one.end_utc) == pytest.approx(7.3, abs=0.05)


@pytest.mark.parametrize("tone_hz", [67.0, 254.1])
@pytest.mark.parametrize("sample_rate_hz", [48_000, RATE_HZ])
def test_a_tone_alone_at_the_radios_centre_is_a_station_and_no_skirt(
    tone_hz: float, sample_rate_hz: int
) -> None:
    """Up since before the watch, where a spike would stand: a repeater that holds its carrier and tone."""
    silence = Audio(samples=np.zeros(16_000, np.float32), rate_hz=16_000, repeats=True)
    held = call(CENTRE, -1.0, 8.0, 15.0, modulation=Fm(audio=silence, tone=Ctcss(tone_hz=tone_hz)))
    heard = receive(scene(sample_rate_hz, 10.0, held), [CENTRE])
    (one,) = heard.transmissions
    assert not heard.conditions
    assert one.tone is not None and one.tone.tone_hz == tone_hz
    assert seconds_in(one.end_utc) == pytest.approx(8.0, abs=0.015)


# --- images ----------------------------------------------------------------------------------------------


def test_image_of_a_strong_unlisted_station_is_a_condition() -> None:
    """0.2 dB and 1 degree make an image 37 dB down: 21 dB over the noise for a station at 58 dB."""
    strong = call(listed(50_000), 2.0, 7.0, 58.0)
    front_end = FrontEnd(gain_imbalance_db=0.2, phase_imbalance_deg=1.0)
    heard = receive(scene(RATE_HZ, 10.0, strong, front_end=front_end), [ONE, TWO, THREE])
    assert not heard.transmissions
    (condition,) = heard.conditions
    assert condition.channel == TWO.name
    assert condition.kind == ConditionKind.IMAGE
    assert seconds_in(condition.start_utc) == pytest.approx(2.0, abs=0.3)
    assert seconds_in(condition.stop_utc) == pytest.approx(7.0, abs=0.3)
    assert "mirrored copy" in condition.evidence


def test_image_that_pauses_for_long_is_told_twice() -> None:
    front_end = FrontEnd(gain_imbalance_db=0.2, phase_imbalance_deg=1.0)
    strong = (call(listed(50_000), 1.0, 2.0, 58.0), call(listed(50_000), 10.0, 11.0, 58.0))
    heard = receive(scene(RATE_HZ, 12.0, *strong, front_end=front_end), [TWO])
    first, second = sorted(heard.conditions, key=lambda one: one.start_utc)
    assert first.stop_utc < second.start_utc


def station_under_an_image(cnr_db: float = 25.0) -> Heard:
    """An image 13 dB over the noise, and on its channel a station, 25 dB over the noise unless said."""
    front_end = FrontEnd(gain_imbalance_db=0.2, phase_imbalance_deg=1.0)
    calls = (call(listed(50_000), 1.0, 8.0, 50.0), call(TWO, 3.0, 5.0, cnr_db))
    return receive(scene(RATE_HZ, 9.0, *calls, front_end=front_end), [ONE, TWO])


def test_station_on_the_image_frequency_is_heard_over_the_image() -> None:
    (one,) = station_under_an_image().on(TWO)
    assert 2.5 < seconds_in(one.start_utc) < 3.05
    assert 4.95 < seconds_in(one.end_utc) < 5.3


@pytest.mark.parametrize("cnr_db", [19.0, 25.0, 33.0])
def test_times_of_a_station_over_an_image_are_good_to_15_ms(cnr_db: float) -> None:
    (one,) = station_under_an_image(cnr_db).on(TWO)
    assert seconds_in(one.start_utc) == pytest.approx(3.0, abs=0.015)
    assert seconds_in(one.end_utc) == pytest.approx(5.0, abs=0.015)


# --- birdies ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cnr_db", [3.0, 10.0, 30.0])
@pytest.mark.parametrize("off_hz", [-1800.0, 400.0])
def test_birdie_there_from_the_start_is_a_condition(cnr_db: float, off_hz: float) -> None:
    heard = with_birdies(8.0, birdie(ONE, cnr_db, off_hz=off_hz))
    assert not heard.transmissions
    (condition,) = heard.conditions
    assert condition.channel == ONE.name
    assert condition.kind == ConditionKind.STEADY_CARRIER
    assert condition.offset_hz == pytest.approx(off_hz, abs=20.0)
    assert condition.snr_db == pytest.approx(cnr_db, abs=1.0)
    assert (seconds_in(condition.start_utc), seconds_in(condition.stop_utc)) == (0.0, 8.0)


def test_birdie_leaves_no_clip() -> None:
    clips = MemoryClips()
    made = scene(RATE_HZ, 8.0, front_end=FrontEnd(birdies=(birdie(ONE, 12.0),)))
    receive(made, [ONE, TWO], clips=clips)
    assert not clips.finished
    assert len(clips.discarded) == clips.opened == 1


@pytest.mark.parametrize("seconds", [0.5, 2.0])
def test_recording_too_short_to_tell_still_calls_an_idle_carrier_a_condition(seconds: float) -> None:
    heard = with_birdies(seconds, birdie(ONE, 12.0))
    assert not heard.transmissions
    (condition,) = heard.conditions
    assert seconds_in(condition.stop_utc) == pytest.approx(seconds, abs=0.02)


@pytest.mark.parametrize("drift_hz_per_s", [-2.0, 20.0, 100.0])
def test_birdie_that_drifts_across_a_channel_is_a_condition(drift_hz_per_s: float) -> None:
    heard = with_birdies(12.0, birdie(ONE, 12.0, drift_hz_per_s=drift_hz_per_s))
    assert not heard.transmissions
    assert [one.kind for one in heard.conditions] == [ConditionKind.STEADY_CARRIER]


@pytest.mark.parametrize("drift_hz_per_s", [60.0, 300.0])
def test_birdie_that_drifts_into_a_channel_is_no_transmission(drift_hz_per_s: float) -> None:
    """It enters the pass band at 3 s and has got 0.5 to 2.5 kHz into it at the end."""
    off_hz = -5_500.0 - 3.0 * drift_hz_per_s
    heard = with_birdies(13.0, birdie(ONE, 12.0, off_hz=off_hz, drift_hz_per_s=drift_hz_per_s))
    assert not heard.transmissions


@pytest.mark.parametrize("cnr_db", [6.0, 12.0, 20.0])
def test_station_over_a_birdie_is_heard(cnr_db: float) -> None:
    heard = with_birdies(12.0, birdie(ONE, 10.0, off_hz=400.0), calls=(call(ONE, 6.0, 9.0, cnr_db),))
    (one,) = heard.transmissions
    (condition,) = heard.conditions
    assert one.channel == condition.channel == ONE.name
    assert one.ended_by == EndedBy.CARRIER_DROP
    # it is heard whole; how closely its times are known is the next test's matter
    assert 5.5 < seconds_in(one.start_utc) < 6.05
    assert 8.95 < seconds_in(one.end_utc) < 9.3


@pytest.mark.parametrize("cnr_db", [6.0, 12.0, 20.0, 30.0])
def test_times_of_a_station_over_a_birdie_are_good_to_15_ms(cnr_db: float) -> None:
    heard = with_birdies(12.0, birdie(ONE, 10.0, off_hz=400.0), calls=(call(ONE, 6.0, 9.0, cnr_db),))
    (one,) = heard.transmissions
    assert seconds_in(one.start_utc) == pytest.approx(6.0, abs=0.015)
    assert seconds_in(one.end_utc) == pytest.approx(9.0, abs=0.015)


def test_station_over_a_birdie_in_its_first_seconds_ends_when_it_ends() -> None:
    heard = with_birdies(14.0, birdie(ONE, 10.0, off_hz=400.0), calls=(call(ONE, 1.0, 2.5, 20.0),))
    (one,) = heard.transmissions
    assert seconds_in(one.end_utc) == pytest.approx(2.5, abs=0.3)
    assert [condition.kind for condition in heard.conditions] == [ConditionKind.STEADY_CARRIER]


def test_two_stations_over_a_birdie_are_two() -> None:
    calls = (call(ONE, 5.0, 6.5, 15.0), call(ONE, 7.5, 9.0, 15.0))
    heard = with_birdies(11.0, birdie(ONE, 8.0), calls=calls)
    assert len(heard.on(ONE)) == 2


def test_birdie_that_stops_and_a_station_after_it() -> None:
    """Up for longer than any short carrier: nobody's; what comes after it is heard as on any channel."""
    fell = SHORT_LIVED_S + 2.0
    bare = call(ONE, -1.0, fell, 12.0, modulation=Unmodulated())
    made = scene(96_000, fell + 4.0, bare, call(ONE, fell + 1.0, fell + 3.0, 12.0))
    heard = receive(made, [ONE])
    (condition,) = heard.conditions
    assert seconds_in(condition.stop_utc) == pytest.approx(fell, abs=0.1)
    (one,) = heard.transmissions
    assert seconds_in(one.start_utc) == pytest.approx(fell + 1.0, abs=0.015)


# --- bare carriers of stations ---------------------------------------------------------------------------


@pytest.mark.parametrize("seconds", [0.5, 2.0, 8.0])
@pytest.mark.parametrize("cnr_db", [6.0, 20.0])
def test_short_unmodulated_carrier_is_a_transmission(seconds: float, cnr_db: float) -> None:
    bare = call(ONE, 2.0, 2.0 + seconds, cnr_db, modulation=Unmodulated())
    heard = receive(scene(RATE_HZ, 3.0 + seconds, bare), [ONE, TWO])
    (one,) = heard.transmissions
    assert not heard.conditions
    assert seconds_in(one.start_utc) == pytest.approx(2.0, abs=0.015)
    assert seconds_in(one.end_utc) == pytest.approx(2.0 + seconds, abs=0.015)


@pytest.mark.parametrize("seconds", [0.6, 1.5, 5.0])
def test_unmodulated_carrier_up_at_the_start_that_soon_drops_is_a_transmission(seconds: float) -> None:
    bare = call(ONE, -1.0, seconds, 12.0, modulation=Unmodulated())
    heard = receive(scene(RATE_HZ, seconds + 2.0, bare), [ONE, TWO])
    (one,) = heard.transmissions
    assert not heard.conditions
    assert one.on_at_start
    assert seconds_in(one.start_utc) == 0.0
    assert seconds_in(one.end_utc) == pytest.approx(seconds, abs=0.03)


@pytest.mark.slow
def test_carrier_that_came_up_while_watching_and_stays_is_told_as_both() -> None:
    """Somebody may sit on the key: a transmission for the first minute, then the channel's condition."""
    bare = call(ONE, 2.0, 70.0, 12.0, modulation=Unmodulated())
    clips = MemoryClips()
    heard = receive(scene(96_000, 68.0, bare), [ONE], clips=clips)
    (one,) = heard.transmissions
    assert one.ended_by == EndedBy.TURNED_STEADY
    assert seconds_in(one.start_utc) == pytest.approx(2.0, abs=0.015)
    assert seconds_in(one.end_utc) == pytest.approx(62.0, abs=0.5)
    (condition,) = heard.conditions
    assert seconds_in(condition.stop_utc) == 68.0
    assert len(clips.finished) == 1


def late_talker() -> Heard:
    """Up when watching begins, and not a word in the first 4.5 s."""
    talker = spoken(2)
    late = Audio(samples=talker.samples, rate_hz=talker.rate_hz, start_s=5.0, repeats=True)
    emission = call(ONE, -0.5, 9.0, 15.0, modulation=Fm(audio=late, drive=4.0))
    return receive(scene(RATE_HZ, 10.0, emission), [ONE, TWO])


def test_words_after_a_long_silence_at_the_start_are_heard() -> None:
    last = late_talker().on(ONE)[-1]
    assert last.start_utc <= utc_at(4.5)
    assert seconds_in(last.end_utc) == pytest.approx(9.0, abs=0.1)


def test_words_after_a_long_silence_at_the_start_are_told_once() -> None:
    (one,) = late_talker().on(ONE)
    assert one.on_at_start
    assert seconds_in(one.end_utc) == pytest.approx(9.0, abs=0.015)
