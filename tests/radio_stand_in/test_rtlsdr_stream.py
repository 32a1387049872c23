"""An RTL-SDR through pyrtlsdr and the stand-in driver library: tuning, sample counts, gain, settings."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples, IqBlock
from tests.radio_stand_in.placing import COUNTER_MODULUS, StandIn
from watcher.errors import RadioError
from watcher.radio.live import LiveRadio, LiveStream, RadioLost
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.rtlsdr_settings import RtlSdrSettings

CENTRE_HZ = 146_500_000
MOST_SCATTER_S = 0.01  # of the least lateness, on a busy machine
FIXED = RtlSdrSettings(gain_db=28.0)
Open = Callable[..., RtlSdrRadio]


@pytest.fixture
def opened(stand_in: StandIn) -> Iterator[Open]:
    """Makes radios, opens them, and closes them after the test."""
    radios: list[RtlSdrRadio] = []

    def make(settings: RtlSdrSettings = FIXED, **where: object) -> RtlSdrRadio:
        radio = RtlSdrRadio(settings, **where)  # type: ignore[arg-type]
        radios.append(radio)
        radio.open()
        return radio

    yield make
    for radio in radios:
        radio.close()


def read_blocks(stream: LiveStream, count: int) -> list[IqBlock]:
    blocks = []
    for _ in range(count):
        block = stream.read(2.0)
        assert block is not None
        blocks.append(block)
    return blocks


def counter(samples: ComplexSamples) -> NDArray[np.int64]:
    """The counter that the stand-in put into I and Q: (u - 127.5) / 127.5 turned back into u."""
    low = np.rint(samples.real * 127.5 + 127.5).astype(np.int64)
    return low + 256 * np.rint(samples.imag * 127.5 + 127.5).astype(np.int64)


def assert_counts_are_true(blocks: list[IqBlock]) -> None:
    """Every sample stands at the count that the stand-in gave it, through all that was lost."""
    for block in blocks:
        expected = (block.first_sample + np.arange(len(block.samples))) % COUNTER_MODULUS
        assert np.array_equal(counter(block.samples), expected)


def assert_seams_are_told(blocks: list[IqBlock]) -> None:
    stop = 0
    for block in blocks:
        assert block.first_sample - stop == block.lost_before
        stop = block.stop_sample


def test_a_stream_is_gap_free_and_byte_exact(opened: Open, stand_in: StandIn) -> None:
    radio: LiveRadio = opened()
    assert (stand_in.state("gain_tenth_db"), stand_in.state("manual")) == (280, 1)
    stream = radio.tune(CENTRE_HZ)
    before = datetime.now(UTC)
    blocks = read_blocks(stream, 8)
    assert all(block.lost_before == 0 for block in blocks)
    assert_seams_are_told(blocks)
    assert_counts_are_true(blocks)
    assert {(block.sample_rate_hz, block.centre_hz) for block in blocks} == {(2_400_000, CENTRE_HZ)}
    assert (stream.facts.sample_rate_hz, stream.facts.centre_hz) == (2_400_000, CENTRE_HZ)
    assert abs(stream.facts.anchor_utc - before) < timedelta(seconds=0.2)
    stream.stop()
    stream.stop()
    assert stream.read(0.1) is None
    assert stand_in.state("centre_hz") == CENTRE_HZ


def test_blocks_are_not_the_drivers_memory(opened: Open, stand_in: StandIn) -> None:
    """The stand-in fills its buffer with 0xA5 once a block was handed over."""
    (first, *_) = blocks = read_blocks(opened().tune(CENTRE_HZ), 6)
    assert not np.any(np.all(first.samples.view(np.float32) == np.float32((0xA5 - 127.5) / 127.5)))
    assert_counts_are_true(blocks)


def test_a_late_consumer_loses_whole_blocks_and_is_told(opened: Open, stand_in: StandIn) -> None:
    stand_in.set(pace=40, overflows=0)  # what is lost is lost in our ring
    radio = opened()
    stream = radio.tune(CENTRE_HZ)
    blocks = read_blocks(stream, 1)
    time.sleep(0.25)  # 10 s of samples at 40 times real time: three times what the ring holds
    blocks += read_blocks(stream, 80)
    assert_seams_are_told(blocks)
    assert_counts_are_true(blocks)
    assert sum(block.lost_before for block in blocks) > 2_400_000
    stream.stop()
    assert any("blocks were dropped because the watch was too slow" in note for note in radio.notes())


def test_what_the_driver_loses_without_a_word_is_found_by_the_clock(opened: Open, stand_in: StandIn) -> None:
    radio = opened(RtlSdrSettings(sample_rate_hz=3_200_000, gain_db=0.0))
    stream = radio.tune(CENTRE_HZ)
    blocks = read_blocks(stream, 4)
    stand_in.set(drop_every=2)
    blocks += read_blocks(stream, 4)
    stand_in.set(drop_every=0)
    blocks += read_blocks(stream, 27)
    lost = sum(block.lost_before for block in blocks)
    assert stand_in.count("lost_samples") >= 3 * 131_072
    assert abs(lost - stand_in.count("lost_samples")) < MOST_SCATTER_S * 3_200_000
    assert_seams_are_told(blocks)
    truth = (counter(blocks[-1].samples)[0] - blocks[-1].first_sample) % COUNTER_MODULUS
    error = min(truth, COUNTER_MODULUS - truth)
    assert error < MOST_SCATTER_S * 3_200_000
    stream.stop()
    assert any("missing by the clock" in note for note in radio.notes())


def test_short_blocks_of_odd_length_lose_nothing(opened: Open, stand_in: StandIn) -> None:
    stand_in.set(short_every=2, pace=10, overflows=0)
    radio = opened()
    stream = radio.tune(CENTRE_HZ)
    blocks = read_blocks(stream, 12)
    assert all(block.lost_before == 0 for block in blocks)
    assert_counts_are_true(blocks)
    assert_seams_are_told(blocks)
    stream.stop()
    assert any("came short, with nothing lost" in note for note in radio.notes())


def test_tuning_again_ends_the_earlier_stream(opened: Open, stand_in: StandIn) -> None:
    stand_in.set(pace=10)
    radio = opened()
    for centre_hz in (CENTRE_HZ, 462_600_000, CENTRE_HZ):
        stream = radio.tune(centre_hz)
        (block,) = read_blocks(stream, 1)
        assert (block.first_sample, block.centre_hz) == (0, centre_hz)
        assert stand_in.state("centre_hz") == centre_hz
    assert (stand_in.count("opens"), stand_in.count("reads")) == (1, 3)


def test_a_radio_can_be_closed_while_it_streams_and_opened_again(opened: Open, stand_in: StandIn) -> None:
    radio = opened()
    for _ in range(3):
        radio.tune(CENTRE_HZ)
        radio.close()
        radio.close()
        radio.open()
        radio.open()
    assert stand_in.count("opens") == 4


def test_every_setting_reaches_the_driver_and_the_antenna_supply_goes_off(
    opened: Open, stand_in: StandIn
) -> None:
    radio = opened(
        RtlSdrSettings(
            sample_rate_hz=1_024_000, gain_db=40.0, driver_ppm=3, bias_tee=True, direct_sampling="q"
        )
    )
    assert [stand_in.state(key) for key in ("bias_tee", "direct", "ppm", "gain_tenth_db")] == [1, 2, 3, 402]
    (note,) = radio.notes()
    assert note == ("RTL-SDR: gain 40 dB was asked for; 40.2 dB is set, the nearest it has")
    radio.tune(7_100_000)
    radio.close()
    assert (stand_in.state("bias_tee"), stand_in.state("open")) == (0, 0)


def test_the_antenna_supply_is_left_alone_where_nobody_asks(opened: Open, stand_in: StandIn) -> None:
    opened(RtlSdrSettings(gain_db=0.0))
    assert [stand_in.state(key) for key in ("bias_tee", "direct", "ppm")] == [0, 0, 0]


def test_a_receiver_is_found_by_its_serial(opened: Open, stand_in: StandIn) -> None:
    stand_in.set(present=3)
    radio = opened(serial="ridge-2")
    assert radio.label == "RTL-SDR ridge-2"
    assert (stand_in.state("open", 0), stand_in.state("open", 1)) == (0, 1)


def test_the_first_of_several_is_used_and_the_others_are_named(opened: Open, stand_in: StandIn) -> None:
    stand_in.set(present=2)
    assert opened().notes() == [
        "RTL-SDR: 2 receivers are plugged in and the first is used; name one by its serial: "
        '"00000001", "ridge-2"'
    ]
    with pytest.raises(RadioLost, match="RTL-SDR number 2: only 2 plugged in, counted from 0"):
        RtlSdrRadio(FIXED, index=2).open()


def test_two_receivers_of_one_serial_are_told_apart_by_index_only(opened: Open, stand_in: StandIn) -> None:
    stand_in.set(present=2)
    stand_in.set_serial(1, "00000001")
    with pytest.raises(RadioError, match='2 receivers have the serial "00000001"; give index instead'):
        RtlSdrRadio(FIXED, serial="00000001").open()
    opened(index=1)
    assert stand_in.state("open", 1) == 1


@pytest.mark.parametrize("rate_hz", [225_000, 300_001, 900_000, 3_200_001])
def test_a_rate_that_the_receiver_has_not_is_refused_before_it_is_opened(rate_hz: int) -> None:
    with pytest.raises(RadioError, match=f"sample_rate_hz is {rate_hz}; an RTL-SDR has 225001 to 300000 or"):
        RtlSdrSettings(sample_rate_hz=rate_hz)


def test_a_frequency_beyond_the_drivers_count_is_refused(opened: Open) -> None:
    with pytest.raises(RadioError, match="4294967296 Hz cannot be tuned"):
        opened().tune(2**32)


def test_automatic_gain_is_measured_set_and_explained(opened: Open, stand_in: StandIn) -> None:
    """The lowest gain at which the floor stands 10 dB above what the converter makes alone.

    Without noise the stand-in's converter sits on the edge between two codes and gives half a step either way
    in I and in Q: 2 (1 / 255)², -45.1 dBFS. With noise a converter adds step² / 12 to each (Bennett 1948),
    -49.9 dBFS for both. -35.1 dBFS in all takes -35.3 of noise, 39.7 dB over the -75 at 0 dB; the tuner has
    38.6 and 40.2.
    """
    stand_in.set(source=1, noise_db=-75)
    radio = opened(RtlSdrSettings(gain_db="auto"))
    stream = radio.tune(CENTRE_HZ)
    (note,) = radio.notes()
    gain_db = stand_in.state("gain_tenth_db") / 10
    assert note.startswith(f"RTL-SDR: gain {gain_db:g} dB is set at 146.500 MHz: the noise floor stands 1")
    assert gain_db == 40.2
    assert stream.read(1.0) is not None
    began = stand_in.count("reads")
    assert radio.tune(CENTRE_HZ).read(1.0) is not None
    assert stand_in.count("reads") == began + 1  # known there: not measured again
    assert radio.notes() == []


def test_automatic_gain_leaves_room_under_a_strong_station(opened: Open, stand_in: StandIn) -> None:
    """A carrier of -30 dBFS at 0 dB stands 6 dB under full scale at 24 dB of gain."""
    stand_in.set(source=1, noise_db=-90, carrier_db=-30, carrier_hz=CENTRE_HZ + 300_000)
    radio = opened(RtlSdrSettings(gain_db="auto"))
    radio.tune(CENTRE_HZ)
    assert stand_in.state("gain_tenth_db") in (207, 229)  # 24 dB itself is none of its steps
    (note,) = radio.notes()
    assert "dBFS" in note and "10 dB would be right" in note
