"""What a plan may ask of an RTL-SDR, on USB or on the network, checked before anything is opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from watcher.errors import RadioError

Gain = float | Literal["auto"]
DirectSampling = Literal["off", "i", "q"]

USUAL_RATE_HZ = 2_400_000
"""The highest rate in use without losses on USB 2 (common practice, no source)."""

RATES_HZ = ((225_001, 300_000), (900_001, 3_200_000))
"""What the driver takes; everything else it refuses (measured on the driver library 0.9)."""


@dataclass(frozen=True, slots=True)
class RtlSdrSettings:
    """How a receiver is to be set.

    Parameters
    ----------
    sample_rate_hz : int
    gain_db : float or "auto"
        "auto" measures and chooses; it never leaves the gain to move by itself.
    driver_ppm : int
        Correction by the driver, whole ppm. 0 leaves the correction to the software, which takes fractions.
    bias_tee : bool
        Supply an amplifier through the antenna's cable; off again when the receiver is closed.
    direct_sampling : {"off", "i", "q"}
        Past the tuner, for short wave.

    Raises
    ------
    RadioError
        The rate is none that the receiver has.
    """

    sample_rate_hz: int = USUAL_RATE_HZ
    gain_db: Gain = "auto"
    driver_ppm: int = 0
    bias_tee: bool = False
    direct_sampling: DirectSampling = "off"

    def __post_init__(self) -> None:
        if not any(low <= self.sample_rate_hz <= high for low, high in RATES_HZ):
            allowed = " or ".join(f"{low} to {high}" for low, high in RATES_HZ)
            raise RadioError(f"radio: sample_rate_hz is {self.sample_rate_hz}; an RTL-SDR has {allowed}")
