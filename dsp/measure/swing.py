"""How an FM carrier swings: its mean, its rms and its peak.

The measures rest on the lag products x[n + k] conj(x[n]). Their mean is the autocorrelation of signal plus
noise; the noise's own part is known and real and is taken off before any angle is drawn, so that what
remains does not lean to zero frequency as the noise grows. Each product weighs by the power of its
samples, so that a click, which comes where the carrier is drowned, counts little.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.measure.power import carrier_to_noise_db
from dsp.measure.reading import PIECES, ChannelNoise, Reading, lag_products, piece_lengths, piece_sums

_SPEECH_TOP_HZ = 3000.0  # TIA-603-E, 2.1.10 method (secondary): speech is 300 to 3000 Hz
_DEVIATION_STOP_HZ = 5000.0  # where the filter ahead of the peak reading has closed (our choice)
_LEAST_CNR_FOR_PEAK_DB = 8.0  # below this, clicks outnumber peaks (found by simulation)


def frequency_error_hz(
    samples: NDArray[np.complex64], noise: ChannelNoise, *, sample_rate_hz: float
) -> Reading | None:
    """Where the carrier stands against the channel's centre, Hz.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
    noise : ChannelNoise
    sample_rate_hz : float

    Returns
    -------
    Reading or None
        Rate / (2 pi) times the angle of the lag-one autocorrelation less the noise's. Sigma holds the
        scatter over 16 pieces (jackknife) and what the noise's own uncertainty moves. None for fewer than
        64 samples, or where the carrier cannot be told from the noise.

    Notes
    -----
    The angle of a mean product is the mean frequency up to the third moment of the modulation: speech that
    swings further one way than the other moves it by a few Hz at 16 kS/s (a tenth of that at 48 kS/s).

    References
    ----------
    Kay, "A fast and accurate single frequency estimator", IEEE Trans. ASSP 37, 1989, for the lag-one product;
    the subtraction of the noise is elementary. Jackknife: Efron, SIAM, 1982.
    """

    def angle_hz(lags: NDArray[np.complex128]) -> float:
        return float(np.angle(lags[1]) * sample_rate_hz / (2.0 * np.pi))

    return _jackknifed(samples, noise, sample_rate_hz, (0, 1), angle_hz)


def rms_deviation_hz(
    samples: NDArray[np.complex64], noise: ChannelNoise, *, sample_rate_hz: float
) -> Reading | None:
    """Root mean square of the carrier's swing about its own mean, tone included, Hz.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
    noise : ChannelNoise
    sample_rate_hz : float

    Returns
    -------
    Reading or None
        Sigma as for :func:`frequency_error_hz`: it holds how loud and soft speech alternate too, so it
        overstates the doubt about this one transmission. None for fewer than 64 samples, where the carrier
        cannot be told from the noise, or where sigma reaches half the value: at a low carrier-to-noise
        ratio the spread of the noise itself is far wider than speech, and must be known to a few hundredths
        of a dB.

    Notes
    -----
    For a carrier of constant amplitude the second moment of the power spectrum about its mean is the mean
    square of the instantaneous frequency, whatever the modulation. It is the curvature of the
    autocorrelation at lag zero, taken here from lags 0, 1 and 2 (fourth-order difference). No discriminator
    is involved, so neither threshold nor clicks are.

    References
    ----------
    With |x| = 1, the mean of |dx/dt|^2 is (2 pi)^2 times the mean square frequency and, by Wiener and
    Khinchin, minus the autocorrelation's second derivative at zero: elementary. Difference formula:
    Abramowitz and Stegun 25.3.24 (from memory).
    """

    def spread_hz(lags: NDArray[np.complex128]) -> float:
        size = np.abs(lags)
        once, twice = 2.0 * (1.0 - size[1] / size[0]), 0.5 * (1.0 - size[2] / size[0])
        square = (4.0 * once - twice) / 3.0
        return float(np.sqrt(max(square, 0.0)) * sample_rate_hz / (2.0 * np.pi))

    found = _jackknifed(samples, noise, sample_rate_hz, (0, 1, 2), spread_hz)
    if found is None or found.sigma >= 0.5 * found.value:
        return None
    return found


def peak_deviation_hz(
    samples: NDArray[np.complex64], noise: ChannelNoise, *, sample_rate_hz: float, carrier_hz: float = 0.0
) -> Reading | None:
    """The farthest the carrier swings from its mean, to either side, tone included, Hz.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
    noise : ChannelNoise
    sample_rate_hz : float
    carrier_hz : float
        Where the carrier stands: the swing is counted from there.

    Returns
    -------
    Reading or None
        The larger of the two peaks, with what noise adds to a peak taken off. None for fewer than 256
        samples, or under 8 dB carrier to noise.

    Notes
    -----
    1. Discriminator: angle of the lag-one product, Hz.
    2. Low-pass, flat to 3 kHz and closed at 5 kHz.
    3. The maximum, leaving out places where the carrier is under 0.4 of the median product (nearly drowned:
       clicks come from there), less the noise's rms behind the filter times the expected largest of m normal
       deviates; m is how many independent samples come within three rms of the maximum.

    The noise's density behind a discriminator is f^2 N0 / C. Speech peaks are rare and short, so their
    reading has a floor of about half a percent and hangs on how long was listened.

    References
    ----------
    Peak deviation as the larger of the two peaks: TIA-603-E, 3.1 modulation limiting (from memory). Noise
    behind a discriminator: Carlson, Communication Systems, "noise in FM" (from memory). Largest normal
    deviate: Blom, Statistical Estimates and Transformed Beta-Variables, 1958 (from memory).
    """
    if len(samples) < 256:
        return None
    ratio = carrier_to_noise_db(samples, noise, sample_rate_hz=sample_rate_hz)
    if noise.power > 0.0 and (ratio is None or ratio.value < _LEAST_CNR_FOR_PEAK_DB):
        return None
    product = lag_products(samples, 1) * np.complex64(np.exp(-2j * np.pi * carrier_hz / sample_rate_hz))
    weight = np.abs(product)
    median = float(np.median(weight))
    if median <= 0.0:
        return None
    swing_hz = np.angle(product) * np.float32(sample_rate_hz / (2.0 * np.pi))
    taps = _deviation_taps(sample_rate_hz)
    smooth_hz = scipy.signal.oaconvolve(swing_hz, taps, mode="valid")
    edge = len(taps) // 2
    up = scipy.ndimage.minimum_filter1d(weight, 5)[edge : len(weight) - edge] > 0.4 * median
    smooth_hz = smooth_hz[up]
    if smooth_hz.size == 0:
        return None

    noise_hz = 0.0
    if ratio is not None:
        noise_hz = _noise_behind(taps, sample_rate_hz, 10.0 ** (ratio.value / 10.0) * noise.width_hz)
    share = 2.0 * 0.5 * (_SPEECH_TOP_HZ + _DEVIATION_STOP_HZ) / sample_rate_hz  # independent samples a sample
    peaks_hz = []
    for side_hz in (smooth_hz, -smooth_hz):
        top_hz = float(side_hz.max())
        near = max(float(np.count_nonzero(side_hz > top_hz - 3.0 * noise_hz)) * min(share, 1.0), 1.0)
        excess = max(float(scipy.special.ndtri((near - 0.375) / (near + 0.25))), 0.0)  # Blom
        peaks_hz.append(top_hz - excess * noise_hz)
    value_hz = max(peaks_hz)
    # 0.85 of the noise's rms covers scatter and leftover bias from 8 to 30 dB (simulated in the tests)
    return Reading(value_hz, float(np.hypot(0.85 * noise_hz, 0.005 * value_hz)))


def _jackknifed(
    samples: NDArray[np.complex64],
    noise: ChannelNoise,
    sample_rate_hz: float,
    lags: tuple[int, ...],
    measure: Callable[[NDArray[np.complex128]], float],
) -> Reading | None:
    """A function of the noise-free autocorrelation, with its uncertainty.

    The pieces are left out one at a time; their scatter about the mean gives sigma. What one sigma of the
    noise's power moves is added in quadrature.
    """
    if len(samples) < 4 * PIECES:
        return None
    sums = np.array([piece_sums(lag_products(samples, lag)) for lag in lags])
    lengths = np.array([piece_lengths(len(samples) - lag) for lag in lags])
    shape = np.array([noise.correlation(lag / sample_rate_hz) for lag in lags])

    def lags_of(
        total: NDArray[np.complex128], count: NDArray[np.int64], noise_power: float
    ) -> NDArray[np.complex128]:
        return np.asarray(total / count - noise_power * shape, dtype=np.complex128)

    total, count = sums.sum(axis=1), lengths.sum(axis=1)
    whole = lags_of(total, count, noise.power)
    # The carrier must stand three sigma out of the scatter of noise alone, N over K independent samples.
    independent = max(min(noise.width_hz / sample_rate_hz, 1.0) * len(samples), 1.0)
    doubt = noise.power * float(np.hypot(1.0 / np.sqrt(independent), noise.relative_sigma))
    if whole[0].real <= 3.0 * doubt or abs(whole[1]) <= 3.0 * doubt:
        return None
    value = measure(whole)
    left_out = np.array(
        [
            measure(lags_of(total - sums[:, one], count - lengths[:, one], noise.power))
            for one in range(PIECES)
        ]
    )
    scatter = float(np.sqrt((PIECES - 1) / PIECES * np.sum((left_out - left_out.mean()) ** 2)))
    moved = measure(lags_of(total, count, noise.power * (1.0 + noise.relative_sigma))) - value
    return Reading(float(value), float(np.hypot(scatter, moved)))


def _deviation_taps(sample_rate_hz: float) -> NDArray[np.float32]:
    """Linear-phase low-pass ahead of the peak reading: 40 dB, so that its ripple stays under 1 %.

    A phase step is the mean of the swing over a sample, 6 % low at 3 kHz and 16 kS/s; the middle is the
    mean less a 24th of the second difference (Taylor), which the taps make good as well.
    """
    stop_hz = min(_DEVIATION_STOP_HZ, 0.48 * sample_rate_hz)
    pass_hz = min(_SPEECH_TOP_HZ, 0.6 * stop_hz)
    count, beta = scipy.signal.kaiserord(40.0, (stop_hz - pass_hz) / (0.5 * sample_rate_hz))
    taps = scipy.signal.firwin(
        count | 1, 0.5 * (pass_hz + stop_hz), fs=sample_rate_hz, window=("kaiser", beta)
    )
    return np.asarray(np.convolve(taps, [-1.0 / 24.0, 13.0 / 12.0, -1.0 / 24.0]), dtype=np.float32)


def _noise_behind(taps: NDArray[np.float32], sample_rate_hz: float, carrier_per_hz: float) -> float:
    """Rms of the discriminator's noise behind a filter, Hz: density f^2 N0 / C over positive frequencies."""
    gain = np.abs(np.fft.rfft(taps, 1024)) ** 2
    frequency_hz = np.fft.rfftfreq(1024, 1.0 / sample_rate_hz)
    return float(np.sqrt(np.sum(frequency_hz**2 * gain) * frequency_hz[1] / carrier_per_hz))
