"""What a survey works out from samples: where a known carrier stands, what ppm follows, which lines never
move.

Numbers in, numbers out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
import scipy.signal
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples

CARRIER_WIDTH_HZ = 16_000
"""What an FM station of 5 kHz deviation fills: Carson's rule with 3 kHz of voice."""

SEARCH_HZ = 12_000
"""Less than half of the 25 kHz between neighbours, so that none is taken for another: 74 ppm at 162 MHz."""

LEAST_SNR_DB = 10.0
"""Below it the discriminator clicks (the threshold of FM, common knowledge), and its mean is no frequency."""

LINE_FALSE_RATE = 1e-9
"""Per bin and survey: one false line in a thousand surveys of some tens of channels."""

LINE_BINS = 2  # on either side of a line's peak: all of a Hann-tapered line
NEIGHBOUR_BINS = 60
WIDE_SHARE = 0.1
"""Of a line's power, outside of its own bins: a Hann taper leaves 0.03 % there, a voice nearly everything."""
STEADY_DB = 2.0
"""How much a line's power may scatter between pieces: a carrier that somebody keys comes and goes."""

CRYSTAL_HZ = 28_800_000
"""The reference of radios of the RTL2832U class; its harmonics come in by themselves (secondary)."""


@dataclass(frozen=True, slots=True)
class CarrierError:
    """Where a known carrier was seen.

    Parameters
    ----------
    frequency_hz : int
        Where it is known to be.
    offset_hz, sigma_hz : float
        How far above that it shows, and the standard uncertainty.
    snr_db : float
        In `CARRIER_WIDTH_HZ`.
    """

    frequency_hz: int
    offset_hz: float
    sigma_hz: float
    snr_db: float

    def ppm(self) -> tuple[float, float]:
        """How fast the radio's reference runs by this carrier alone, and the uncertainty.

        A fast reference tunes too high, and what is on the air shows too low.
        """
        return -self.offset_hz / self.frequency_hz * 1e6, self.sigma_hz / self.frequency_hz * 1e6


@dataclass(frozen=True, slots=True)
class PpmEstimate:
    """How fast the reference runs, with the standard uncertainty, from how many carriers."""

    ppm: float
    sigma_ppm: float
    carriers: int
    agree: bool


@dataclass(frozen=True, slots=True)
class SteadyLine:
    """A line that has no width and does not move.

    Parameters
    ----------
    frequency_hz : float
        As it shows, uncorrected.
    above_floor_db : float
        Of its bin over the noise around it.
    harmonic : int or None
        Which harmonic of the crystal stands there.
    """

    frequency_hz: float
    above_floor_db: float
    harmonic: int | None


def find_carrier(
    density: NDArray[np.float64], sample_rate_hz: int, offset_hz: float, search_hz: float = SEARCH_HZ
) -> float | None:
    """Roughly where the strongest station near an offset stands; None where all is noise or outside.

    Parameters
    ----------
    density : ndarray of float64, shape (bins,)
        From :func:`~watcher.radio.iq_measures.mean_spectrum`.
    offset_hz : float
        Of the known frequency from 0 Hz.
    """
    bin_hz = sample_rate_hz / len(density)
    half = round(CARRIER_WIDTH_HZ / 2 / bin_hz)
    middle = len(density) // 2 + round(offset_hz / bin_hz)
    reach = round(search_hz / bin_hz)
    low, high = middle - reach - half, middle + reach + half + 1
    if low < 0 or high > len(density):
        return None
    total = np.convolve(density[low:high], np.ones(2 * half + 1), "valid")
    best = int(np.argmax(total))
    noise = float(np.median(density)) * (2 * half + 1)
    if total[best] < 2 * noise:
        return None
    # The centre of what is there, twice: the strongest window alone is flat-topped.
    place = best + half
    above = np.maximum(density[low:high] - float(np.median(density)), 0.0)
    for _ in range(2):
        near = slice(max(0, place - half), place + half + 1)
        weights = above[near]
        place = near.start + round(float(np.average(np.arange(len(weights)), weights=weights)))
    if abs(place - half - reach) > reach:  # the skirt of a neighbour
        return None
    return (low + place - len(density) // 2) * bin_hz


def mean_frequency_hz(
    samples: ComplexSamples, sample_rate_hz: int, offset_hz: float, width_hz: float = CARRIER_WIDTH_HZ
) -> tuple[float, float]:
    """Mean frequency of what stands around an offset, Hz from 0 Hz, and its power.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
    offset_hz : float
        Middle of the band that is looked at.

    Notes
    -----
    The discriminator's mean: voice has no constant part, so that a modulated FM carrier averages to its own
    frequency. Filtered by one finite response; its run-in is left out.
    """
    step = max(1, int(sample_rate_hz / (3 * width_hz)))
    taps = scipy.signal.firwin(16 * step + 1, min(0.99, width_hz / sample_rate_hz)).astype(np.float32)
    turns = (np.arange(len(samples)) * (-offset_hz / sample_rate_hz)) % 1.0
    turned = samples * np.exp(2j * np.pi * turns).astype(np.complex64)
    narrow = scipy.signal.upfirdn(taps, turned, down=step)[16:-17]
    if len(narrow) < 2:
        raise ValueError(f"{len(samples)} samples are too few for a band of {width_hz:g} Hz")
    turn = np.angle(narrow[1:] * np.conj(narrow[:-1]))
    hertz = float(np.mean(turn)) * sample_rate_hz / step / (2 * math.pi)
    return offset_hz + hertz, float(np.mean(np.abs(narrow) ** 2))


def carrier_error(
    frequency_hz: int,
    centre_hz: int,
    measured: Sequence[tuple[float, float]],
    floor_density: float,
) -> CarrierError | None:
    """What several looks at one carrier give; None where it is too weak.

    Parameters
    ----------
    frequency_hz, centre_hz : int
        Where the carrier is known to be, and the radio's tuning.
    measured : sequence of (float, float)
        From :func:`mean_frequency_hz`, at least 3 of them.
    floor_density : float
        Noise, 1/Hz of full scale.

    Notes
    -----
    Looks where the carrier was down are left out. The uncertainty is the standard error of the mean of the
    looks; it errs on the high side, because what voice does to the end of one look it undoes in the next.
    """
    noise = floor_density * CARRIER_WIDTH_HZ
    ratios = [10 * math.log10(max(power / noise - 1, 1e-9)) for _, power in measured]
    heard = [hertz for (hertz, _), ratio in zip(measured, ratios, strict=True) if ratio >= LEAST_SNR_DB]
    if len(heard) < 3:
        return None
    offset_hz = float(np.mean(heard)) - (frequency_hz - centre_hz)
    sigma_hz = float(np.std(heard, ddof=1)) / math.sqrt(len(heard))
    return CarrierError(frequency_hz, offset_hz, sigma_hz, float(np.median(ratios)))


def estimate_ppm(errors: Sequence[CarrierError], station_sigma_ppm: float) -> PpmEstimate | None:
    """How fast the reference runs by all carriers together; None without a carrier.

    Parameters
    ----------
    errors : sequence of CarrierError
    station_sigma_ppm : float
        Standard uncertainty of each station's own frequency.

    Notes
    -----
    Weighted by the inverse square of the uncertainties. Where the carriers scatter more than those explain,
    the uncertainty grows by the root of chi-square over its degrees of freedom: R. T. Birge, Phys. Rev. 40
    (1932). They agree where chi-square is not beyond its 99 % point.
    """
    if not errors:
        return None
    values = np.array([error.ppm()[0] for error in errors])
    sigmas = np.hypot([error.ppm()[1] for error in errors], station_sigma_ppm)
    weights = 1 / sigmas**2
    ppm = float(np.average(values, weights=weights))
    sigma = float(np.sum(weights) ** -0.5)
    freedom = len(values) - 1
    chi_square = float(np.sum(weights * (values - ppm) ** 2))
    if freedom and chi_square > freedom:
        sigma *= math.sqrt(chi_square / freedom)
    agree = not freedom or chi_square <= float(scipy.stats.chi2.ppf(0.99, freedom))
    return PpmEstimate(ppm, sigma, len(values), agree)


def steady_lines(
    pieces: NDArray[np.float64],
    spectra_in_piece: int,
    sample_rate_hz: int,
    centre_hz: int,
    bands: Sequence[tuple[float, float]],
) -> list[SteadyLine]:
    """Lines without width that stand in every piece, inside the given bands.

    Parameters
    ----------
    pieces : ndarray of float64, shape (pieces, bins)
        Mean spectra of successive pieces of time.
    spectra_in_piece : int
        How many spectra each is the mean of.
    bands : sequence of (float, float)
        From and to, Hz on the air.

    Notes
    -----
    The threshold over the median of the neighbours follows from the gamma law of averaged white noise and
    `LINE_FALSE_RATE`. A line's power must stand in the five bins that a Hann taper gives it (F. J. Harris,
    Proc. IEEE 66, 1978), and scatter by less than `STEADY_DB` between pieces.
    """
    density = pieces.mean(axis=0)
    spectra = spectra_in_piece * len(pieces)
    half_place = float(scipy.stats.gamma.ppf(0.5, spectra)) / spectra
    threshold = float(scipy.stats.gamma.isf(LINE_FALSE_RATE, spectra)) / spectra
    bin_hz = sample_rate_hz / len(density)
    found = []
    for low_hz, high_hz in bands:
        low = math.ceil((low_hz - centre_hz) / bin_hz) + len(density) // 2
        high = math.floor((high_hz - centre_hz) / bin_hz) + len(density) // 2
        for place in range(max(low, LINE_BINS), min(high + 1, len(density) - LINE_BINS)):
            line = slice(place - LINE_BINS, place + LINE_BINS + 1)
            if density[place] < density[line].max():
                continue
            around = np.r_[
                density[max(0, place - NEIGHBOUR_BINS) : line.start],
                density[line.stop : place + NEIGHBOUR_BINS + 1],
            ]
            floor = float(np.median(around)) / half_place
            if density[place] < threshold * floor:
                continue
            inside = float(np.sum(density[line] - floor))
            outside = float(np.sum(around - floor)) - 3 * floor * math.sqrt(len(around) / spectra)
            if outside > WIDE_SHARE * inside:  # a station, whose power is spread
                continue
            powers = pieces[:, line].sum(axis=1) - (2 * LINE_BINS + 1) * floor
            if powers.min() <= 0 or float(np.std(10 * np.log10(powers))) > STEADY_DB:
                continue
            weights = np.maximum(density[line] - floor, 0)
            centre = float(np.average(np.arange(line.start, line.stop), weights=weights))
            frequency_hz = centre_hz + (centre - len(density) // 2) * bin_hz
            above_db = 10 * math.log10(float(density[place]) / floor)
            found.append(SteadyLine(frequency_hz, above_db, crystal_harmonic(frequency_hz, 2 * bin_hz)))
    return found


def crystal_harmonic(frequency_hz: float, within_hz: float) -> int | None:
    """Which harmonic of the crystal shows at a frequency, or None.

    A harmonic shows at its nominal place whatever the ppm: the tuning and the sample clock come from the same
    crystal and are off by the same share.
    """
    number = round(frequency_hz / CRYSTAL_HZ)
    return number if number and abs(frequency_hz - number * CRYSTAL_HZ) <= within_hz else None
