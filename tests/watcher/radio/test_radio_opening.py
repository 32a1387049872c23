"""From a plan's radio to a radio of that kind; and other receivers through a library that may be missing."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

from watcher.errors import RadioError
from watcher.plan import Radio
from watcher.radio.live import LiveRadio, RadioLost
from watcher.radio.network_radio import NetworkRadio
from watcher.radio.opening import KINDS, open_radio
from watcher.radio.played_recording import PlayedRecording
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.soapy import SoapyRadio


@pytest.mark.parametrize(
    ("radio", "made", "label"),
    [
        (Radio(kind="rtlsdr"), RtlSdrRadio, "RTL-SDR"),
        (Radio(kind="rtlsdr", serial="00000001"), RtlSdrRadio, "RTL-SDR 00000001"),
        (Radio(kind="rtlsdr", index=2), RtlSdrRadio, "RTL-SDR number 2"),
        (
            Radio(kind="network", address="192.0.2.7:1234"),
            NetworkRadio,
            "networked RTL-SDR at 192.0.2.7:1234",
        ),
        (Radio(kind="network", address="[::1]:1234"), NetworkRadio, "networked RTL-SDR at [::1]:1234"),
        (Radio(kind="soapy", driver="driver=ridge"), SoapyRadio, "radio driver=ridge"),
        (Radio(kind="recording", path=Path("air.wav")), PlayedRecording, "recording air.wav"),
    ],
)
def test_each_kind_is_made_and_nothing_is_opened(radio: Radio, made: type, label: str) -> None:
    opened = open_radio(radio)
    assert isinstance(opened, made) and opened.label == label


def test_every_kind_is_tried_above() -> None:
    assert set(KINDS) == {"rtlsdr", "network", "soapy", "recording"}


@pytest.mark.parametrize(
    ("radio", "sentence"),
    [
        (Radio(), "radio: kind is missing; it must be one of rtlsdr, network, soapy, recording"),
        (Radio.model_construct(kind="x"), 'radio: kind is "x"; it must be one of rtlsdr, network, soapy'),
        (
            Radio(kind="rtlsdr", sample_rate_hz=500_000),
            "radio: sample_rate_hz is 500000; an RTL-SDR has 225001",
        ),
        (Radio.model_construct(kind="network", address="x"), 'radio: address is "x"; it must be like'),
        (
            Radio.model_construct(kind="recording"),
            "radio: path is missing; it must be the path of a recording",
        ),
        (Radio.model_construct(kind="soapy"), "radio: driver is missing; it must name the receiver"),
    ],
)
def test_what_cannot_be_made_is_one_sentence(radio: Radio, sentence: str) -> None:
    with pytest.raises(RadioError) as told:
        open_radio(radio)
    assert str(told.value).startswith(sentence) and not isinstance(told.value, RadioLost)


class SoapyDevice:
    """What the library's Python part offers of a receiver, as its documented calls; noise that follows the
    gain."""

    gone = False
    noise_db = -80.0

    def __init__(self, driver: str) -> None:
        if driver == "driver=none":
            raise RuntimeError("no match")
        self.set: dict[str, float] = {}
        self.open_streams = 0
        self.is_closed = False
        self._rng = np.random.default_rng(5)

    def setSampleRate(self, _way: int, _channel: int, rate: float) -> None:
        self.set["rate"] = rate

    def getSampleRate(self, _way: int, _channel: int) -> float:
        return self.set["rate"]

    def setGainMode(self, _way: int, _channel: int, by_itself: bool) -> None:
        self.set["by itself"] = by_itself

    def setGain(self, _way: int, _channel: int, gain_db: float) -> None:
        self.set["gain"] = gain_db

    def getGainRange(self, _way: int, _channel: int) -> Any:
        return SimpleNamespace(minimum=lambda: 0.0, maximum=lambda: 60.0)

    def setFrequency(self, _way: int, _channel: int, centre: float) -> None:
        if centre > 6e9:
            raise RuntimeError("out of range")
        self.set["centre"] = centre

    def setupStream(self, _way: int, _format: str, _channels: list[int]) -> str:
        self.open_streams += 1
        return "stream"

    def activateStream(self, _stream: str) -> None: ...

    def deactivateStream(self, _stream: str) -> None: ...

    def closeStream(self, _stream: str) -> None:
        self.open_streams -= 1

    def readStream(self, _stream: str, rooms: list[np.ndarray], size: int, timeoutUs: int) -> Any:
        if SoapyDevice.gone:
            return SimpleNamespace(ret=-7)
        power = 10 ** (-100 / 10) + 10 ** ((self.noise_db + self.set.get("gain", 0)) / 10)
        parts = self._rng.normal(0, (power / 2) ** 0.5, (size, 2)).astype(np.float32)
        rooms[0][:] = parts.view(np.complex64)[:, 0]
        return SimpleNamespace(ret=size)

    def close(self) -> None:
        self.is_closed = True


@pytest.fixture
def devices(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[SoapyDevice]]:
    """A library whose receivers are kept for the test."""
    made: list[SoapyDevice] = []

    def device(driver: str) -> SoapyDevice:
        made.append(SoapyDevice(driver))
        return made[-1]

    library = ModuleType("SoapySDR")
    for name, value in {
        "Device": device,
        "SOAPY_SDR_RX": 1,
        "SOAPY_SDR_CF32": "CF32",
        "SOAPY_SDR_TIMEOUT": -1,
        "SOAPY_SDR_OVERFLOW": -4,
    }.items():
        setattr(library, name, value)
    monkeypatch.setitem(sys.modules, "SoapySDR", library)
    monkeypatch.setattr(SoapyDevice, "gone", False)
    yield made
    assert all(each.is_closed and each.open_streams == 0 for each in made)


def test_another_receiver_streams_with_a_gain_that_was_measured(devices: list[SoapyDevice]) -> None:
    """Converter -100 dBFS, antenna -80 at 0 dB: every gain hides it, so that 10 dB over the lowest is 12
    dB."""
    radio: LiveRadio = SoapyRadio("driver=ridge", sample_rate_hz=1_000_000)
    radio.open()
    stream = radio.tune(146_500_000)
    block = stream.read(1.0)
    assert block is not None and (block.first_sample, block.sample_rate_hz) == (0, 1_000_000)
    assert devices[0].set == {"rate": 1e6, "by itself": False, "gain": 12.0, "centre": 146.5e6}
    assert any("gain 12.0 dB is set at 146.500 MHz: the noise floor stands" in note for note in radio.notes())
    radio.close()
    radio.close()


def test_another_receiver_that_goes_away_is_lost(
    devices: list[SoapyDevice], monkeypatch: pytest.MonkeyPatch
) -> None:
    radio = SoapyRadio("driver=ridge", gain_db=30.0)
    radio.open()
    stream = radio.tune(146_500_000)
    assert stream.read(1.0) is not None
    monkeypatch.setattr(SoapyDevice, "gone", True)
    with pytest.raises(RadioLost, match=r"went away while it was read \(code -7\)"):
        while True:
            stream.read(1.0)
    with pytest.raises(RadioLost, match=r"could not be tuned to 7000.000000 MHz \(out of range\)"):
        radio.tune(7_000_000_000)
    radio.close()
    with pytest.raises(RadioLost, match="is not open"):
        radio.tune(146_500_000)


def test_another_receiver_that_is_not_there_is_lost(devices: list[SoapyDevice]) -> None:
    with pytest.raises(RadioLost, match=r"radio driver=none could not be opened \(no match\)"):
        SoapyRadio("driver=none").open()


def test_the_library_may_be_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "SoapySDR", None)
    with pytest.raises(RadioError, match="SoapySDR cannot be loaded") as told:
        SoapyRadio("driver=ridge").open()
    assert not isinstance(told.value, RadioLost)
