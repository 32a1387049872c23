"""The audio of an emergency locator beacon, for tests and trials. There is no path from here to any radio.

47 CFR 87.141 (figures from memory): a falling sweep over at least 700 Hz within 1600 to 300 Hz, 2 to 4
times a second, the audio being on for 33 to 55 % of each of its cycles.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def beacon_audio(
    *,
    seconds: float,
    rate_hz: int,
    high_hz: float = 1500.0,
    low_hz: float = 500.0,
    sweeps_per_s: float = 3.0,
    duty: float = 0.4,
    rising: bool = False,
    curved: bool = False,
    amplitude: float = 1.0,
) -> NDArray[np.float32]:
    """Swept pulses as a beacon keys its carrier with, their mean taken away.

    Parameters
    ----------
    seconds : float
        Length; begins with a sweep.
    rate_hz : int
    high_hz, low_hz : float
        Where a sweep begins and ends.
    sweeps_per_s : float
    duty : float
        Share of each audio cycle that is on, above 0 and below 1.
    rising : bool
        From low to high, as some do (from memory).
    curved : bool
        As a capacitor discharges: by equal ratios in equal times, not by equal steps.
    amplitude : float
        Swing from off to on.

    Returns
    -------
    ndarray of float32, shape (round(seconds * rate_hz),)
        Harmonics end below half the rate.

    Raises
    ------
    ValueError
        The frequencies do not fall within 0 to half the rate, or duty is not between 0 and 1.
    """
    if not 0 < low_hz < high_hz < rate_hz / 2:
        raise ValueError(
            f"high_hz is {high_hz} and low_hz is {low_hz}; they must fall within 0 to {rate_hz / 2:g} Hz"
        )
    if not 0 < duty < 1:
        raise ValueError(f"duty is {duty}; it must be between 0 and 1")
    share = np.arange(round(seconds * rate_hz)) * (sweeps_per_s / rate_hz) % 1.0
    if rising:
        share = 1 - share
    sweep_hz = high_hz * (low_hz / high_hz) ** share if curved else high_hz - (high_hz - low_hz) * share
    phase = 2 * np.pi * np.cumsum(sweep_hz) / rate_hz
    # Fourier series of a pulse of this duty (any handbook of formulas): 2 sin(pi n d) / (pi n)
    made = np.zeros(len(share))
    for n in range(1, int(rate_hz / 2 / low_hz) + 1):
        audible = n * sweep_hz < 0.45 * rate_hz
        made += np.where(audible, 2 * np.sin(np.pi * n * duty) / (np.pi * n) * np.cos(n * phase), 0.0)
    return (amplitude * made).astype(np.float32)
