"""Recognize the mirrored copy that a cheap front end makes of a strong station.

A gain or phase difference between I and Q adds a small, conjugated, frequency-mirrored copy of
everything received. Such a copy on a listed channel follows its original exactly; a station of its
own does not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples

WORST_IMAGE_POWER_RATIO = 0.03  # 15 dB: no usable front end is worse
LEAST_AGREEMENT = 0.7  # of the frames' image gains in phase: 1 for an image, about 0.25 for 16 random ones


def power_without_image(
    spectra: ComplexSamples, centre_bin: int, half_width_bins: int
) -> tuple[NDArray[np.float64], float]:
    """Share of each frame's power in a band that is no image of the mirrored band.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (frames, n)
        Forward FFTs in FFT order.
    centre_bin : int
        Of the band, counted from 0 Hz; may be negative.
    half_width_bins : int
        The band reaches this far either side. It must not meet its own mirror.

    Returns
    -------
    share : ndarray of float64, shape (frames,)
        1 where nothing of the band is an image, near 0 where all of it is.
    image_power_ratio : float
        Power gain from the mirrored band to its image here, 0 where no image is believed.

    Raises
    ------
    ValueError
        The band meets its mirror.

    Notes
    -----
    Least squares frame by frame: the gain g minimizes the sum over bins of |X[k] - g conj(X[-k])|^2. For
    I/Q imbalance g is one constant (M. Valkama et al., IEEE Trans. SP 49, 2001), so the gains of the frames
    must agree in phase; two independent carriers that happen to mirror each other drift apart. For
    independent signals the fit takes out one part in as many as the band has independent bins. The bins
    are Hann-tapered, or a strong station's leakage would be taken for a signal of the band's own.
    """
    if abs(centre_bin) <= half_width_bins:
        raise ValueError(f"centre_bin is {centre_bin}; it must be farther from 0 than {half_width_bins}")
    bins = np.arange(centre_bin - half_width_bins, centre_bin + half_width_bins + 1)
    own = _tapered(spectra, bins)
    mirror = _tapered(spectra, -bins).conj()
    share = np.ones(len(spectra))
    own_power = np.asarray(np.sum(np.abs(own) ** 2, axis=1, dtype=np.float64))
    mirror_power = np.asarray(np.sum(np.abs(mirror) ** 2, axis=1, dtype=np.float64))
    usable = (own_power > 0) & (mirror_power * WORST_IMAGE_POWER_RATIO > 0.1 * own_power)
    if not usable.any():
        return share, 0.0
    products = np.einsum("fk,fk->f", own[usable], mirror[usable].conj()).astype(np.complex128)
    coherence = np.abs(products) ** 2 / (own_power[usable] * mirror_power[usable])
    agreement = np.abs(products.sum()) / np.sum(np.abs(products))
    image_power_ratio = float(np.abs(products.sum() / mirror_power[usable].sum()) ** 2)
    if agreement < LEAST_AGREEMENT or image_power_ratio > WORST_IMAGE_POWER_RATIO:
        return share, 0.0
    share[usable] = 1 - coherence
    return share, image_power_ratio


def _tapered(spectra: ComplexSamples, bins: NDArray[np.int_]) -> ComplexSamples:
    """The bins after a Hann taper, applied as the convolution (-1/2, 1, -1/2)."""
    length = spectra.shape[1]
    beside = np.take(spectra, (bins - 1) % length, axis=1) + np.take(spectra, (bins + 1) % length, axis=1)
    tapered: ComplexSamples = np.take(spectra, bins % length, axis=1) - np.float32(0.5) * beside
    return tapered
