"""What the air adds: noise of exact power, impulses, fading and shadowing.

Carrier-to-noise ratios are always stated in a width; the functions here turn them into powers at a rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


def complex_noise(count: int, *, power: float, rng: np.random.Generator) -> NDArray[np.complex64]:
    """White complex Gaussian noise whose expected mean |x|^2 is `power`, complex64, shape (count,)."""
    noise = rng.standard_normal(2 * count, dtype=np.float32)
    noise *= np.float32(np.sqrt(0.5 * power))
    return noise.view(np.complex64)


def carrier_power(*, cnr_db: float, width_hz: float, noise_power: float, sample_rate_hz: float) -> float:
    """Power of a carrier that stands `cnr_db` over the white noise found in `width_hz`.

    Parameters
    ----------
    cnr_db : float
        Carrier-to-noise ratio in `width_hz`, dB.
    width_hz : float
        Noise width the ratio is stated in, Hz.
    noise_power : float
        Mean |x|^2 of the noise over the whole sample rate.
    sample_rate_hz : float
        The noise is white over this width.

    Returns
    -------
    float
        Mean |x|^2 of the carrier; its amplitude is the square root.

    Raises
    ------
    ValueError
        A width, rate or power is not positive.

    Examples
    --------
    >>> round(carrier_power(cnr_db=3.0, width_hz=11e3, noise_power=1.0, sample_rate_hz=2.4e6), 6)
    0.009145
    """
    if width_hz <= 0 or sample_rate_hz <= 0 or noise_power <= 0:
        raise ValueError(
            f"width_hz is {width_hz}, sample_rate_hz {sample_rate_hz}, noise_power {noise_power}; "
            "all must be positive"
        )
    return float(10.0 ** (cnr_db / 10.0) * noise_power * width_hz / sample_rate_hz)


def add_noise(
    samples: NDArray[np.complex64],
    *,
    cnr_db: float,
    width_hz: float,
    sample_rate_hz: float,
    rng: np.random.Generator,
    carrier: float = 1.0,
) -> NDArray[np.complex64]:
    """Samples with white noise at a stated carrier-to-noise ratio in a stated width.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
    cnr_db, width_hz, sample_rate_hz : float
        The noise is white over `sample_rate_hz`; its share in `width_hz` is `cnr_db` under the carrier.
    rng : numpy.random.Generator
    carrier : float
        Power of the carrier in `samples`; 1 for what :func:`transmit` gives.

    Returns
    -------
    ndarray of complex64, shape (n,)
    """
    noise_power = carrier * 10.0 ** (-cnr_db / 10.0) * sample_rate_hz / width_hz
    return samples + complex_noise(len(samples), power=noise_power, rng=rng)


@dataclass(frozen=True, slots=True, kw_only=True)
class Impulses:
    """Bursts of white noise at random instants, as from ignition.

    Parameters
    ----------
    per_second : float
        Mean number of impulses in a second; the gaps between their starts are exponential (Poisson process).
    width_s : float
        Length of each; at least one sample is sent.
    power_dbfs : float
        Mean |x|^2 inside an impulse, dB against full scale.
    start_s, stop_s : float
        When they may begin.
    """

    per_second: float
    width_s: float
    power_dbfs: float
    start_s: float = 0.0
    stop_s: float = float("inf")


class ImpulseNoise:
    """Draws impulses block after block; the same generator state gives the same impulses in any blocks."""

    def __init__(self, impulses: Impulses, *, sample_rate_hz: float, rng: np.random.Generator) -> None:
        if impulses.per_second <= 0:
            raise ValueError(f"per_second is {impulses.per_second}; it must be positive")
        self._impulses = impulses
        self._rate_hz = sample_rate_hz
        self._rng = rng
        self._width = max(round(impulses.width_s * sample_rate_hz), 1)
        self._power = 10.0 ** (impulses.power_dbfs / 10.0)
        self._next = self._after(impulses.start_s * sample_rate_hz)
        self._left_over = np.zeros(0, dtype=np.complex64)
        self._at = 0

    def add_to(self, block: NDArray[np.complex64]) -> None:
        """Adds the impulses that fall into the next `len(block)` samples, in place."""
        size = len(block)
        whole = np.zeros(size + self._width, dtype=np.complex64)
        held = min(len(self._left_over), len(whole))
        whole[:held] += self._left_over[:held]
        rest = self._left_over[held:]
        while self._next < self._at + size:
            begin = int(self._next) - self._at
            whole[begin : begin + self._width] += complex_noise(self._width, power=self._power, rng=self._rng)
            self._next = self._after(self._next)
        block += whole[:size]
        self._left_over = np.concatenate([whole[size:], rest])
        self._at += size

    def _after(self, place: float) -> float:
        """Place of the next impulse, in samples; infinity once the time for them is over."""
        following = place + self._rng.exponential(self._rate_hz / self._impulses.per_second)
        return following if following < self._impulses.stop_s * self._rate_hz else float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fading:
    """How a path fades: flat Rayleigh at a Doppler width, log-normal shadowing, or both.

    Parameters
    ----------
    doppler_hz : float
        Greatest Doppler shift (speed over wavelength); 0 for no Rayleigh fading.
    shadow_db : float
        Standard deviation of the shadowing, dB; 0 for none.
    shadow_s : float
        Correlation time of the shadowing, s: autocorrelation exp(-t^2 / (2 shadow_s^2)).

    Raises
    ------
    ValueError
        A value is negative, or `shadow_s` is zero.
    """

    doppler_hz: float = 0.0
    shadow_db: float = 0.0
    shadow_s: float = 2.0

    def __post_init__(self) -> None:
        if self.doppler_hz < 0 or self.shadow_db < 0 or self.shadow_s <= 0:
            raise ValueError(
                f"doppler_hz is {self.doppler_hz}, shadow_db {self.shadow_db}, shadow_s {self.shadow_s}; "
                "none may be negative and shadow_s must be positive"
            )


class FadingPath:
    """One path of a :class:`Fading`: its complex gain at any instant, without memory.

    Notes
    -----
    Rayleigh: a sum of equal waves from arrival angles spread evenly over the circle from a random first,
    each with a random phase (Clarke's model: Clarke, Bell Syst. Tech. J. 47, 1968; Jakes, Microwave
    Mobile Communications, 1974, ch. 1). Even spacing gives the Doppler spectrum's second moment, and
    with it the level-crossing rate, exactly. Mean power is 1 over the phases.
    Shadowing: a sum of cosines whose frequencies are drawn from the spectrum of the wanted autocorrelation.
    Its median power gain is 1.
    """

    _WAVES = 48
    _GRID_PER_DOPPLER = 32  # points per cycle of the fastest wave: cubic interpolation errs by under 1e-4

    def __init__(self, fading: Fading, rng: np.random.Generator) -> None:
        self._fading = fading
        angles = 2.0 * np.pi * (np.arange(self._WAVES) + rng.random()) / self._WAVES
        self._shifts_hz = fading.doppler_hz * np.cos(angles)
        self._phases_rad = rng.uniform(0.0, 2.0 * np.pi, self._WAVES)
        self._shadow_hz = rng.normal(0.0, 1.0 / (2.0 * np.pi * fading.shadow_s), self._WAVES)
        self._shadow_rad = rng.uniform(0.0, 2.0 * np.pi, self._WAVES)

    def gain(self, instants_s: ArrayLike) -> NDArray[np.complex128]:
        """Complex gain at any instants, computed wave by wave (for a few thousand instants)."""
        instants = np.asarray(instants_s, dtype=np.float64)
        total = np.ones(instants.shape, dtype=np.complex128)
        if self._fading.doppler_hz > 0:
            turns = 2.0 * np.pi * np.multiply.outer(instants, self._shifts_hz) + self._phases_rad
            total = np.exp(1j * turns).sum(axis=-1) / np.sqrt(self._WAVES)
        if self._fading.shadow_db > 0:
            turns = 2.0 * np.pi * np.multiply.outer(instants, self._shadow_hz) + self._shadow_rad
            shadow_db = self._fading.shadow_db * np.cos(turns).sum(axis=-1) * np.sqrt(2.0 / self._WAVES)
            total = total * 10.0 ** (shadow_db / 20.0)
        return total

    def gain_along(self, first_s: float, count: int, sample_rate_hz: float) -> NDArray[np.complex64]:
        """Complex gain at `count` evenly spaced instants, interpolated from a coarse grid; complex64."""
        fastest_hz = max(self._fading.doppler_hz, 1.0 / self._fading.shadow_s, 1.0)
        grid_hz = fastest_hz * self._GRID_PER_DOPPLER
        if grid_hz >= sample_rate_hz:
            return self.gain(first_s + np.arange(count) / sample_rate_hz).astype(np.complex64)
        place = (first_s + np.arange(count) / sample_rate_hz) * grid_hz
        first = int(np.floor(place[0])) - 1
        grid = self.gain((first + np.arange(int(place[-1]) - first + 4)) / grid_hz)
        whole = np.floor(place)
        x = place - whole
        index = whole.astype(np.int64) - first
        # Catmull-Rom: passes through the grid with a smooth slope
        before, here, after, beyond = (grid.take(index + lag) for lag in (-1, 0, 1, 2))
        smooth = here + 0.5 * x * (
            after
            - before
            + x
            * (
                2.0 * before
                - 5.0 * here
                + 4.0 * after
                - beyond
                + x * (3.0 * (here - after) + beyond - before)
            )
        )
        return smooth.astype(np.complex64)
