"""Faults of an RTL-SDR: each is told in a sentence within three seconds, and nothing hangs or leaks."""

from __future__ import annotations

import importlib
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import pytest

from dsp.blocks import IqBlock
from tests.radio_stand_in.placing import StandIn
from watcher.errors import RadioError
from watcher.radio.live import LiveStream, RadioLost
from watcher.radio.ring_stream import STALL_S
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.rtlsdr_library import load_driver
from watcher.radio.rtlsdr_owner import WORK_S
from watcher.radio.rtlsdr_settings import RtlSdrSettings

CENTRE_HZ = 146_500_000
TOLD_WITHIN_S = 3.0
FIXED = RtlSdrSettings(gain_db=28.0)


@pytest.fixture
def radio(stand_in: StandIn) -> Iterator[RtlSdrRadio]:
    """A radio whose stalls are noticed sooner than in earnest; closed after the test."""
    radio = RtlSdrRadio(FIXED, stall_s=0.3)
    yield radio
    radio.close()


@contextmanager
def lost(sentence: str) -> Iterator[None]:
    """Within it the radio is lost in time, with these words."""
    began = time.monotonic()
    with pytest.raises(RadioLost, match=sentence):
        yield
    assert time.monotonic() - began < TOLD_WITHIN_S


def read_on(stream: LiveStream) -> list[IqBlock]:
    """Everything until the radio is lost."""
    blocks = []
    while True:
        if (block := stream.read(0.5)) is not None:
            blocks.append(block)


def test_absent_at_the_start_and_there_later(radio: RtlSdrRadio, stand_in: StandIn) -> None:
    stand_in.set(present=0)
    with lost("RTL-SDR: no RTL-SDR is plugged in; check its plug and its cable"):
        radio.open()
    stand_in.set(present=1)
    radio.open()
    assert radio.tune(CENTRE_HZ).read(1.0) is not None


def test_a_wrong_serial_is_told_with_those_that_are_there(stand_in: StandIn) -> None:
    stand_in.set(present=2)
    with lost('RTL-SDR east: no receiver has the serial "east"; plugged in: "00000001", "ridge-2"'):
        RtlSdrRadio(FIXED, serial="east").open()
    assert stand_in.count("opens") == 0


@pytest.mark.parametrize(
    ("knob", "sentence"),
    [
        ("busy", "RTL-SDR is in use; end the other program"),
        ("no_access", "RTL-SDR may not be used by this user"),
    ],
)
def test_a_receiver_that_cannot_be_taken_says_what_to_do(
    radio: RtlSdrRadio, stand_in: StandIn, knob: str, sentence: str
) -> None:
    stand_in.set(**{knob: 1})
    with lost(sentence):
        radio.open()
    stand_in.set(**{knob: 0})
    radio.open()


@pytest.mark.parametrize("code", [-5, 0])
def test_pulled_out_in_mid_stream(radio: RtlSdrRadio, stand_in: StandIn, code: int) -> None:
    """The driver returns an error or, just as well, success; what was received before it is still given."""
    stand_in.set(unplug_after_ms=250, unplug_code=code)
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    blocks = []
    with lost("RTL-SDR went away while it was read"):
        while True:
            blocks.append(stream.read(0.5))
    assert len(blocks) in (4, 5)  # of 54.6 ms each in 250 ms
    with lost("RTL-SDR went away while it was read"):
        stream.read(0.5)
    radio.close()
    stand_in.set(unplug_after_ms=-1)
    radio.open()
    assert radio.tune(CENTRE_HZ).read(1.0) is not None


def test_pulled_out_while_nothing_is_read(radio: RtlSdrRadio, stand_in: StandIn) -> None:
    radio.open()
    stand_in.set(present=0)
    with lost(r"could not be tuned to 146\.500000 MHz \(driver code -4\)"):
        radio.tune(CENTRE_HZ)


def test_stalled(radio: RtlSdrRadio, stand_in: StandIn) -> None:
    stand_in.set(stall_after_ms=150)
    radio.open()
    with lost(r"RTL-SDR sent no samples for 0\.3 s"):
        read_on(radio.tune(CENTRE_HZ))
    assert stand_in.state("open") == 1
    radio.close()
    stand_in.set(stall_after_ms=-1)
    radio.open()
    assert radio.tune(CENTRE_HZ).read(1.0) is not None


def test_stalled_from_the_first_block(radio: RtlSdrRadio, stand_in: StandIn) -> None:
    stand_in.set(stall_after_ms=0)
    radio.open()
    with lost(r"sent no samples for 0\.3 s"):
        read_on(radio.tune(CENTRE_HZ))
    assert max(STALL_S, WORK_S) < TOLD_WITHIN_S  # so in earnest, too


def test_a_driver_that_never_returns_is_left_and_closes_when_it_does(stand_in: StandIn) -> None:
    stand_in.set(wedge_after_ms=100)
    radio = RtlSdrRadio(FIXED, driver_wait_s=0.3)
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    assert stream.read(1.0) is not None
    began = time.monotonic()
    stream.stop()
    radio.close()
    assert time.monotonic() - began < 1
    assert any("did not end the stream" in note for note in radio.notes())
    with lost("is still held by a call that does not return"):
        radio.open()
    stand_in.set(wedge_after_ms=-1)
    time.sleep(0.1)
    radio.open()
    radio.close()
    assert stand_in.count("closes") == 2


def test_an_opening_that_hangs_is_left_and_closes_when_it_returns(stand_in: StandIn) -> None:
    stand_in.set(open_hangs_ms=500)
    radio = RtlSdrRadio(FIXED, driver_wait_s=0.2)
    began = time.monotonic()
    with pytest.raises(RadioLost, match="does not answer; unplug it, wait a few seconds"):
        radio.open()
    assert time.monotonic() - began < 0.4
    while time.monotonic() - began < 5 and stand_in.count("closes") < 1:
        time.sleep(0.05)
    assert (stand_in.count("opens"), stand_in.count("closes")) == (1, 1)


def test_a_failed_retune(radio: RtlSdrRadio, stand_in: StandIn) -> None:
    radio.open()
    radio.tune(CENTRE_HZ)
    stand_in.set(tune_fails=1)
    with lost(r"could not be tuned to 462\.600000 MHz \(driver code -1\); if it stays so"):
        radio.tune(462_600_000)
    stand_in.set(tune_fails=0)
    assert radio.tune(462_600_000).read(1.0) is not None


def test_a_refused_gain(stand_in: StandIn) -> None:
    stand_in.set(gain_fails=1)
    with lost("refused a gain of 28 dB"):
        RtlSdrRadio(FIXED).open()
    radio = RtlSdrRadio(RtlSdrSettings(gain_db="auto"))
    radio.open()
    with lost("refused a gain of 0 dB"):
        radio.tune(CENTRE_HZ)
    radio.close()


def test_pulled_out_while_the_gain_is_chosen(stand_in: StandIn) -> None:
    stand_in.set(unplug_after_ms=30, unplug_code=0)
    radio = RtlSdrRadio(RtlSdrSettings(gain_db="auto"))
    radio.open()
    with lost("went away while it was read"):
        radio.tune(CENTRE_HZ)
    radio.close()


def test_a_fault_in_our_own_callback_ends_the_stream(
    radio: RtlSdrRadio, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ctypes would print the exception and go on; the stream says it instead."""

    def broken(*_arguments: object) -> None:
        raise MemoryError("no room")

    monkeypatch.setattr("watcher.radio.block_ring.BlockRing.put_from", broken)
    radio.open()
    with lost(r"RTL-SDR could not be read on \(MemoryError: no room\)"):
        read_on(radio.tune(CENTRE_HZ))


def test_tuning_a_closed_radio(radio: RtlSdrRadio) -> None:
    with lost("RTL-SDR is not open; open it again"):
        radio.tune(CENTRE_HZ)


class Broken(ModuleType):
    """A bundle whose library lacks a function, as one that is too old does."""

    @staticmethod
    def load_librtlsdr() -> None:
        raise AttributeError("undefined symbol: rtlsdr_set_dithering")


def test_a_driver_library_that_cannot_be_loaded_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] in ("rtlsdr", "pyrtlsdrlib")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pyrtlsdrlib", Broken("pyrtlsdrlib"))
    with pytest.raises(RadioError) as told:
        RtlSdrRadio(FIXED).open()
    assert not isinstance(told.value, RadioLost)
    assert str(told.value) == (
        "the driver library of RTL-SDR receivers cannot be loaded (AttributeError: undefined symbol: "
        "rtlsdr_set_dithering); install pyrtlsdr[lib] on a 64-bit system, which brings its own"
    )


def test_the_bundled_library_has_every_call(checkout: Path) -> None:
    """The real one, in its own process: loaded, asked for receivers, of which there may be none."""
    program = (
        "from watcher.radio.rtlsdr_library import load_driver\n"
        "driver = load_driver()\n"
        "assert isinstance(driver.plugged(), list)\n"
        "names = 'open close set_direct_sampling set_sample_rate get_sample_rate set_freq_correction'\n"
        "names += ' set_center_freq get_tuner_gains set_tuner_gain set_tuner_gain_mode set_agc_mode'\n"
        "names += ' set_bias_tee reset_buffer cancel_async'\n"
        "assert all(getattr(driver._library, f'rtlsdr_{name}') for name in names.split())\n"
    )
    finished = subprocess.run(
        [sys.executable, "-c", program], cwd=checkout, capture_output=True, text=True, check=False
    )
    assert finished.returncode == 0, finished.stderr


def test_the_stand_in_is_reached_through_pyrtlsdr(stand_in: StandIn) -> None:
    (plugged,) = load_driver().plugged()
    assert (plugged.index, plugged.serial) == (0, "00000001")
    assert importlib.import_module("rtlsdr").RtlSdr.get_device_serial_addresses() == ["00000001"]
