"""The mirrored copy of a strong station is recognized; a station of its own is not."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.image import power_without_image

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
    share, ratio = power_without_image(
        (strong + mirrored(strong, gain) + floor).astype(np.complex64), CENTRE, 40
    )
    assert -10 * np.log10(ratio) == pytest.approx(rejection_db, abs=0.2)
    image_power = 1e6 * 10 ** (-rejection_db / 10)
    assert share.mean() == pytest.approx(1 / (1 + image_power), rel=0.2, abs=1e-3)


def test_station_of_its_own_keeps_its_power_beside_a_strong_mirror() -> None:
    rng = np.random.default_rng(3)
    both = band(rng, 8, -CENTRE, 1e6) + band(rng, 8, CENTRE, 10.0)
    share, _ = power_without_image(both.astype(np.complex64), CENTRE, 40)
    assert share.mean() > 0.98


def test_equal_powers_are_never_an_image() -> None:
    rng = np.random.default_rng(4)
    strong = band(rng, 8, -CENTRE, 1.0)
    share, ratio = power_without_image((strong + mirrored(strong, 0.9)).astype(np.complex64), CENTRE, 40)
    assert ratio == 0
    assert (share == 1).all()


def test_silence_is_no_image() -> None:
    share, ratio = power_without_image(np.zeros((2, N), np.complex64), CENTRE, 40)
    assert ratio == 0
    assert (share == 1).all()


def test_band_that_meets_its_mirror_is_refused() -> None:
    with pytest.raises(ValueError, match="centre_bin is 30; it must be farther from 0 than 40"):
        power_without_image(np.zeros((2, N), np.complex64), 30, 40)
