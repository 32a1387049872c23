"""The digital code that a test transmitter sends under its speech instead of a tone.

One word of 23 bits over and over, softened as a transmitter's filters soften it, and the turn-off tone that
announces the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dsp.signalling.golay import BIT_RATE_HZ, WORD_BITS, code_word, sent_bits

TURN_OFF_HZ = 134.4
"""Turn-off code (TIA-603 1.3.5.6, from memory)."""

_POINTS_A_BIT = 128  # 17 kS/s: straight lines between the points err by 1e-4 at 150 Hz


@dataclass(frozen=True, slots=True, kw_only=True)
class DigitalCode:
    """A continuous digital code (DCS).

    Parameters
    ----------
    code : str
        Three octal digits, listed or not.
    inverted : bool
        Whether every bit is turned over.
    deviation_hz : float
        Swing of a long run of equal bits; makers set it as they set a tone's.
    bit_rate_hz : float
        134.4 by the standard (TIA-603 1.3.5.5, secondary).
    starts_at_bit : float
        Which bit of the word stands at key-down; need not be whole.
    corner_hz : float
        Where the transmitter's Gaussian low-pass is 3 dB down; a square wave of 134.4 bit/s has to stay
        out of the speech (common practice, no source).
    coupling_hz : float
        Corner of the transmitter's first-order high-pass; 0 for one that passes direct current.
    turn_off_s : float
        Length of the 134.4 Hz tone at the end, speech being mute; makers send about 0.18 to 0.2 s (from
        memory). 0 sends none.

    Raises
    ------
    ValueError
        The code is none, or a rate, corner or length is out of its range.
    """

    code: str
    inverted: bool = False
    deviation_hz: float = 350.0
    bit_rate_hz: float = BIT_RATE_HZ
    starts_at_bit: float = 0.0
    corner_hz: float = 150.0
    coupling_hz: float = 0.0
    turn_off_s: float = 0.0

    def __post_init__(self) -> None:
        code_word(self.code)
        for name in ("bit_rate_hz", "corner_hz"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} is {getattr(self, name)}; it must be positive")
        for name in ("coupling_hz", "turn_off_s"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} is {getattr(self, name)}; it must not be negative")

    def swing_hz(self, instants_s: NDArray[np.float64], stop_s: float) -> NDArray[np.float64]:
        """Instantaneous frequency against the carrier, Hz.

        Parameters
        ----------
        instants_s : ndarray of float64, shape (n,)
            Against key-down.
        stop_s : float
            When the turn-off tone takes over.

        Returns
        -------
        ndarray of float64, shape (n,)
        """
        word = _waveform(self)
        bit = (instants_s * self.bit_rate_hz + self.starts_at_bit) % WORD_BITS
        swing = np.interp(bit * _POINTS_A_BIT, np.arange(len(word) + 1), np.append(word, word[0]))
        if self.turn_off_s > 0:
            turn = np.sin(2.0 * np.pi * TURN_OFF_HZ * (instants_s - stop_s))
            swing = np.where(instants_s >= stop_s, turn, swing)
        return np.asarray(swing * self.deviation_hz)


@lru_cache(maxsize=16)
def _waveform(code: DigitalCode) -> NDArray[np.float64]:
    """One word of ±1 through the transmitter's filters, which see it repeat; shape (23 * 128,)."""
    bits = np.array(sent_bits(code_word(code.code)), dtype=np.float64) * 2.0 - 1.0
    square = np.repeat(-bits if code.inverted else bits, _POINTS_A_BIT)
    lines_hz = np.fft.rfftfreq(len(square), 1.0 / (code.bit_rate_hz * _POINTS_A_BIT))
    passed = np.exp(-0.5 * np.log(2.0) * (lines_hz / code.corner_hz) ** 2).astype(np.complex128)
    if code.coupling_hz > 0:
        passed *= 1j * lines_hz / (code.coupling_hz + 1j * lines_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(square) * passed, len(square)))
