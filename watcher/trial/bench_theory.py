"""What theory allows a receiver: the columns beside the bench's figures. Closed formulas, no signal."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, erfc, jv
from scipy.stats import f as f_law
from scipy.stats import ncf

from dsp.audio import de_emphasis_gain
from dsp.filter_bank_design import prototype, shape_for_rate
from watcher.trial.bench_lab import CRITERION_DB, RATE_HZ, TONE_HZ, UNWANTED_TONE_HZ, Service, noise_width_hz

THERMAL_DBM_PER_HZ = -173.98  # k T0 at 290 K (arithmetic)
NOISE_FIGURE_DB = 6.0  # of a common receiver stick (our choice)


def floor_dbm(service: Service, noise_figure_db: float = NOISE_FIGURE_DB) -> float:
    """Thermal noise in the channel's noise bandwidth, with the radio's own, dBm."""
    return float(THERMAL_DBM_PER_HZ + noise_figure_db + 10 * np.log10(noise_width_hz(service)))


def sinad_db(
    service: Service, cnr_db: float, *, width_hz: float | None = None, deviation_hz: float | None = None
) -> float:
    """SINAD behind a discriminator at and above threshold.

    Gaussian part: one-sided density f² N0 / C. Clicks are turns of +1 or -1. A carrier f' off the middle of a
    rectangular band B of radius of gyration r = B / sqrt 12 makes, with a = f' / r,

        sqrt(r² + f'²) erfc(sqrt(rho (1 + a²))) + |f'| e^-rho erf(a sqrt rho)

    of them a second (S. O. Rice, "Noise in FM receivers", 1963, used as in H. Taub and D. Schilling,
    "Principles of Communication Systems", ch. 10; both from memory), averaged here over the tone's swing;
    their one-sided density is twice that. The tone and the Gaussian part shrink by (1 - e^-rho)². All of it
    behind 750 us of de-emphasis, 1 at 1 kHz, cut off sharply at 300 and 3000 Hz.
    """
    width_hz = width_hz or noise_width_hz(service)
    peak_hz = deviation_hz or service.standard_hz
    rho = 10 ** (cnr_db / 10)
    f = np.linspace(300.0, 3000.0, 4001)
    gain = (1 + (2 * np.pi * 750e-6 * TONE_HZ) ** 2) / (1 + (2 * np.pi * 750e-6 * f) ** 2)
    shrunk = (1 - np.exp(-rho)) ** 2
    radius_hz = width_hz / np.sqrt(12)
    off = np.abs(peak_hz * np.sin(2 * np.pi * (np.arange(400) + 0.5) / 400)) / radius_hz
    rates = np.sqrt(1 + off**2) * erfc(np.sqrt(rho * (1 + off**2)))
    rates += off * np.exp(-rho) * erf(off * np.sqrt(rho))
    clicks = radius_hz * float(np.mean(rates))
    gaussian = np.trapezoid(f**2 * gain, f) / (rho * width_hz) * shrunk
    tone = peak_hz**2 / 2 * shrunk
    return float(10 * np.log10(1 + tone / (gaussian + 2 * clicks * np.trapezoid(gain, f))))


def reference_cnr_db(service: Service) -> float:
    """Where theory has 12 dB SINAD."""
    return float(brentq(lambda cnr_db: sinad_db(service, cnr_db) - CRITERION_DB, 3.0, 12.0))


def adjacent_rejection_db(service: Service, side: int, cnr_db: float) -> float:
    """What the channel filter promises: the neighbour's lines that pass it make up the noise's own power.

    A receiver does better where these lines lie at the band's edge and beat with the carrier above speech.

    Wanted 3 dB over reference, so SINAD is back at the criterion where noise and leak are twice the noise. A
    carrier modulated by a sine has lines J_n(index)² (J. R. Carson 1922; any handbook).
    """
    index = service.standard_hz / UNWANTED_TONE_HZ
    order = np.arange(-200, 201)
    lines_hz = side * service.spacing_hz + order * UNWANTED_TONE_HZ
    taps = prototype(shape_for_rate(RATE_HZ), service.pass_band_hz)
    n = np.arange(len(taps)) - len(taps) // 2
    gains = np.array([abs(np.sum(taps * np.exp(-2j * np.pi * each * n / RATE_HZ))) for each in lines_hz])
    leak = float(np.sum(jv(order, index) ** 2 * gains**2))
    return float(-10 * np.log10(leak) - cnr_db)


def response_against_line_db() -> tuple[float, float]:
    """Least and most of 750 us of de-emphasis against 6 dB an octave through 1 kHz, 300 to 3000 Hz."""
    f = np.linspace(300.0, 3000.0, 2701)
    against_db = 20 * np.log10(de_emphasis_gain(f) / (TONE_HZ / f))
    return float(against_db.min()), float(against_db.max())


def energy_false_alarm(ratio: float, samples: float, floor_samples: float) -> float:
    """Chance that the mean of independent noise samples stands so far over an estimated floor.

    The mean of n squared magnitudes has a chi-square law of 2n degrees of freedom, the floor one of 2m: their
    ratio has an F law (H. Urkowitz, Proc. IEEE 55, 1967, with an estimated floor).
    """
    return float(f_law.sf(ratio, 2 * samples, 2 * floor_samples))


def energy_detection(ratio: float, cnr_db: float, samples: float, floor_samples: float) -> float:
    """The same with a steady carrier in the noise: a noncentral F law."""
    shift = 2 * samples * 10 ** (cnr_db / 10)
    return float(ncf.sf(ratio, 2 * samples, 2 * floor_samples, shift))
