"""Power of a transmission, and how far its carrier stands over the noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.measure.reading import (
    PIECES,
    ChannelNoise,
    Reading,
    decibels,
    lag_products,
    piece_lengths,
    piece_sums,
)


def power_dbfs(samples: NDArray[np.complex64]) -> Reading | None:
    """Mean power, dB against a full-scale complex tone.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)

    Returns
    -------
    Reading or None
        10 log10 of mean |x|^2; sigma from the scatter over 16 pieces. None for fewer than 32 samples or all
        zero.
    """
    if len(samples) < 2 * PIECES:
        return None
    pieces = piece_sums(lag_products(samples, 0)).real / piece_lengths(len(samples))
    mean = float(np.mean(np.abs(samples) ** 2, dtype=np.float64))
    if mean <= 0.0:
        return None
    return Reading(10.0 * np.log10(mean), decibels(float(np.std(pieces)) / np.sqrt(PIECES - 1) / mean))


def carrier_to_noise_db(
    samples: NDArray[np.complex64], noise: ChannelNoise, *, sample_rate_hz: float
) -> Reading | None:
    """Carrier over noise in the channel's noise width, dB, from total power and the noise known.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
    noise : ChannelNoise
    sample_rate_hz : float

    Returns
    -------
    Reading or None
        10 log10 of (P - N) / N with P the mean power of the samples. None where P does not exceed N, or
        nothing is known of the noise. For AM the carrier's sidebands count as carrier.

    References
    ----------
    Mean power of a steady carrier C in complex Gaussian noise N over K independent samples has the variance
    (N^2 + 2 C N) / K: moments of the noncentral chi-square law (Johnson, Kotz and Balakrishnan,
    Continuous Univariate Distributions 2, ch. 29; from memory). K is width times duration.
    """
    if len(samples) == 0 or noise.power <= 0.0:
        return None
    total = float(np.mean(np.abs(samples) ** 2, dtype=np.float64))
    ratio = total / noise.power - 1.0
    if ratio <= 0.0:
        return None
    independent = max(min(noise.width_hz / sample_rate_hz, 1.0) * len(samples), 1.0)
    variance = (1.0 + 2.0 * ratio) / independent + ((1.0 + ratio) * noise.relative_sigma) ** 2
    return Reading(float(10.0 * np.log10(ratio)), decibels(float(np.sqrt(variance)) / ratio))
