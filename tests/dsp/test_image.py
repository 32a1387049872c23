"""The mirrored copy of a strong station is recognized; a station of its own is not."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.image import ImageGains, fit_image

N = 4096
CENTRE = 900


def band(rng: np.random.Generator, frames: int, centre: int, power: float) -> np.ndarray:
    """Noise in a band of 101 bins."""
    spectra = np.zeros((frames, N), np.complex128)
    bins = np.arange(centre - 50, centre + 51) % N
    values = rng.standard_normal((frames, 101)) + 1j * rng.standard_normal((frames, 101))
    spectra[:, bins] = np.sqrt(power / 2) * values
    return spectra


def mirrored(spectra: np.ndarray, gain: complex) -> np.ndarray:
    return gain * np.conj(spectra[:, (-np.arange(N)) % N])


@pytest.mark.parametrize("rejection_db", [20.0, 35.0, 50.0])
def test_image_is_taken_out_and_its_rejection_told(rejection_db: float) -> None:
    rng = np.random.default_rng(2)
    strong = band(rng, 8, -CENTRE, 1e6)
    gain = 10 ** (-rejection_db / 20) * np.exp(0.7j)
    floor = band(rng, 8, CENTRE, 1.0)
    fit = fit_image((strong + mirrored(strong, gain) + floor).astype(np.complex64), CENTRE, 40)
    share = fit.share
    assert -10 * np.log10(fit.power_ratio) == pytest.approx(rejection_db, abs=0.2)
    image_power = 1e6 * 10 ** (-rejection_db / 10)
    assert share.mean() == pytest.approx(1 / (1 + image_power), rel=0.2, abs=1e-3)


def test_station_of_its_own_keeps_its_power_beside_a_strong_mirror() -> None:
    rng = np.random.default_rng(3)
    both = band(rng, 8, -CENTRE, 1e6) + band(rng, 8, CENTRE, 10.0)
    assert fit_image(both.astype(np.complex64), CENTRE, 40).share.mean() > 0.98


def test_equal_powers_are_never_an_image() -> None:
    rng = np.random.default_rng(4)
    strong = band(rng, 8, -CENTRE, 1.0)
    fit = fit_image((strong + mirrored(strong, 0.9)).astype(np.complex64), CENTRE, 40)
    assert fit.power_ratio == 0
    assert (fit.share == 1).all()


def test_silence_is_no_image() -> None:
    fit = fit_image(np.zeros((2, N), np.complex64), CENTRE, 40)
    assert fit.power_ratio == 0
    assert (fit.share == 1).all()


def test_band_that_meets_its_mirror_is_refused() -> None:
    with pytest.raises(ValueError, match="centre_bin is 30; it must be farther from 0 than 40"):
        fit_image(np.zeros((2, N), np.complex64), 30, 40)


def carrier(frames: int, centre: int, power: float) -> np.ndarray:
    """A line of constant phase."""
    spectra = np.zeros((frames, N), np.complex128)
    spectra[:, centre % N] = np.sqrt(power)
    return spectra


GAIN = 10 ** (-30 / 20) * np.exp(0.7j)


def test_gain_is_learned_from_a_spoken_band_and_not_from_a_bare_carrier() -> None:
    rng = np.random.default_rng(5)
    spoken, bare = band(rng, 16, -CENTRE, 1e6), carrier(16, -CENTRE, 1e6)
    certain = fit_image((spoken + mirrored(spoken, GAIN)).astype(np.complex64), CENTRE, 40).certain_gain
    assert certain == pytest.approx(GAIN, rel=0.01)
    assert fit_image((bare + mirrored(bare, GAIN)).astype(np.complex64), CENTRE, 40).certain_gain is None


def test_two_stations_that_pause_on_mirrored_carriers_are_no_image_while_one_is_on_the_air() -> None:
    both = (carrier(16, -CENTRE, 1e6) + carrier(16, CENTRE, 1e3)).astype(np.complex64)
    gains = ImageGains()
    assert gains.fit(0, both, CENTRE, 40, is_open=False).share.mean() < 0.1
    assert (gains.fit(0, both, CENTRE, 40, is_open=True).share == 1).all()


def test_with_the_gain_known_a_station_over_the_image_keeps_its_power() -> None:
    """The image stands 30 dB under 60 dB; two carriers of 43 and 60 dB would fit as an image of 17 dB."""
    rng = np.random.default_rng(6)
    gains = ImageGains()
    spoken = band(rng, 16, -CENTRE, 1e6)
    gains.fit(0, (spoken + mirrored(spoken, GAIN)).astype(np.complex64), CENTRE, 40, is_open=False)
    strong, own = carrier(16, -CENTRE, 1e6), carrier(16, CENTRE, 2e4)
    fit = gains.fit(0, (strong + mirrored(strong, GAIN) + own).astype(np.complex64), CENTRE, 40, is_open=True)
    kept = np.abs(np.sqrt(2e4)) ** 2 / np.abs(np.sqrt(2e4) + 1e3 * GAIN) ** 2
    assert fit.share.mean() == pytest.approx(kept, rel=0.03)
    gains.reset()
    assert (gains.fit(0, strong.astype(np.complex64), CENTRE, 40, is_open=True).share == 1).all()
