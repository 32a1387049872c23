"""An RTL-SDR receiver on USB as a live radio."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from datetime import datetime

from watcher.errors import RadioError
from watcher.radio.clocks import running_s, utc_now
from watcher.radio.gain_choice import GainStep, choose_gain, quantising_floor_dbfs_hz
from watcher.radio.gain_sweep import KeptGains, measure_step, wait_for_samples
from watcher.radio.live import RadioLost
from watcher.radio.ring_stream import STALL_S, Ending, RingStream, block_bytes_for, ring_for
from watcher.radio.rtlsdr_library import BUSY, NO_ACCESS, DriverLibrary, Plugged, load_driver
from watcher.radio.rtlsdr_owner import WORK_S, Reading, RtlSdrOwner
from watcher.radio.rtlsdr_settings import RtlSdrSettings
from watcher.radio.sample_formats import CU8

SWEEP_BLOCK_BYTES = 1 << 15  # 7 ms at 2.4 MS/s: a gain is measured in a few of them


class RtlSdrRadio:
    """A :class:`~watcher.radio.live.LiveRadio` over pyrtlsdr's driver library.

    Parameters
    ----------
    settings : RtlSdrSettings
        Rate, gain and the like.
    serial : str or None
        Which receiver; goes before `index`.
    index : int or None
        Which receiver by its place on the bus; the first where neither is said.
    load : callable
        Gives the driver library; called by :meth:`open`.
    stall_s : float
        Silence after which the radio counts as stalled.
    driver_wait_s : float
        Longest wait for any call of the driver.
    clock, now : callable
        Seconds that never step; the system clock.
    """

    def __init__(
        self,
        settings: RtlSdrSettings,
        *,
        serial: str | None = None,
        index: int | None = None,
        load: Callable[[], DriverLibrary] = load_driver,
        stall_s: float = STALL_S,
        driver_wait_s: float = WORK_S,
        clock: Callable[[], float] = running_s,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        self._settings = settings
        self._serial = serial
        self._index = index
        self._load = load
        self._stall_s = stall_s
        self._driver_wait_s = driver_wait_s
        self._clock = clock
        self._now = now
        self._driver: DriverLibrary | None = None
        self._owner: RtlSdrOwner | None = None
        self._stuck: RtlSdrOwner | None = None
        self._stream: RingStream | None = None
        self._reading: Reading | None = None
        self._rate_hz = settings.sample_rate_hz
        self._gains: list[int] = []
        self._kept_gains = KeptGains(clock)
        self._notes: list[str] = []

    @property
    def label(self) -> str:
        """Kind and serial number."""
        if self._serial is not None:
            return f"RTL-SDR {self._serial}"
        return "RTL-SDR" if self._index is None else f"RTL-SDR number {self._index}"

    def open(self) -> None:
        """Take the receiver and set what does not change with the frequency.

        Raises
        ------
        RadioLost
            It is not plugged in, busy, not to be used by this user, or does not answer.
        RadioError
            The driver library is missing, or two receivers have the serial number.
        """
        if self._owner is not None:
            return
        if self._stuck is not None and not self._stuck.is_gone:
            raise RadioLost(
                f"{self.label} is still held by a call that does not return; unplug it, wait a few seconds, "
                "plug it in again and start the watch anew"
            )
        self._stuck = None
        self._driver = self._load()
        plugged = self._choose(self._driver.plugged())
        self._owner = RtlSdrOwner(self._driver, self.label, self._clock, self._driver_wait_s)
        try:
            code = self._owner.open(plugged.index)
            if code < 0:
                raise RadioLost(f"{self.label} {_why_not_opened(code)}")
            self._configure(self._owner, self._driver)
        except BaseException:
            self.close()
            raise

    def tune(self, centre_hz: int) -> RingStream:
        """Begin a stream around a frequency; where the gain is "auto" and not yet known there, choose it
        first.

        Raises
        ------
        RadioLost
            The receiver refuses the frequency, is gone or does not answer.
        RadioError
            No receiver of this kind has the frequency.
        """
        if not 0 < centre_hz < 2**32:
            raise RadioError(
                f"{self.label}: {centre_hz} Hz cannot be tuned; it must be between 1 and {2**32 - 1}"
            )
        owner, driver = self._opened()
        self._end_stream()
        code = owner.work(lambda device: driver.set_centre(device, centre_hz))
        if code < 0:
            raise RadioLost(
                f"{self.label} could not be tuned to {centre_hz / 1e6:.6f} MHz (driver code {code}); "
                "if it stays so, the frequency is outside its range"
            )
        if self._settings.gain_db == "auto" and self._settings.direct_sampling == "off" and self._gains:
            self._choose_gain(centre_hz)
        block_bytes = block_bytes_for(self._rate_hz, CU8.sample_bytes)
        return self._begin(centre_hz, block_bytes)

    def close(self) -> None:
        """Give the receiver back, its antenna supply off; never fails, may be called twice."""
        self._end_stream()
        owner, self._owner = self._owner, None
        if owner is not None and not owner.give_back():
            self._stuck = owner
            self._notes.append(
                f"{self.label}: the driver does not return from its last call; it may stay busy"
            )

    def notes(self) -> list[str]:
        """Sentences since the last call; about a stream, once it has ended."""
        told, self._notes = self._notes, []
        return told

    def _opened(self) -> tuple[RtlSdrOwner, DriverLibrary]:
        if self._owner is None or self._driver is None:
            raise RadioLost(f"{self.label} is not open; open it again")
        return self._owner, self._driver

    def _choose(self, plugged: list[Plugged]) -> Plugged:
        """The receiver that was asked for."""
        if not plugged:
            raise RadioLost(f"{self.label}: no RTL-SDR is plugged in; check its plug and its cable")
        there = ", ".join(
            f'"{each.serial}"' if each.serial else "one that may not be asked" for each in plugged
        )
        if self._serial is not None:
            found = [each for each in plugged if each.serial == self._serial]
            if not found:
                raise RadioLost(
                    f'{self.label}: no receiver has the serial "{self._serial}"; plugged in: {there}'
                )
            if len(found) > 1:
                raise RadioError(
                    f'{self.label}: {len(found)} receivers have the serial "{self._serial}"; '
                    "give index instead"
                )
            return found[0]
        index = self._index or 0
        if index >= len(plugged):
            raise RadioLost(f"{self.label}: only {len(plugged)} plugged in, counted from 0: {there}")
        if self._index is None and len(plugged) > 1:
            self._notes.append(
                f"{self.label}: {len(plugged)} receivers are plugged in and the first is used; "
                f"name one by its serial: {there}"
            )
        return plugged[index]

    def _configure(self, owner: RtlSdrOwner, driver: DriverLibrary) -> None:
        """The order matters: a change of the sampling branch or of the rate tunes anew."""
        settings = self._settings

        def do(what: str, call: Callable[[int], int]) -> int:
            code = owner.work(call)
            if code < 0:
                raise RadioLost(f"{self.label} refused {what} (driver code {code}); plug it in anew")
            return code

        branch = {"off": 0, "i": 1, "q": 2}[settings.direct_sampling]
        if branch:
            do(
                f"direct sampling of {settings.direct_sampling}",
                lambda d: driver.set_direct_sampling(d, branch),
            )
        rate_hz = settings.sample_rate_hz
        do(f"{rate_hz} samples/s", lambda d: driver.set_sample_rate(d, rate_hz))
        self._rate_hz = owner.work(driver.sample_rate_hz) or rate_hz
        if settings.driver_ppm:  # 0 stands after opening, and the driver refuses what already stands
            do(
                f"a correction of {settings.driver_ppm} ppm",
                lambda d: driver.set_correction_ppm(d, settings.driver_ppm),
            )
        do("a gain set by hand", driver.set_manual_gain)
        self._gains = owner.work(driver.gains_tenth_db)
        if settings.gain_db != "auto" and self._gains:
            asked = settings.gain_db
            nearest = min(self._gains, key=lambda tenth_db: abs(tenth_db / 10 - asked))
            do(f"a gain of {nearest / 10:g} dB", lambda d: driver.set_gain(d, nearest))
            if not math.isclose(nearest / 10, asked, abs_tol=0.05):
                self._notes.append(
                    f"{self.label}: gain {asked:g} dB was asked for; {nearest / 10:g} dB is set, "
                    "the nearest it has"
                )
        if settings.bias_tee and (code := owner.set_bias_tee()) < 0:
            raise RadioLost(f"{self.label} refused to switch its antenna supply on (driver code {code})")

    def _begin(self, centre_hz: int, block_bytes: int) -> RingStream:
        owner, driver = self._opened()
        code = owner.work(driver.reset_buffer)
        if code < 0:
            raise RadioLost(
                f"{self.label} could not be made ready to read (driver code {code}); plug it in anew"
            )
        ending = Ending(threading.Event())
        ring = ring_for(self._rate_hz, CU8.sample_bytes, block_bytes)
        reading = Reading(ring, ending)
        owner.begin(reading, block_bytes)
        self._reading = reading
        self._stream = RingStream(
            ring,
            CU8,
            sample_rate_hz=self._rate_hz,
            centre_hz=centre_hz,
            label=self.label,
            ending=ending,
            end=lambda: self._finish(owner, reading),
            least_loss_samples=block_bytes // CU8.sample_bytes // 2,  # a single whole block is seen
            stall_s=self._stall_s,
            clock=self._clock,
            now=self._now,
        )
        return self._stream

    def _finish(self, owner: RtlSdrOwner, reading: Reading) -> None:
        if self._reading is not reading:
            return
        self._reading = None
        if not owner.end(reading):
            self._notes.append(f"{self.label}: the driver did not end the stream when it was asked to")
        if reading.short_blocks:
            self._notes.append(
                f"{self.label}: {reading.short_blocks} blocks came short, with nothing lost by it"
            )
        if self._stream is not None:
            self._notes += self._stream.notes()
            self._kept_gains.forget_if_clipped(self._stream.clipped_share)

    def _end_stream(self) -> None:
        if self._stream is not None:
            self._stream.stop()
            self._stream = None

    def _choose_gain(self, centre_hz: int) -> None:
        """Measure a few gains in a stream of short blocks, and set the right one."""
        owner, driver = self._opened()
        names = [f"{tenth_db / 10:g} dB" for tenth_db in self._gains]
        kept = self._kept_gains.at(centre_hz)
        if kept is None:
            stream = self._begin(centre_hz, SWEEP_BLOCK_BYTES)
            wait_for_samples(stream, self.label)  # a gain can be set once the read has begun

            def measure(index: int) -> GainStep:
                code = owner.set_gain_while_reading(self._gains[index])
                if code < 0:
                    raise RadioLost(f"{self.label} refused a gain of {names[index]} (driver code {code})")
                return measure_step(stream, self.label)

            choice = choose_gain(names, measure, quantising_floor_dbfs_hz(8, self._rate_hz))
            self._stream = None  # what clips while gains are tried is no news
            stream.stop()
            kept = choice.index
            if self._kept_gains.keep(centre_hz, kept):
                self._notes.append(
                    f"{self.label}: gain {names[kept]} is set at {centre_hz / 1e6:.3f} MHz: {choice.why}"
                )
        chosen = kept
        code = owner.work(lambda device: driver.set_gain(device, self._gains[chosen]))
        if code < 0:
            raise RadioLost(f"{self.label} refused a gain of {names[chosen]} (driver code {code})")


def _why_not_opened(code: int) -> str:
    if code == BUSY:
        return (
            "is in use; end the other program, or keep the system's own TV driver (dvb_usb_rtl28xxu) "
            "from loading"
        )
    if code == NO_ACCESS:
        return (
            "may not be used by this user; allow it in the system's device rules (udev), then plug it in anew"
        )
    return f"could not be opened (driver code {code}); plug it in anew"
