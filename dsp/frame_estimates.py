"""Carrier-to-noise ratio and carrier frequency of a whole transmission, however long.

They come from the frame measures alone, so no samples need be kept for them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples
from dsp.measure import Reading

DB_PER_NEPER_OF_POWER = 10 / np.log(10)


def carrier_to_noise_of_frames(
    power: NDArray[np.float32],
    floor: NDArray[np.float32],
    independent_samples: float,
    floor_variance: float,
    *,
    width_share: float = 1.0,
) -> Reading | None:
    """Carrier-to-noise ratio in the channel's pass band, dB.

    Parameters
    ----------
    power, floor : ndarray of float32, shape (frames,)
        Mean power of each frame and the noise expected in it.
    independent_samples : float
        Per frame: pass band times frame length.
    floor_variance : float
        Relative variance of one frame's floor estimate.
    width_share : float
        Width in which the ratio is stated over the width that `floor` was measured in.

    Returns
    -------
    Reading or None
        None without frames, or where no carrier stands over the noise.

    Notes
    -----
    (P - N) / (N width_share) with P and N averaged over the transmission. The mean power of a constant
    carrier S in noise N scatters by (N^2 + 2 N S) per independent sample (Rice law); the floor by its own
    variance.
    """
    if not len(power):
        return None
    total, noise = float(np.mean(power, dtype=np.float64)), float(np.mean(floor, dtype=np.float64))
    carrier = total - noise
    if noise <= 0 or carrier <= 0:
        return None
    variance = (noise**2 + 2 * noise * carrier) / (independent_samples * len(power))
    variance += total**2 * floor_variance / len(power)
    return Reading(
        float(10 * np.log10(carrier / (noise * width_share))),
        float(DB_PER_NEPER_OF_POWER * np.sqrt(variance) / carrier),
    )


def frequency_error_of_frames(
    lag_one: ComplexSamples, floor: NDArray[np.float32], noise_lag_one: float, rate_hz: float
) -> Reading | None:
    """Mean frequency of the carrier against the channel's centre, Hz.

    Parameters
    ----------
    lag_one : ndarray of complex64, shape (frames,)
        Mean of y[n] conj(y[n-1]) of each frame.
    floor : ndarray of float32, shape (frames,)
        Noise power expected in each frame.
    noise_lag_one : float
        Normalized lag-one autocorrelation of the filtered noise.
    rate_hz : float
        Of the channel samples.

    Returns
    -------
    Reading or None
        None without frames or without a carrier. Sigma comes from the frames' own scatter, which contains
        the modulation.

    Notes
    -----
    Angle of the summed lag-one products, weighted by power, with the noise's own share taken off: without
    that, noise pulls the estimate to the channel's centre by N / (S + N). Over a whole transmission the
    asymmetry of speech averages out; :func:`dsp.measure.frequency_error_hz` does the same on samples.

    References
    ----------
    Pulse-pair mean frequency: K. S. Miller and M. M. Rochwarger, IEEE Trans. IT 18 (1972).
    """
    own = lag_one.astype(np.complex128) - noise_lag_one * floor.astype(np.float64)
    total = complex(np.sum(own))
    if abs(total) <= 0:
        return None
    angle = float(np.angle(total))
    across = np.imag(own * np.exp(-1j * angle))
    to_hz = rate_hz / (2 * np.pi)
    return Reading(angle * to_hz, float(np.sqrt(np.sum(across**2)) / abs(total)) * to_hz)
