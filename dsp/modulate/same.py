"""The audio of a SAME message as a weather-radio station or a broadcaster sends it, for tests and trials.

47 CFR 11.31(a)(1), (c): preamble and header three times with pauses of a second, the alert tone, the spoken
message, then preamble and `NNNN` three times. Least significant bit first (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.modulate.voice import audio_tone

MARK_HZ = 4 / 1.92e-3
SPACE_HZ = 3 / 1.92e-3
BIT_S = 1.92e-3
PREAMBLE = b"\xab" * 16
ALERT_TONE_HZ = 1050.0  # weather radio; NWS page on its alarms, part A step 2
END_OF_MESSAGE = "NNNN"


def same_burst(
    text: str,
    *,
    rate_hz: int,
    amplitude: float = 0.8,
    clock: float = 1.0,
    space_gain: float = 1.0,
    preamble: bytes = PREAMBLE,
) -> NDArray[np.float32]:
    """Preamble and text once, without a break in phase.

    Parameters
    ----------
    text : str
        ASCII, sent with a null eighth bit.
    rate_hz : int
        Samples per second, above 4200.
    amplitude : float
        Peak of the mark.
    clock : float
        How long a bit lasts against 1.92 ms; the tones follow it, as they do where one clock makes both.
    space_gain : float
        Amplitude of the space against the mark: the twist of an uneven line.
    preamble : bytes
        What goes before.

    Returns
    -------
    ndarray of float32, shape (round(bits * 1.92 ms * clock * rate_hz),)

    Raises
    ------
    ValueError
        The rate cannot carry the mark, or the text is not ASCII.
    """
    if rate_hz <= 2 * MARK_HZ:
        raise ValueError(f"rate_hz is {rate_hz}; it must be above {2 * MARK_HZ:.0f} to carry the mark")
    if not text.isascii():
        raise ValueError(f"the text is {text!r}; it must be ASCII")
    sent = np.frombuffer(preamble + text.encode("ascii"), np.uint8)
    bits = np.unpackbits(sent, bitorder="little")
    bit_s = BIT_S * clock
    count = round(len(bits) * bit_s * rate_hz)
    places = np.arange(count) / (rate_hz * bit_s)
    mark = bits[np.minimum(places.astype(np.intp), len(bits) - 1)] == 1
    # Each bit holds whole cycles, so the phase within a bit is counted from the bit's own beginning.
    phase = 2 * np.pi * np.where(mark, 4.0, 3.0) * (places % 1.0)
    return (amplitude * np.where(mark, 1.0, space_gain) * np.sin(phase)).astype(np.float32)


def same_message(
    header: str,
    *,
    rate_hz: int,
    message: NDArray[np.floating] | None = None,
    alert_tone_s: float = 0.0,
    bursts: int = 3,
    pause_s: float = 1.0,
    end_of_message: bool = True,
    amplitude: float = 0.8,
    clock: float = 1.0,
    space_gain: float = 1.0,
) -> NDArray[np.float32]:
    """A whole message.

    Parameters
    ----------
    header : str
        `ZCZC-ORG-EEE-PSSCCC+TTTT-JJJHHMM-LLLLLLLL-`, sent as it stands, right or wrong.
    rate_hz : int
    message : ndarray, shape (n,), optional
        What is spoken, at `rate_hz`.
    alert_tone_s : float
        Length of the 1050 Hz tone; 8 to 10 s on the air (from memory), 0 for none.
    bursts : int
        How often header and end are sent.
    pause_s : float
        Silence after every burst, after the tone and after what is spoken.
    end_of_message : bool
    amplitude, clock, space_gain : float
        As for `same_burst`; the tone takes the amplitude too.

    Returns
    -------
    ndarray of float32, shape (n,)
    """
    pause = np.zeros(round(pause_s * rate_hz), np.float32)
    shape = {"rate_hz": rate_hz, "amplitude": amplitude, "clock": clock, "space_gain": space_gain}
    parts = [same_burst(header, **shape), pause] * bursts  # type: ignore[arg-type]
    if alert_tone_s > 0:
        parts += [
            audio_tone(seconds=alert_tone_s, tone_hz=ALERT_TONE_HZ, amplitude=amplitude, rate_hz=rate_hz),
            pause,
        ]
    if message is not None:
        parts += [np.asarray(message, np.float32), pause]
    if end_of_message:
        parts += [same_burst(END_OF_MESSAGE, **shape), pause] * bursts  # type: ignore[arg-type]
    return np.concatenate(parts or [np.zeros(0, np.float32)])
