"""Recognize the mirrored copy that a cheap front end makes of a strong station.

A gain or phase difference between I and Q adds a small, conjugated, frequency-mirrored copy of
everything received. Such a copy on a listed channel follows its original exactly; a station of its
own does not. The gain of the copy is a constant of the front end: once learned, no more is taken out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples

WORST_IMAGE_POWER_RATIO = 0.03  # 15 dB: no usable front end is worse
SPOKEN_BINS = 5.0  # a tapered line fills 2 bins, speech tens
CERTAIN_COHERENCE = 0.6  # of a spoken band with its image; 0.1 to 0.2 for two stations
LEARNING_PACE = 0.2  # the gain drifts with temperature only
LEAST_AGREEMENT = 0.7  # of the frames' image gains in phase: 1 for an image, about 0.25 for 16 random ones


@dataclass(frozen=True, slots=True, eq=False)
class ImageFit:
    """How much of a band is the image of the mirrored band.

    Parameters
    ----------
    share : ndarray of float64, shape (frames,)
        Of each frame's power that is no image: 1 where nothing is, near 0 where all is.
    power_ratio : float
        Power gain from the mirrored band to its image here, 0 where no image is believed.
    certain_gain : complex or None
        The image's amplitude gain, where the mirrored band was wide and came through whole: two stations may
        pause on mirrored carriers, but they do not speak the same words.
    """

    share: NDArray[np.float64]
    power_ratio: float
    certain_gain: complex | None = None


def fit_image(
    spectra: ComplexSamples, centre_bin: int, half_width_bins: int, known_gain: complex | None = None
) -> ImageFit:
    """Part a band into the image of its mirror and the rest.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (frames, n)
        Forward FFTs in FFT order.
    centre_bin : int
        Of the band, counted from 0 Hz; may be negative.
    half_width_bins : int
        The band reaches this far either side. It must not meet its own mirror.
    known_gain : complex, optional
        The gain learned so far: that much is taken out, no more. Fitted to the frames if absent.

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
    squared = np.abs(mirror).astype(np.float64) ** 2
    mirror_power = np.asarray(squared.sum(axis=1))
    usable = (own_power > 0) & (mirror_power * WORST_IMAGE_POWER_RATIO > 0.1 * own_power)
    if not usable.any():
        return ImageFit(share, 0.0)
    products = np.einsum("fk,fk->f", own[usable], mirror[usable].conj()).astype(np.complex128)
    coherence = np.abs(products) ** 2 / (own_power[usable] * mirror_power[usable])
    agreement = np.abs(products.sum()) / np.sum(np.abs(products))
    gain = complex(products.sum() / mirror_power[usable].sum())
    is_image = bool(agreement >= LEAST_AGREEMENT and abs(gain) ** 2 <= WORST_IMAGE_POWER_RATIO)
    spread = mirror_power[usable] ** 2 / np.maximum((squared[usable] ** 2).sum(axis=1), 1e-30)
    is_certain = is_image and np.median(spread) > SPOKEN_BINS and coherence.mean() > CERTAIN_COHERENCE
    certain_gain = gain if is_certain else None
    if known_gain is not None:
        rest = own[usable] - np.complex64(known_gain) * mirror[usable]
        rest_power = np.sum(np.abs(rest) ** 2, axis=1, dtype=np.float64)
        share[usable] = np.minimum(rest_power / own_power[usable], 1.0)
        return ImageFit(share, abs(known_gain) ** 2, certain_gain)
    if not is_image:
        return ImageFit(share, 0.0)
    share[usable] = 1 - coherence
    return ImageFit(share, abs(gain) ** 2, certain_gain)


def _tapered(spectra: ComplexSamples, bins: NDArray[np.int_]) -> ComplexSamples:
    """The bins after a Hann taper, applied as the convolution (-1/2, 1, -1/2)."""
    length = spectra.shape[1]
    beside = np.take(spectra, (bins - 1) % length, axis=1) + np.take(spectra, (bins + 1) % length, axis=1)
    tapered: ComplexSamples = np.take(spectra, bins % length, axis=1) - np.float32(0.5) * beside
    return tapered


class ImageGains:
    """The image gains learned so far, one for each channel that has held an image."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget all."""
        self._gains: dict[int, complex] = {}

    def __contains__(self, channel: object) -> bool:
        return channel in self._gains

    def fit(
        self, channel: int, spectra: ComplexSamples, centre_bin: int, half_width_bins: int, *, is_open: bool
    ) -> ImageFit:
        """Part a channel's band and learn from it; see :func:`fit_image`.

        While nothing is learned an open channel keeps all its power: it may be a station's, pausing.
        """
        known = self._gains.get(channel)
        fit = fit_image(spectra, centre_bin, half_width_bins, known)
        if fit.certain_gain is not None:
            before = fit.certain_gain if known is None else known
            self._gains[channel] = before + LEARNING_PACE * (fit.certain_gain - before)
        elif known is None and is_open:
            return ImageFit(np.ones(len(spectra)), 0.0)
        return fit
