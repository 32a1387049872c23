"""From what a plan says of a radio to the radio; nothing is opened yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol

from watcher.errors import RadioError
from watcher.radio.live import LiveRadio
from watcher.radio.network_radio import NetworkRadio
from watcher.radio.played_recording import PlayedRecording
from watcher.radio.rtlsdr import RtlSdrRadio
from watcher.radio.rtlsdr_settings import USUAL_RATE_HZ, DirectSampling, Gain, RtlSdrSettings
from watcher.radio.soapy import SoapyRadio


class RadioWanted(Protocol):
    """What is asked of a radio; :class:`watcher.plan.model.Radio` is one, and this room does not know
    plans."""

    @property
    def kind(self) -> str | None: ...
    @property
    def serial(self) -> str | None: ...
    @property
    def index(self) -> int | None: ...
    @property
    def sample_rate_hz(self) -> int | None: ...
    @property
    def gain_db(self) -> Gain: ...
    @property
    def bias_tee(self) -> bool: ...
    @property
    def direct_sampling(self) -> DirectSampling: ...
    @property
    def address(self) -> str | None: ...
    @property
    def path(self) -> Path | None: ...
    @property
    def loop(self) -> bool: ...
    @property
    def driver(self) -> str | None: ...


def open_radio(radio: RadioWanted) -> LiveRadio:
    """The radio of that kind, ready for :meth:`~watcher.radio.live.LiveRadio.open`.

    Raises
    ------
    RadioError
        The kind is unknown or lacks what it needs, or the radio can never do what is asked.
    """
    make = _MAKERS.get(radio.kind or "")
    if make is None:
        said = "is missing" if radio.kind is None else f'is "{radio.kind}"'
        raise RadioError(f"radio: kind {said}; it must be one of {', '.join(KINDS)}")
    return make(radio)


def _settings(radio: RadioWanted) -> RtlSdrSettings:
    return RtlSdrSettings(
        sample_rate_hz=radio.sample_rate_hz or USUAL_RATE_HZ,
        gain_db=radio.gain_db,
        bias_tee=radio.bias_tee,
        direct_sampling=radio.direct_sampling,
    )


def _rtlsdr(radio: RadioWanted) -> LiveRadio:
    return RtlSdrRadio(_settings(radio), serial=radio.serial, index=radio.index)


def _network(radio: RadioWanted) -> LiveRadio:
    host, _, port = (radio.address or "").rpartition(":")
    if not host or not port.isdigit():
        raise RadioError(f'radio: address is "{radio.address or ""}"; it must be like "127.0.0.1:1234"')
    return NetworkRadio(_settings(radio), host.strip("[]"), int(port))


def _soapy(radio: RadioWanted) -> LiveRadio:
    if radio.driver is None:
        raise RadioError("radio: driver is missing; it must name the receiver to SoapySDR")
    return SoapyRadio(
        radio.driver, sample_rate_hz=radio.sample_rate_hz or USUAL_RATE_HZ, gain_db=radio.gain_db
    )


def _recording(radio: RadioWanted) -> LiveRadio:
    if radio.path is None:
        raise RadioError("radio: path is missing; it must be the path of a recording")
    return PlayedRecording(radio.path, sample_rate_hz=radio.sample_rate_hz, loop=radio.loop)


_MAKERS: Mapping[str, Callable[[RadioWanted], LiveRadio]] = {
    "rtlsdr": _rtlsdr,
    "network": _network,
    "soapy": _soapy,
    "recording": _recording,
}

KINDS = tuple(_MAKERS)
