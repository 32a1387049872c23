"""Other receivers, through the general-purpose library SoapySDR where it is installed."""

from __future__ import annotations

import importlib
import threading
from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np

from watcher.errors import RadioError
from watcher.radio.block_ring import BlockRing
from watcher.radio.clocks import running_s, utc_now
from watcher.radio.gain_choice import GainStep, choose_gain
from watcher.radio.gain_sweep import KeptGains, measure_step
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import STALL_S, Ending, RingStream, block_bytes_for, ring_for
from watcher.radio.rtlsdr_settings import USUAL_RATE_HZ, Gain
from watcher.radio.sample_formats import SIGMF_FORMATS

FORMAT = SIGMF_FORMATS["cf32_le"]
READ_WAIT_US = 100_000
END_WAIT_S = 2.5
GAIN_STEP_DB = 3.0
LEAST_LOSS_S = 0.05  # drivers differ in how evenly they deliver
LOOK_BLOCKS = 80  # a second at the usual rate


class SoapyRadio:
    """A :class:`~watcher.radio.live.LiveRadio` over SoapySDR's first receiving channel.

    Parameters
    ----------
    driver : str
        What names the receiver, as SoapySDR takes it: `driver=…,serial=…`.
    sample_rate_hz : int
    gain_db : float or "auto"
    stall_s : float
        Silence after which the radio counts as stalled.
    clock, now : callable
        Seconds that never step; the system clock.
    """

    def __init__(
        self,
        driver: str,
        *,
        sample_rate_hz: int = USUAL_RATE_HZ,
        gain_db: Gain = "auto",
        stall_s: float = STALL_S,
        clock: Callable[[], float] = running_s,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        self._driver = driver
        self._asked_rate_hz = sample_rate_hz
        self._gain_db = gain_db
        self._stall_s = stall_s
        self._clock = clock
        self._now = now
        self._library: Any = None
        self._device: Any = None
        self._rate_hz = sample_rate_hz
        self._stream: RingStream | None = None
        self._kept_gains = KeptGains(clock)
        self._notes: list[str] = []

    @property
    def label(self) -> str:
        """Kind and what names it."""
        return f"radio {self._driver}"

    def open(self) -> None:
        """Take the receiver.

        Raises
        ------
        RadioLost
            It is not there or busy.
        RadioError
            SoapySDR is not installed.
        """
        if self._device is not None:
            return
        try:
            self._library = importlib.import_module("SoapySDR")
        except Exception as cause:
            raise RadioError(
                f"{self.label}: SoapySDR cannot be loaded ({type(cause).__name__}: {cause}); install it "
                "with its Python part and the receiver's own module"
            ) from cause
        device = self._try("could not be opened", lambda: self._library.Device(self._driver))
        try:
            self._try(
                f"refused {self._asked_rate_hz} samples/s",
                lambda: device.setSampleRate(self._way, 0, float(self._asked_rate_hz)),
            )
            self._rate_hz = round(self._try("tells no rate", lambda: device.getSampleRate(self._way, 0)))
            self._try("refused a gain set by hand", lambda: device.setGainMode(self._way, 0, False))
            if self._gain_db != "auto":
                gain_db = self._gain_db
                self._try(f"refused {gain_db:g} dB", lambda: device.setGain(self._way, 0, gain_db))
        except BaseException:
            self._give_back(device)
            raise
        self._device = device

    def tune(self, centre_hz: int) -> RingStream:
        """Begin a stream around a frequency.

        Raises
        ------
        RadioLost
            The receiver refuses the frequency or is gone.
        """
        if self._device is None:
            raise RadioLost(f"{self.label} is not open; open it again")
        self._end_stream()
        self._try(
            f"could not be tuned to {centre_hz / 1e6:.6f} MHz",
            lambda: self._device.setFrequency(self._way, 0, float(centre_hz)),
        )
        stream = self._begin(centre_hz)
        if self._gain_db == "auto":
            self._choose_gain(stream, centre_hz)
            self._end_stream(told=False)
            stream = self._begin(centre_hz)
        return stream

    def close(self) -> None:
        """Give the receiver back; never fails, may be called twice."""
        self._end_stream()
        device, self._device = self._device, None
        if device is not None:
            self._give_back(device)

    def notes(self) -> list[str]:
        """Sentences since the last call; about a stream, once it has ended."""
        told, self._notes = self._notes, []
        return told

    @property
    def _way(self) -> Any:
        return self._library.SOAPY_SDR_RX

    def _try(self, what: str, call: Callable[[], Any]) -> Any:
        """The library raises RuntimeError for everything a receiver refuses."""
        try:
            return call()
        except RuntimeError as failure:
            raise RadioLost(
                f"{self.label} {what} ({failure}); check its plug and that nobody else uses it"
            ) from failure

    def _give_back(self, device: Any) -> None:
        try:
            device.close()
        except RuntimeError as failure:
            self._notes.append(f"{self.label} could not be closed ({failure})")

    def _begin(self, centre_hz: int) -> RingStream:
        device, library = self._device, self._library
        block_bytes = block_bytes_for(self._rate_hz, FORMAT.sample_bytes)
        ring = ring_for(self._rate_hz, FORMAT.sample_bytes, block_bytes)
        ending = Ending(threading.Event())
        stop_wanted = threading.Event()
        source = self._try(
            "gave no stream", lambda: device.setupStream(self._way, library.SOAPY_SDR_CF32, [0])
        )
        self._try("did not begin its stream", lambda: device.activateStream(source))

        def read_all() -> None:
            try:
                _read(
                    device,
                    source,
                    library,
                    ring=ring,
                    block_bytes=block_bytes,
                    stop_wanted=stop_wanted,
                    ending=ending,
                    clock=self._clock,
                )
            except BaseException as failure:  # noqa: BLE001 - told by the stream
                ending.cause = f"could not be read on ({type(failure).__name__}: {failure})"
            finally:
                ending.ended.set()
                ring.end()

        thread = threading.Thread(target=read_all, name=self.label, daemon=True)
        thread.start()

        def end() -> None:
            if stop_wanted.is_set():
                return
            stop_wanted.set()
            thread.join(END_WAIT_S)
            if thread.is_alive():
                self._notes.append(f"{self.label}: the driver did not end the stream when it was asked to")

        self._stream = RingStream(
            ring,
            FORMAT,
            sample_rate_hz=self._rate_hz,
            centre_hz=centre_hz,
            label=self.label,
            ending=ending,
            end=end,
            least_loss_samples=round(LEAST_LOSS_S * self._rate_hz),
            look_blocks=LOOK_BLOCKS,
            stall_s=self._stall_s,
            clock=self._clock,
            now=self._now,
        )
        return self._stream

    def _end_stream(self, told: bool = True) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.stop()
            self._notes += stream.notes() if told else []

    def _choose_gain(self, stream: RingStream, centre_hz: int) -> None:
        device = self._device
        span = self._try("names no gains", lambda: device.getGainRange(self._way, 0))
        steps = max(1, round((span.maximum() - span.minimum()) / GAIN_STEP_DB))
        gains = [float(g) for g in np.linspace(span.minimum(), span.maximum(), steps + 1)]
        index = self._kept_gains.at(centre_hz)

        def set_gain(step: int) -> None:
            self._try(f"refused {gains[step]:.1f} dB", lambda: device.setGain(self._way, 0, gains[step]))

        def measure(step: int) -> GainStep:
            set_gain(step)
            return measure_step(stream, self.label, settle_s=0.1)

        if index is None:
            choice = choose_gain([f"{gain_db:.1f} dB" for gain_db in gains], measure)
            index = choice.index
            if self._kept_gains.keep(centre_hz, index):
                where = f"{centre_hz / 1e6:.3f} MHz"
                self._notes.append(
                    f"{self.label}: gain {gains[index]:.1f} dB is set at {where}: {choice.why}"
                )
        set_gain(index)


def _read(
    device: Any,
    source: Any,
    library: Any,
    *,
    ring: BlockRing,
    block_bytes: int,
    stop_wanted: threading.Event,
    ending: Ending,
    clock: Callable[[], float],
) -> None:
    """Copy what comes into the ring until told to stop or an error comes; the clock finds losses."""
    room = np.zeros(block_bytes // FORMAT.sample_bytes, np.complex64)
    try:
        while not stop_wanted.is_set():
            got = device.readStream(source, [room], len(room), timeoutUs=READ_WAIT_US).ret
            if got > 0:
                ring.put(room[:got].view(np.uint8), clock())
            elif got not in (0, library.SOAPY_SDR_TIMEOUT, library.SOAPY_SDR_OVERFLOW):
                ending.cause = f"went away while it was read (code {got}); check its plug and its cable"
                return
    finally:
        device.deactivateStream(source)
        device.closeStream(source)
