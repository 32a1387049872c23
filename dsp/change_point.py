"""Find the sample at which a channel's power changed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples


def rise_sample(samples: ComplexSamples, before_power: float, after_power: float) -> int:
    """The sample at which power rose from one level to another.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
        Holds the rise.
    before_power, after_power : float
        Mean squared magnitudes on either side.

    Returns
    -------
    int
        0 to n: samples before it belong to the lower level.

    Notes
    -----
    Maximum likelihood for the change of mean of exponentially distributed squared magnitudes
    (Gaussian samples); a carrier, whose magnitude scatters less, is placed at least as well.
    Source: E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954), applied backwards.
    """
    costs = _costs(samples, before_power, after_power)
    return int(np.argmin(np.concatenate([[0.0], np.cumsum(costs)])))


def fall_sample(samples: ComplexSamples, before_power: float, after_power: float) -> int:
    """The sample at which power fell from `before_power` to the lower `after_power`; 0 to n."""
    costs = _costs(samples, after_power, before_power)
    return int(np.argmax(np.concatenate([[0.0], np.cumsum(costs)])))


def _costs(samples: ComplexSamples, low_power: float, high_power: float) -> NDArray[np.float64]:
    """Log-likelihood ratio of each sample, high level against low; negative where the low one fits."""
    low = max(low_power, 1e-20)
    high = max(high_power, 1.05 * low)
    squared = np.abs(samples).astype(np.float64) ** 2
    return np.asarray(squared * (1 / low - 1 / high) - np.log(high / low))
