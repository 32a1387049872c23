"""Noise, fading and receiver faults of the test transmitter against the laws they are to obey.

Sources beside each check; distributions and tests of fit from scipy.stats.
"""

import numpy as np
import pytest
from scipy import signal, stats
from scipy.special import j0

from dsp.modulate import (
    Birdie,
    Emission,
    Fading,
    FadingPath,
    FrontEnd,
    FrontEndFaults,
    ImpulseNoise,
    Impulses,
    NoiseRise,
    Scene,
    Unmodulated,
    add_noise,
    carrier_power,
    complex_noise,
    from_cu8,
    to_cu8,
    transmit,
)


def within_chance(mean_square: float, expected: float, independent: int) -> bool:
    """Whether a mean of `independent` exponential powers lies in the middle 99.99 % of chi-square."""
    low, high = stats.chi2.ppf([5e-5, 1 - 5e-5], 2 * independent) / (2 * independent)
    return bool(low <= mean_square / expected <= high)


def test_noise_has_its_stated_power(rng: np.random.Generator) -> None:
    noise = complex_noise(200_000, power=0.02, rng=rng)
    assert noise.dtype == np.complex64
    assert within_chance(float(np.mean(np.abs(noise) ** 2)), 0.02, len(noise))


def test_noise_is_white_and_gaussian_and_circular(rng: np.random.Generator) -> None:
    """Periodogram bins of white Gaussian noise are independent exponentials (Kolmogorov-Smirnov)."""
    noise = complex_noise(1 << 16, power=1.0, rng=rng).astype(np.complex128)
    bins = np.abs(np.fft.fft(noise)) ** 2 / len(noise)
    assert stats.kstest(bins, "expon").pvalue > 1e-4
    halves = np.split(bins, 64)
    assert all(within_chance(float(part.mean()), 1.0, len(part)) for part in halves)
    assert stats.kstest(noise.real, "norm", args=(0.0, np.sqrt(0.5))).pvalue > 1e-4
    assert abs(np.mean(noise**2)) < 5 / np.sqrt(len(noise))  # I and Q equal and uncorrelated


@pytest.mark.parametrize("width_hz", [11_000.0, 16_000.0])
def test_carrier_to_noise_holds_in_the_stated_width(rng: np.random.Generator, width_hz: float) -> None:
    """3 dB in a width: noise taken through a filter of that equivalent width (scipy.signal) is 3 dB down."""
    rate_hz, seconds = 96_000, 4.0
    clean = transmit(Unmodulated(), sample_rate_hz=rate_hz, seconds=seconds, rise_s=0.0, fall_s=0.0)
    noise = add_noise(clean, cnr_db=3.0, width_hz=width_hz, sample_rate_hz=rate_hz, rng=rng) - clean
    taps = signal.firwin(801, width_hz / 2, fs=rate_hz)
    equivalent_hz = rate_hz * float(np.sum(taps**2))  # gain 1 at 0 Hz
    heard = float(np.mean(np.abs(signal.oaconvolve(noise, taps, mode="valid")) ** 2))
    expected = 10 ** (-0.3) * equivalent_hz / width_hz
    assert within_chance(heard, expected, int(equivalent_hz * seconds))


def test_scene_carrier_stands_over_scene_noise_as_stated() -> None:
    """Both measured in the finished 2.4 MS/s samples: the carrier by its line, the noise beside it."""
    rate_hz, offset_hz = 2_400_000, 300_000.0
    emission = Emission(start_s=-1.0, stop_s=2.0, offset_hz=offset_hz, cnr_db=20.0)
    scene = Scene(sample_rate_hz=rate_hz, seconds=0.5, emissions=(emission,), noise_dbfs=-30.0)
    samples = scene.render(np.random.default_rng(5)).astype(np.complex128)
    bins = np.abs(np.fft.fft(samples) / len(samples)) ** 2
    line = round(offset_hz * 0.5)
    beside = np.r_[bins[line - 20_000 : line - 10], bins[line + 11 : line + 20_001]]
    bin_hz = 2.0
    carrier, density = bins[line] - beside.mean(), beside.mean() / bin_hz
    assert 10 * np.log10(carrier / (density * 11_000.0)) == pytest.approx(20.0, abs=0.1)
    assert within_chance(float(beside.sum()), 10**-3 * len(beside) / len(samples), len(beside))
    assert scene.truth()[0].power_dbfs == pytest.approx(10 * np.log10(carrier), abs=0.05)
    assert carrier_power(
        cnr_db=20.0, width_hz=11_000.0, noise_power=1e-3, sample_rate_hz=rate_hz
    ) == pytest.approx(100 * 1e-3 * 11_000 / 2_400_000)


def test_noise_rise_lifts_the_noise_by_its_decibels() -> None:
    scene = Scene(
        sample_rate_hz=240_000,
        seconds=1.5,
        noise_dbfs=-20.0,
        rises=(NoiseRise(start_s=0.5, stop_s=1.0, rise_db=6.0),),
    )
    power = np.abs(scene.render(np.random.default_rng(6))) ** 2
    parts = [float(part.mean()) for part in np.split(power.astype(np.float64), 3)]
    for part, expected in zip(parts, (0.01, 0.01 * 10**0.6, 0.01), strict=True):
        assert within_chance(part, expected, 120_000)


def test_impulses_arrive_as_a_poisson_process() -> None:
    """Gaps between arrivals are exponential and counts are Poisson (scipy.stats)."""
    rate_hz, per_second = 100_000.0, 200.0
    source = ImpulseNoise(
        Impulses(per_second=per_second, width_s=1e-5, power_dbfs=0.0),
        sample_rate_hz=rate_hz,
        rng=np.random.default_rng(8),
    )
    samples = np.zeros(2_000_000, dtype=np.complex64)
    for block in np.array_split(samples, 37):
        source.add_to(block)
    places = np.flatnonzero(samples)
    low, high = stats.poisson.ppf([1e-4, 1 - 1e-4], per_second * 20)
    assert low <= len(places) <= high
    gaps_s = np.diff(places) / rate_hz
    assert stats.kstest(gaps_s, "expon", args=(0.0, 1 / per_second)).pvalue > 1e-4
    assert within_chance(float(np.mean(np.abs(samples[places]) ** 2)), 1.0, len(places))


@pytest.fixture(scope="module")
def rayleigh() -> tuple[float, float, np.ndarray]:
    """Doppler, rate and gains of 40 independent paths of 20 s each, far above Nyquist."""
    doppler_hz, rate_hz = 10.0, 2000.0
    paths = [FadingPath(Fading(doppler_hz=doppler_hz), np.random.default_rng(seed)) for seed in range(40)]
    return doppler_hz, rate_hz, np.stack([path.gain_along(3.0, 40_000, rate_hz) for path in paths])


def test_rayleigh_amplitude_follows_its_law(rayleigh: tuple[float, float, np.ndarray]) -> None:
    """P(power < x) = 1 - exp(-x): shares under fixed powers, about 20 x 20 x 40 independent looks."""
    power = np.abs(rayleigh[2].astype(np.complex128)) ** 2
    assert power.mean() == pytest.approx(1.0, abs=0.04)
    for level in (0.01, 0.1, 0.5, 1.0, 2.0, 3.0):
        assert np.mean(power < level) == pytest.approx(1 - np.exp(-level), rel=0.1)


def test_rayleigh_autocorrelation_is_j0(rayleigh: tuple[float, float, np.ndarray]) -> None:
    """J0(2 pi f_D tau): Clarke 1968; Jakes, Microwave Mobile Communications, 1974, ch. 1."""
    doppler_hz, rate_hz, gain = rayleigh
    for lag_s in (0.005, 0.01, 0.02, 0.0383, 0.06):
        lag = round(lag_s * rate_hz)
        found = np.mean(gain[:, lag:] * gain[:, :-lag].conj())
        assert found.real == pytest.approx(j0(2 * np.pi * doppler_hz * lag / rate_hz), abs=0.05)
        assert abs(found.imag) < 0.05


@pytest.mark.parametrize("depth_db", [-20.0, -10.0, -3.0, 0.0])
def test_fades_are_as_frequent_and_as_long_as_rice_says(
    rayleigh: tuple[float, float, np.ndarray], depth_db: float
) -> None:
    """Crossings a second sqrt(2 pi) f_D r exp(-r^2), mean fade (exp(r^2) - 1) / (r f_D sqrt(2 pi)).

    Source: Jakes, Microwave Mobile Communications, 1974, 1.3; r is the level over the rms amplitude.
    """
    doppler_hz, rate_hz, gain = rayleigh
    ratio = 10 ** (depth_db / 20)
    below = np.abs(gain) < ratio
    fades = int(np.count_nonzero(below[:, 1:] & ~below[:, :-1]))
    seconds = gain.size / rate_hz
    per_second = np.sqrt(2 * np.pi) * doppler_hz * ratio * np.exp(-(ratio**2))
    mean_fade_s = (np.exp(ratio**2) - 1) / (ratio * doppler_hz * np.sqrt(2 * np.pi))
    tolerance = max(0.05, 4 / np.sqrt(per_second * seconds))  # four sigma of a Poisson count
    assert fades / seconds == pytest.approx(per_second, rel=tolerance)
    assert below.sum() / rate_hz / fades == pytest.approx(mean_fade_s, rel=max(0.08, tolerance))


def test_shadowing_is_log_normal() -> None:
    """Decibels are normal with the stated deviation and autocorrelation exp(-t^2 / 2 T^2)."""
    fading = Fading(shadow_db=6.0, shadow_s=1.0)
    instants_s = np.arange(0.0, 400.0, 0.5)
    tracks = [FadingPath(fading, np.random.default_rng(seed)).gain(instants_s) for seed in range(60)]
    decibels = 20 * np.log10(np.abs(np.stack(tracks)))
    assert decibels.mean() == pytest.approx(0.0, abs=0.2)
    assert decibels.std() == pytest.approx(6.0, rel=0.03)
    assert np.mean(np.abs(decibels) < 6.0) == pytest.approx(0.6827, abs=0.02)
    assert np.mean(decibels[:, 2:] * decibels[:, :-2]) / 36 == pytest.approx(np.exp(-0.5), abs=0.05)


def test_fast_fading_and_its_grid_agree() -> None:
    path = FadingPath(Fading(doppler_hz=30.0, shadow_db=4.0), np.random.default_rng(9))
    along = path.gain_along(12.345, 5000, 48_000.0)
    exact = path.gain(12.345 + np.arange(5000) / 48_000.0)
    assert np.abs(along - exact).max() < 2e-3 * np.abs(exact).max()


def test_quantising_noise_is_a_twelfth_of_a_step_squared(rng: np.random.Generator) -> None:
    """Bennett, Bell Syst. Tech. J. 27, 1948: uniform white error, variance step^2 / 12 in each of I and Q."""
    samples = complex_noise(200_000, power=2 * (20 / 127.5) ** 2, rng=rng)  # 20 steps rms in each part
    codes, clipped = to_cu8(samples)
    error = (from_cu8(codes) - samples).astype(np.complex128)
    step = 1 / 127.5
    assert clipped == 0
    assert np.var(error.real) == pytest.approx(step**2 / 12, rel=0.02)
    assert np.var(error.imag) == pytest.approx(step**2 / 12, rel=0.02)
    assert stats.kstest(error.real[::10] / step, "uniform", args=(-0.5, 1.0)).pvalue > 1e-4
    assert abs(np.mean(error * samples.conj())) < 0.01 * np.sqrt(np.mean(np.abs(samples) ** 2) * step**2 / 6)
    density = signal.welch(error, return_onesided=False, nperseg=256, detrend=False)[1]
    assert density.max() / density.mean() < 1.3


def test_full_scale_tone_has_the_textbook_quantising_ratio() -> None:
    """6.02 b + 1.76 dB for a full-scale sine and b = 8 bits: 49.9 dB (Bennett 1948)."""
    places = np.arange(100_000)
    tone = np.exp(2j * np.pi * places * (np.sqrt(5.0) - 1.0) / 2.0).astype(np.complex64)
    error = from_cu8(to_cu8(tone)[0]) - tone
    ratio_db = 10 * np.log10(np.mean(np.abs(tone) ** 2) / np.mean(np.abs(error) ** 2))
    assert ratio_db == pytest.approx(6.02 * 8 + 1.76, abs=0.2)


@pytest.mark.parametrize(("gain_db", "phase_deg"), [(0.5, 0.0), (0.0, 3.0), (1.0, -2.0), (0.1, 0.5)])
def test_image_stands_where_the_closed_form_puts_it(gain_db: float, phase_deg: float) -> None:
    """(1 - 2 g cos p + g^2) / (1 + 2 g cos p + g^2): any text on direct conversion (from memory)."""
    rate_hz, offset_hz = 48_000, 7000
    tone = transmit(
        Unmodulated(), sample_rate_hz=rate_hz, seconds=1.0, offset_hz=offset_hz, rise_s=0, fall_s=0
    )
    faults = FrontEndFaults(
        FrontEnd(gain_imbalance_db=gain_db, phase_imbalance_deg=phase_deg),
        sample_rate_hz=rate_hz,
        rng=np.random.default_rng(1),
    )
    power = np.abs(np.fft.fft(faults.push(tone).astype(np.complex128))) ** 2
    gain, cosine = 10 ** (gain_db / 20), np.cos(np.deg2rad(phase_deg))
    expected = (1 - 2 * gain * cosine + gain**2) / (1 + 2 * gain * cosine + gain**2)
    found_db = 10 * np.log10(power[rate_hz - offset_hz] / power[offset_hz])
    assert found_db == pytest.approx(10 * np.log10(expected), abs=0.02)


def test_droop_reaches_its_loss_at_the_edge_and_spares_the_middle() -> None:
    """Measured with an impulse and scipy.signal.freqz."""
    faults = FrontEndFaults(FrontEnd(edge_droop_db=4.0), sample_rate_hz=2.4e6, rng=np.random.default_rng(1))
    impulse = np.zeros(64, dtype=np.complex64)
    impulse[0] = 1.0
    _, response = signal.freqz(faults.push(impulse), worN=[0.0, 0.25 * np.pi, 0.5 * np.pi, np.pi])
    loss_db = -20 * np.log10(np.abs(response))
    assert loss_db[:2] == pytest.approx([0.0, 0.0], abs=0.01)
    assert loss_db[2] < 0.25
    assert loss_db[3] == pytest.approx(4.0, abs=0.01)
    assert faults.delay_samples == 4


def test_skirt_falls_by_about_three_decibels_an_octave() -> None:
    """1/f noise falls 10 dB a decade; the power in its whole is as stated."""
    rate_hz = 48_000.0
    faults = FrontEndFaults(FrontEnd(skirt_dbfs=-20.0), sample_rate_hz=rate_hz, rng=np.random.default_rng(2))
    skirt = np.concatenate([faults.push(np.zeros(24_000, dtype=np.complex64)) for _ in range(80)])
    assert np.mean(np.abs(skirt) ** 2) == pytest.approx(0.01, rel=0.1)
    frequency_hz, density = signal.welch(skirt, rate_hz, nperseg=48_000, return_onesided=False, detrend=False)
    near = np.mean(density[(np.abs(frequency_hz) >= 10) & (np.abs(frequency_hz) <= 20)])
    far = np.mean(density[(np.abs(frequency_hz) >= 100) & (np.abs(frequency_hz) <= 200)])
    farther = np.mean(density[(np.abs(frequency_hz) >= 700) & (np.abs(frequency_hz) <= 1400)])
    assert 10 * np.log10(near / far) == pytest.approx(10.0, abs=3.0)
    assert 10 * np.log10(far / farther) == pytest.approx(8.5, abs=3.0)  # a factor of 7


def test_birdie_and_zero_spike_have_their_power_and_place() -> None:
    rate_hz = 48_000
    front_end = FrontEnd(
        zero_spike_dbfs=-25.0, birdies=(Birdie(offset_hz=5000.0, power_dbfs=-40.0, drift_hz_per_s=10.0),)
    )
    faults = FrontEndFaults(front_end, sample_rate_hz=rate_hz, rng=np.random.default_rng(3))
    blocks = [faults.push(np.zeros(size, dtype=np.complex64)) for size in (1000, 47_000, 48_000)]
    made = np.concatenate(blocks).astype(np.complex128)
    spike = made[: 2 * rate_hz].mean()
    assert 20 * np.log10(abs(spike)) == pytest.approx(-25.0, abs=0.01)
    line = made - spike
    assert np.mean(np.abs(line) ** 2) == pytest.approx(1e-4, rel=1e-3)
    turns = np.unwrap(np.angle(line)) / (2 * np.pi)
    assert turns[rate_hz] - turns[0] == pytest.approx(5000.0 + 0.5 * 10.0, abs=0.02)  # f t + d t^2 / 2
    assert turns[2 * rate_hz - 1] - turns[0] == pytest.approx(2 * 5000.0 + 0.5 * 10.0 * 4, abs=0.15)
