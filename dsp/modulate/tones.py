"""Tone calls to send: keys of a keypad, single tones, two tones in sequence.

Pure audio: every function gives float32 samples at the rate asked for, to be handed to
`dsp.modulate.Audio` as speech is. The start of each tone is sudden, as keypads and encoders send it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# ITU-T Q.23: the frequencies of the rows and columns of the keypad (config/dtmf.csv).
ROWS_HZ = (697.0, 770.0, 852.0, 941.0)
COLUMNS_HZ = (1209.0, 1336.0, 1477.0, 1633.0)
KEYS = ("123A", "456B", "789C", "*0#D")

Track = NDArray[np.float32]


def key_tones_hz(key: str) -> tuple[float, float]:
    """The row and the column frequency of a key.

    Raises
    ------
    ValueError
        It is not one of the sixteen keys 0 to 9, A to D, * and #.
    """
    for row_hz, line in zip(ROWS_HZ, KEYS, strict=True):
        if len(key) == 1 and key in line:
            return row_hz, COLUMNS_HZ[line.index(key)]
    raise ValueError(f"key is {key!r}; it must be one of 0 to 9, A to D, * and #")


def silence(*, seconds: float, rate_hz: int) -> Track:
    """Nothing, shape (round(seconds * rate_hz),)."""
    return np.zeros(max(round(seconds * rate_hz), 0), np.float32)


def tone(
    *, tone_hz: float, seconds: float, rate_hz: int, amplitude: float = 0.5, phase_rad: float = 0.0
) -> Track:
    """One steady tone, shape (round(seconds * rate_hz),).

    Parameters
    ----------
    tone_hz : float
    seconds : float
        Not positive gives an empty array.
    rate_hz : int
        More than twice the frequency.
    amplitude : float
        Peak; 1 is full scale.
    phase_rad : float
        At the first sample.

    Raises
    ------
    ValueError
        The frequency is not between 0 and half the rate.
    """
    if not 0 < tone_hz < rate_hz / 2:
        raise ValueError(f"tone_hz is {tone_hz}; it must lie between 0 and half of rate_hz ({rate_hz / 2})")
    turns = tone_hz / rate_hz * np.arange(max(round(seconds * rate_hz), 0))
    return np.asarray(amplitude * np.sin(2 * np.pi * turns + phase_rad), np.float32)


def key_tone(
    key: str,
    *,
    seconds: float,
    rate_hz: int,
    amplitude: float = 0.4,
    twist_db: float = 0.0,
    off: tuple[float, float] = (0.0, 0.0),
) -> Track:
    """One key held down.

    Parameters
    ----------
    key : str
        0 to 9, A to D, * or #.
    seconds, rate_hz : float, int
    amplitude : float
        Peak of the stronger of the two tones.
    twist_db : float
        How much the row tone is stronger than the column tone; negative where it is weaker.
    off : tuple of two floats
        Relative frequency error of the row tone and of the column tone: 0.015 is 1.5 % high.

    Raises
    ------
    ValueError
        The key is none, or a frequency is above half the rate.
    """
    row_hz, column_hz = key_tones_hz(key)
    row = amplitude * 10 ** (min(twist_db, 0.0) / 20)
    column = amplitude * 10 ** (-max(twist_db, 0.0) / 20)
    held = tone(tone_hz=row_hz * (1 + off[0]), seconds=seconds, rate_hz=rate_hz, amplitude=row)
    held += tone(
        tone_hz=column_hz * (1 + off[1]), seconds=seconds, rate_hz=rate_hz, amplitude=column, phase_rad=1.0
    )
    return held


def key_sequence(
    keys: str,
    *,
    rate_hz: int,
    tone_s: float = 0.1,
    pause_s: float = 0.1,
    amplitude: float = 0.4,
    twist_db: float = 0.0,
) -> Track:
    """Keys one after another, with a pause before each and after the last.

    The shortest that receivers must take is 40 ms and 40 ms (ITU-T Q.24, table A-1).
    """
    pause = silence(seconds=pause_s, rate_hz=rate_hz)
    pieces = [pause]
    for key in keys:
        held = key_tone(key, seconds=tone_s, rate_hz=rate_hz, amplitude=amplitude, twist_db=twist_db)
        pieces += [held, pause]
    return np.concatenate(pieces)


def two_tone(
    first_hz: float,
    second_hz: float,
    *,
    rate_hz: int,
    first_s: float = 1.0,
    second_s: float = 3.0,
    gap_s: float = 0.0,
    amplitude: float = 0.5,
) -> Track:
    """A paging call of two tones in sequence: about 1 s and about 3 s in the services' practice."""
    return np.concatenate(
        [
            tone(tone_hz=first_hz, seconds=first_s, rate_hz=rate_hz, amplitude=amplitude),
            silence(seconds=gap_s, rate_hz=rate_hz),
            tone(tone_hz=second_hz, seconds=second_s, rate_hz=rate_hz, amplitude=amplitude),
        ]
    )
