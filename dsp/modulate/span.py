"""Many narrow transmissions brought to one wide span of samples at once.

Each transmission is made at a low rate. The blocks of all of them meet in one long spectrum, each at its own
place, and one inverse transform brings them to the output rate: the overlap-save channelizer run
backwards (Borgerding, IEEE Signal Processing Magazine, March 2006, describes the forward way).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from dsp.modulate.air import FadingPath
from dsp.modulate.transmitter import LEAST_SYNTHESIS_RATE_HZ, Modulation, Sender

_OVERLAP = 256  # low-rate samples shared by neighbouring blocks, half on each side
_BLOCK_S = 0.08  # length of one transform: the overlap costs about 7 %
_EDGE_HZ = 2400.0  # the least slope at the edges of the span, so that it rings no longer than the overlap
_EDGE_SHARE = 0.02  # the slope at each edge of a wide span, as a share of the rate


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Speaker:
    """One transmission as it arrives: times in s of true time, `power` of the unfaded carrier."""

    modulation: Modulation
    start_s: float
    stop_s: float
    offset_hz: float
    power: float
    path: FadingPath | None
    rise_s: float
    fall_s: float


class SpanMixer:
    """Adds the transmissions of consecutive hops to consecutive pieces of samples.

    Parameters
    ----------
    speakers : iterable of Speaker
    sample_rate_hz : int
        Nominal output rate; chooses the low rate and the block length.
    clock_hz : float
        The true output rate, which a wrong clock moves away from the nominal one.

    Notes
    -----
    `hop` is how many samples each call adds to. There is no delay: a filter looks ahead by half the overlap,
    because the whole scene is known. Images and what leaks between blocks lie 100 dB down or lower.
    """

    def __init__(self, speakers: Iterable[Speaker], *, sample_rate_hz: int, clock_hz: float) -> None:
        self._clock_hz = clock_hz
        self._up, self._down = _ratio(sample_rate_hz)
        self._low_hz = clock_hz * self._down / self._up
        unit = 2 * self._down  # the overlap is split in two and must be whole at both rates
        size = max(round(_BLOCK_S * self._low_hz), 4 * _OVERLAP)
        self._low_size = fft.next_fast_len(-(-size // unit)) * unit
        self._low_hop = (self._low_size - _OVERLAP) // unit * unit
        self._low_lead = (self._low_size - self._low_hop) // 2 // self._down * self._down
        self._size = self._low_size * self._up // self._down
        self.hop = self._low_hop * self._up // self._down
        self._lead = self._low_lead * self._up // self._down
        self._shape = _fall(
            np.abs(np.arange(self._low_size) - self._low_size // 2) / self._low_size, 0.4, 0.5
        )
        slope = max(_EDGE_SHARE, _EDGE_HZ / sample_rate_hz)
        self._edge = _fall(np.abs(fft.fftfreq(self._size)), 0.5 - slope, 0.5)
        self._waiting = sorted(speakers, key=lambda speaker: speaker.start_s)
        self._keyed: list[_Keyed] = []
        self._hops = 0

    def add_to(self, piece: NDArray[np.complex64]) -> None:
        """Adds the transmissions of the next hop, in place; `piece` has `hop` samples."""
        first_low = self._hops * self._low_hop - self._low_lead
        self._hops += 1
        first_s = first_low / self._low_hz
        stop_s = first_s + self._low_size / self._low_hz
        while self._waiting and self._waiting[0].start_s < stop_s:
            self._keyed.append(
                _Keyed(self._waiting.pop(0), first_s, self._low_hz, self._clock_hz / self._size)
            )
        self._keyed = [one for one in self._keyed if one.stop_s > first_s]
        if not self._keyed:
            return
        first = first_low * self._up // self._down
        spectrum = np.zeros(self._size, dtype=np.complex64)
        for keyed in self._keyed:
            self._place(spectrum, keyed, first)
        spectrum *= self._edge
        whole = fft.ifft(spectrum, overwrite_x=True)
        piece += whole[self._lead : self._lead + self.hop]

    def _place(self, spectrum: NDArray[np.complex64], keyed: _Keyed, first: int) -> None:
        """Adds one transmission's bins at its own place of the long spectrum.

        A move by whole bins turns the phase by that many turns a block; the turn at the block's first
        sample keeps the carrier's phase going from block to block.
        """
        bins = fft.fftshift(fft.fft(keyed.next_block(self._low_size, self._low_hop))) * self._shape
        turn = keyed.bins * (first % self._size) % self._size / self._size
        bins *= np.complex64(np.exp(2j * np.pi * turn) * (self._size / self._low_size))
        # In order of rising frequency; what lies outside the span is left out.
        lowest = keyed.bins - self._low_size // 2
        begin = max(lowest, -(self._size // 2))
        end = min(lowest + self._low_size, self._size - self._size // 2)
        if end <= begin:
            return
        wanted = bins[begin - lowest : end - lowest]
        below = min(max(-begin, 0), len(wanted))  # bins under 0 Hz stand in the upper half of the transform
        spectrum[begin + self._size : begin + self._size + below] += wanted[:below]
        above = max(begin, 0)
        spectrum[above : above + len(wanted) - below] += wanted[below:]


class _Keyed:
    """One transmission while it is up: hands out overlapping low-rate blocks."""

    def __init__(self, speaker: Speaker, first_s: float, low_hz: float, bin_hz: float) -> None:
        self.stop_s = speaker.stop_s
        self.bins = round(speaker.offset_hz / bin_hz)
        self._sender = Sender(
            speaker.modulation,
            sample_rate_hz=low_hz,
            seconds=speaker.stop_s - speaker.start_s,
            first_instant_s=first_s - speaker.start_s,
            offset_hz=speaker.offset_hz - self.bins * bin_hz,
            rise_s=speaker.rise_s,
            fall_s=speaker.fall_s,
        )
        self._path = speaker.path
        self._amplitude = np.float32(np.sqrt(speaker.power))
        self._next_s = first_s
        self._low_hz = low_hz
        self._tail = np.zeros(0, dtype=np.complex64)

    def next_block(self, size: int, hop: int) -> NDArray[np.complex64]:
        """The next `size` samples, beginning `hop` after the block before."""
        fresh = size - len(self._tail)
        made = self._sender.take(fresh) * self._amplitude
        if self._path is not None:
            made *= self._path.gain_along(self._next_s, fresh, self._low_hz)
        self._next_s += fresh / self._low_hz
        block = np.concatenate([self._tail, made])
        self._tail = block[hop:]
        return block


def _ratio(sample_rate_hz: int) -> tuple[int, int]:
    """How the output rate stands to the low rate, as (up, down), one of them 1."""
    if sample_rate_hz < LEAST_SYNTHESIS_RATE_HZ:
        return 1, -(-LEAST_SYNTHESIS_RATE_HZ // sample_rate_hz)
    largest = sample_rate_hz // LEAST_SYNTHESIS_RATE_HZ
    return max(up for up in range(1, largest + 1) if fft.next_fast_len(up, real=True) == up), 1


def _fall(place: NDArray[np.float64], flat: float, gone: float) -> NDArray[np.float32]:
    """1 up to `flat`, 0 from `gone`, between them the running integral of a Kaiser taper.

    The taper's own spectrum is 100 dB down beyond its main lobe, so the slope's ringing dies out within
    the overlap.
    """
    taper = np.kaiser(1025, 10.06)  # beta for 100 dB: 0.1102 (A - 8.7), Kaiser's formula
    climb = np.concatenate([[0.0], np.cumsum(0.5 * (taper[1:] + taper[:-1]))])
    depth = np.interp((place - flat) / (gone - flat), np.linspace(0.0, 1.0, 1025), climb / climb[-1])
    return np.asarray(1.0 - depth, dtype=np.float32)
