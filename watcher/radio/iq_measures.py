"""Figures of a piece of IQ: noise floor, peaks, share of clipped samples. Numbers in, numbers out."""

from __future__ import annotations

import numpy as np
import scipy
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples, IqBlock

FLOOR_BINS = 512
MIDDLE_SHARE = 0.8  # of the span: tuners roll off beyond (common practice, no source)
QUANTILE = 0.30  # up to 70 % of the bins may be occupied and the floor still stands


def mean_spectrum(samples: ComplexSamples, sample_rate_hz: int, bins: int) -> NDArray[np.float64]:
    """Power density at `bins` frequencies, lowest first, 0 Hz at `bins // 2`; in 1/Hz of full scale.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
        At least `bins`; what is over after the last whole piece is left out.

    Notes
    -----
    Welch's method without overlap, so that the pieces are independent in white noise: P. D. Welch, IEEE
    Trans. Audio Electroacoustics 15 (1967).
    """
    pieces = len(samples) // bins
    if pieces < 1:
        raise ValueError(f"{len(samples)} samples make no spectrum of {bins} bins; give at least {bins}")
    taper = scipy.signal.windows.hann(bins, sym=False).astype(np.float32)
    spectra = scipy.fft.fft(samples[: pieces * bins].reshape(pieces, bins) * taper, axis=1)
    power = np.einsum("ij,ij->j", spectra.real, spectra.real, dtype=np.float64)
    power += np.einsum("ij,ij->j", spectra.imag, spectra.imag, dtype=np.float64)
    density: NDArray[np.float64] = power / (pieces * sample_rate_hz * float(np.dot(taper, taper)))
    return np.fft.fftshift(density)


def noise_floor_dbfs_hz(samples: ComplexSamples, sample_rate_hz: int) -> float:
    """The noise floor of the whole span, dBFS/Hz; minus infinity where most of the span is silent.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
        At least 512.

    Notes
    -----
    The 30 % quantile over the middle 80 % of the span (0 Hz left out), divided by that quantile's place in
    the gamma law of averaged white noise, so that white noise gives its own density. Stations do not raise it
    while they fill less than 70 % of the span.
    """
    density = mean_spectrum(samples, sample_rate_hz, FLOOR_BINS)
    offset = np.abs(np.arange(FLOOR_BINS) - FLOOR_BINS // 2)
    usable = (offset > 2) & (offset < MIDDLE_SHARE * FLOOR_BINS / 2)
    pieces = len(samples) // FLOOR_BINS
    place = float(scipy.stats.gamma.ppf(QUANTILE, pieces)) / pieces
    with np.errstate(divide="ignore"):
        return float(10 * np.log10(np.quantile(density[usable], QUANTILE) / place))


def peak_dbfs(samples: ComplexSamples) -> float:
    """The largest I or Q against the converter's full scale, dB; minus infinity for silence."""
    peak = float(np.abs(samples.view(np.float32)).max(initial=0.0))
    with np.errstate(divide="ignore"):
        return float(20 * np.log10(peak))


def clipped_share(blocks: list[IqBlock]) -> float:
    """The share of samples at the converter's limits; 0 where there is no sample."""
    samples = sum(len(block.samples) for block in blocks)
    return sum(block.clipped for block in blocks) / samples if samples else 0.0
