"""What a filter bank for one input rate looks like: rates, lengths, and the channel filters.

Kept apart from the streaming :mod:`dsp.channelizer` so that the shape of a filter can be computed,
drawn and tested without a single sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil

import numpy as np
import scipy
import scipy.fft
from numpy.typing import NDArray

STOP_BAND_DB = 80.0  # attenuation promised from the stop edge outward
DESIGN_DB = 83.0  # what the window is asked for, so that the promise survives the cut to few bins
RIPPLE_DB = 0.1  # promised inside the pass band, peak to peak
TRANSITION_HZ = 1500.0  # pass edge to stop edge: 5.5 to 7.0 kHz keeps a 12.5 kHz neighbour's band out
BASE_RATE_HZ = 16_000  # the lowest channel rate aimed at: two stop edges of a 12.5 kHz channel fit
BASE_BINS = 256  # bins of the small inverse FFT at the base rate
CELL_BINS = 32  # FFT bins summed to one cell of the coarse spectrum (about 2 kHz)
LOWEST_RATE_HZ = 16_000


@dataclass(frozen=True, slots=True)
class BankShape:
    """The lengths that one input rate leads to.

    Parameters
    ----------
    sample_rate_hz : int
    decimation : int
        Input samples per output sample at the base channel rate.
    fft_length : int
        Input samples of the forward FFT, `decimation * BASE_BINS`.
    filter_length : int
        Taps of the channel filter at the input rate, odd.
    hop_samples : int
        Input samples that each FFT advances.
    """

    sample_rate_hz: int
    decimation: int
    fft_length: int
    filter_length: int
    hop_samples: int

    @property
    def bin_hz(self) -> float:
        """Spacing of the forward FFT's bins."""
        return self.sample_rate_hz / self.fft_length

    @property
    def hop_seconds(self) -> float:
        """Length of one frame."""
        return self.hop_samples / self.sample_rate_hz

    @property
    def half_overlap(self) -> int:
        """Input samples read before and after each hop, so that the filter's delay is taken off."""
        return (self.fft_length - self.hop_samples) // 2

    def bins_for(self, pass_band_hz: float) -> int:
        """Length of the small inverse FFT for a pass band: a multiple of 64 that holds both stop edges."""
        stop_to_stop_hz = pass_band_hz + 2 * TRANSITION_HZ
        bins = max(BASE_BINS, 64 * ceil(stop_to_stop_hz / self.bin_hz / 64 - 1e-9))
        return min(bins, self.fft_length)

    def rate_ratio(self, bins: int) -> Fraction:
        """Channel rate over input rate for an inverse FFT of `bins`."""
        return Fraction(bins, self.fft_length)


def shape_for_rate(sample_rate_hz: int) -> BankShape:
    """The filter bank's lengths for one input rate.

    The channel rate is kept between 16 and about 18 kHz by an integer decimation; among the
    candidates the one whose FFT has small prime factors and whose rate stands in a simple ratio
    to 16 kHz wins, because both the FFT and the audio resampler are then cheap.

    Raises
    ------
    ValueError
        The rate is under 16 000 samples per second.
    """
    if sample_rate_hz < LOWEST_RATE_HZ:
        raise ValueError(
            f"sample_rate_hz is {sample_rate_hz}; it must be at least {LOWEST_RATE_HZ} for one voice channel"
        )
    highest = sample_rate_hz // BASE_RATE_HZ
    lowest = max(1, ceil(sample_rate_hz / (1.125 * BASE_RATE_HZ)))
    candidates = range(min(lowest, highest), highest + 1)
    decimation = min(candidates, key=lambda d: (_awkwardness(sample_rate_hz, d), -d))
    fft_length = decimation * BASE_BINS
    taps = ceil((DESIGN_DB - 7.95) / (14.36 * TRANSITION_HZ / sample_rate_hz))  # Kaiser's estimate
    # A multiple of 8 base outputs: half of it, and its image at every rate of 64 bins' steps, is whole.
    overlap_outputs = 8 * ceil(taps / decimation / 8)
    overlap = overlap_outputs * decimation
    return BankShape(
        sample_rate_hz=sample_rate_hz,
        decimation=decimation,
        fft_length=fft_length,
        filter_length=overlap + 1 - overlap % 2,
        hop_samples=fft_length - overlap,
    )


def _awkwardness(sample_rate_hz: int, decimation: int) -> float:
    """How unwelcome a decimation is: large prime factors and an odd audio ratio cost time."""
    remainder, cost = decimation, 0.0
    for prime in (2, 3, 5):
        while remainder % prime == 0:
            remainder //= prime
    if remainder > 1:
        cost += np.log2(remainder)
    ratio = Fraction(BASE_RATE_HZ * decimation, sample_rate_hz)
    return float(cost + 0.5 * np.log2(min(ratio.denominator, 1000)))


def prototype(shape: BankShape, pass_band_hz: float) -> NDArray[np.float64]:
    """The channel filter's taps at the input rate: a linear-phase low-pass by the Kaiser window.

    Parameters
    ----------
    shape : BankShape
    pass_band_hz : float
        Full width of the pass band; the edges stand at plus and minus half of it.

    Returns
    -------
    ndarray of float64, shape (filter_length,)
        Unity gain at 0 Hz, symmetric.

    References
    ----------
    J. F. Kaiser and R. W. Schafer, IEEE Trans. ASSP 28 (1980), the I0-sinh window and its length rule.
    """
    cutoff_hz = pass_band_hz / 2 + TRANSITION_HZ / 2
    if cutoff_hz >= shape.sample_rate_hz / 2:  # the channel is as wide as the recording
        taps = np.zeros(shape.filter_length)
        taps[shape.filter_length // 2] = 1.0
        return taps
    beta = scipy.signal.kaiser_beta(DESIGN_DB)
    taps = scipy.signal.firwin(
        shape.filter_length, cutoff_hz, window=("kaiser", beta), fs=shape.sample_rate_hz
    )
    return np.asarray(taps, dtype=np.float64)


def bin_weights(
    shape: BankShape, pass_band_hz: float, residual_hz: float, bins: int
) -> NDArray[np.complex64]:
    """The filter's gain on the bins that one channel takes, zero phase.

    Parameters
    ----------
    residual_hz : float
        The channel's centre minus the centre bin's frequency; the filter is centred on the channel
        itself, not on the nearest bin.
    bins : int
        How many bins the channel takes, centre bin first, in FFT order.

    Returns
    -------
    ndarray of complex64, shape (bins,)
    """
    taps = prototype(shape, pass_band_hz)
    half = len(taps) // 2
    padded = np.zeros(shape.fft_length, dtype=np.complex128)
    n = np.arange(-half, len(taps) - half)
    padded[n] = taps * np.exp(2j * np.pi * residual_hz * n / shape.sample_rate_hz)
    response = scipy.fft.fft(padded)
    near = np.fft.fftfreq(bins, 1 / bins).astype(int)
    weights: NDArray[np.complex64] = response[near].astype(np.complex64)
    return weights


def noise_bandwidth_hz(shape: BankShape, pass_band_hz: float) -> float:
    """Equivalent noise bandwidth of the channel filter: sum of squared taps over the squared sum."""
    taps = prototype(shape, pass_band_hz)
    return float(np.sum(taps**2) / np.sum(taps) ** 2 * shape.sample_rate_hz)


def noise_lag_one(shape: BankShape, pass_band_hz: float, channel_rate_hz: float) -> float:
    """Normalized autocorrelation, one output sample apart, of white noise after the channel filter.

    Real, because the filter is symmetric about the channel's centre.
    """
    taps = prototype(shape, pass_band_hz)
    response = np.abs(scipy.fft.rfft(taps, 2 * shape.fft_length)) ** 2
    frequencies = np.arange(len(response)) * shape.sample_rate_hz / (2 * shape.fft_length)
    weights = response.copy()
    weights[1:] *= 2  # the negative frequencies
    return float(np.sum(weights * np.cos(2 * np.pi * frequencies / channel_rate_hz)) / np.sum(weights))
