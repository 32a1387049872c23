"""The driver library of RTL-SDR receivers, as pyrtlsdr loads it, behind typed calls that return the driver's
codes.

pyrtlsdr's own device class is passed by: it closes a receiver after any refusal and keeps the pointer, so
that the next call reaches freed memory, and it takes the end of a read for success when the receiver was
pulled out.
"""

from __future__ import annotations

import ctypes
import importlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from watcher.errors import RadioError

Arrived = Callable[[int | None, int, int | None], None]
"""Called by the driver with the address and the size of a block that is the driver's again on return."""

_ARRIVED = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_void_p)
_READ = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.c_void_p, _ARRIVED, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32
)

QUEUED_BLOCKS = 15  # the driver's own default
LONGEST_TEXT_BYTES = 256  # of a USB string, as the driver asks for room

BUSY, NO_ACCESS, NO_DEVICE = -6, -3, -4  # codes of libusb, which the driver hands on


@dataclass(frozen=True, slots=True)
class Plugged:
    """One receiver on the bus; `serial` is None where it may not be asked."""

    index: int
    serial: str | None


class DriverLibrary:
    """The calls that the watch needs; each returns the driver's code, below 0 for a refusal.

    Parameters
    ----------
    library : ctypes.CDLL
        With the prototypes that pyrtlsdr set.
    """

    def __init__(self, library: Any) -> None:
        self._library = library
        # An own prototype: pyrtlsdr's passes every block through Python objects.
        self._read = _READ(("rtlsdr_read_async", library))

    def plugged(self) -> list[Plugged]:
        """Every receiver on the bus."""
        return [
            Plugged(index, self._serial(index)) for index in range(self._library.rtlsdr_get_device_count())
        ]

    def open(self, index: int) -> tuple[int, int | None]:
        """Code and device."""
        device = ctypes.c_void_p()
        code = int(self._library.rtlsdr_open(ctypes.byref(device), index))
        return code, device.value

    def close(self, device: int) -> int:
        """Give a device back; it must not be named again."""
        return int(self._library.rtlsdr_close(device))

    def set_direct_sampling(self, device: int, branch: int) -> int:
        """0 for the tuner, 1 for the converter's I input, 2 for Q."""
        return int(self._library.rtlsdr_set_direct_sampling(device, branch))

    def set_sample_rate(self, device: int, sample_rate_hz: int) -> int:
        """Samples per second."""
        return int(self._library.rtlsdr_set_sample_rate(device, sample_rate_hz))

    def sample_rate_hz(self, device: int) -> int:
        """As the receiver really runs; 0 where it does not say."""
        return int(self._library.rtlsdr_get_sample_rate(device))

    def set_correction_ppm(self, device: int, ppm: int) -> int:
        """The driver's correction; it refuses the value that already stands."""
        return int(self._library.rtlsdr_set_freq_correction(device, ppm))

    def set_centre(self, device: int, centre_hz: int) -> int:
        """Tune."""
        return int(self._library.rtlsdr_set_center_freq(device, centre_hz))

    def gains_tenth_db(self, device: int) -> list[int]:
        """The gains that the tuner has, in 0.1 dB, lowest first."""
        count = int(self._library.rtlsdr_get_tuner_gains(device, None))
        if count <= 0:
            return []
        room = (ctypes.c_int * count)()
        self._library.rtlsdr_get_tuner_gains(device, room)
        return sorted(room)

    def set_gain(self, device: int, tenth_db: int) -> int:
        """A gain that the tuner has, in 0.1 dB."""
        return int(self._library.rtlsdr_set_tuner_gain(device, tenth_db))

    def set_manual_gain(self, device: int) -> int:
        """Take the tuner's and the converter's own gain control off."""
        code = int(self._library.rtlsdr_set_tuner_gain_mode(device, 1))
        return code if code < 0 else int(self._library.rtlsdr_set_agc_mode(device, 0))

    def set_bias_tee(self, device: int, on: bool) -> int:
        """The supply for an amplifier on the antenna's cable."""
        return int(self._library.rtlsdr_set_bias_tee(device, int(on)))

    def reset_buffer(self, device: int) -> int:
        """Empty the receiver's own buffer; asked for before every read."""
        return int(self._library.rtlsdr_reset_buffer(device))

    def read(self, device: int, arrived: Arrived, block_bytes: int) -> int:
        """Read until cancelled, `arrived` called with every block on this thread."""
        callback = _ARRIVED(arrived)  # held by this frame for as long as the driver may call it
        return int(self._read(device, callback, None, QUEUED_BLOCKS, block_bytes))

    def cancel(self, device: int) -> int:
        """Make a read return; refused where none runs."""
        return int(self._library.rtlsdr_cancel_async(device))

    def _serial(self, index: int) -> str | None:
        room = (ctypes.c_ubyte * LONGEST_TEXT_BYTES)()
        if self._library.rtlsdr_get_device_usb_strings(index, None, None, room) < 0:
            return None
        return bytes(room).split(b"\0", 1)[0].decode("utf-8", "replace")


def load_driver() -> DriverLibrary:
    """The driver library; loading it is put off until a radio is wanted.

    Raises
    ------
    RadioError
        It cannot be loaded. The cause may be of any kind: a library too old ends in `AttributeError`.
    """
    try:
        library = importlib.import_module("rtlsdr.librtlsdr").librtlsdr
        return DriverLibrary(library)
    except Exception as cause:
        reason = f"{type(cause).__name__}: {cause}".splitlines()[0]
        raise RadioError(
            f"the driver library of RTL-SDR receivers cannot be loaded ({reason}); install pyrtlsdr[lib] on "
            "a 64-bit system, which brings its own"
        ) from cause
