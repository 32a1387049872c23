"""Where a goodbye begins, and that ordinary ends have none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from dsp.modulate import Ctcss, DigitalCode, Fm, transmit
from dsp.signalling.tail import Tail, reverse_burst, turn_off
from tests.dsp.test_ctcss_air import CHANNEL_HZ, LOW_RATE_HZ, instants, low_band, passed, received, tone
from tests.dsp.test_dcs_air import WORDS, code, radio_speech

TURN_OFF_HZ = 134.4  # TIA-603 1.3.5.6 (from memory)
Finder = Callable[[NDArray[np.floating], float, float], Tail | None]


def toned(
    seconds: float, tone_hz: float, burst_s: float, degrees: float, seed: int, *, stops: bool = False
) -> NDArray[np.float64]:
    """Swing of a tone that is turned back, or stops, `burst_s` before the end; speech over it stops then."""
    rng = np.random.default_rng(seed)
    late = instants(seconds) >= seconds - burst_s
    phase = 2 * np.pi * tone_hz * instants(seconds) - np.where(late, np.deg2rad(degrees), 0.0)
    under = 350.0 * np.sin(phase + rng.uniform(0, 6.28))
    talk = radio_speech(seconds, rng)
    talk[late] = 0.0
    return np.where(late & stops, 0.0, under) + talk


def ended_with(swing_hz: NDArray[np.float64], seed: int, cnr_db: float = 6.0) -> NDArray[np.float32]:
    return received(swing_hz, np.random.default_rng(seed), cnr_db=cnr_db)


@pytest.mark.parametrize("tone_hz", [67.0, 100.0, 141.3, 203.5, 254.1])
@pytest.mark.parametrize("degrees", [120.0, 180.0, 240.0])
@pytest.mark.parametrize("burst_s", [0.09, 0.2])
def test_burst_is_found_where_it_begins(tone_hz: float, degrees: float, burst_s: float) -> None:
    # Makers' figures: 180, 120 or about 135 degrees for 80 to 200 ms (secondary).
    found = reverse_burst(ended_with(toned(1.0, tone_hz, burst_s, degrees, 1), 2), LOW_RATE_HZ, tone_hz)
    assert found is not None
    assert found.before_end_s == pytest.approx(burst_s, abs=0.025)
    assert found.degrees == pytest.approx(degrees, abs=35.0)


@pytest.mark.parametrize("beside_hz", [-0.4, 0.4])
def test_tone_measured_a_little_beside_its_frequency_keeps_its_burst(beside_hz: float) -> None:
    band = ended_with(toned(1.2, 123.0, 0.15, 180.0, 3), 3)
    found = reverse_burst(band, LOW_RATE_HZ, 123.0 + beside_hz)
    assert found is not None
    assert found.before_end_s == pytest.approx(0.15, abs=0.025)


def test_noise_behind_the_carrier_and_a_cut_end_do_not_hide_the_burst() -> None:
    band = ended_with(toned(1.0, 110.9, 0.15, 180.0, 4), 4)
    noise = received(np.zeros(CHANNEL_HZ), np.random.default_rng(5), cnr_db=-30.0)
    extra = round(0.04 * LOW_RATE_HZ)
    longer = reverse_burst(np.concatenate([band, noise[:extra]]), LOW_RATE_HZ, 110.9)
    shorter = reverse_burst(band[:-extra], LOW_RATE_HZ, 110.9)
    assert longer is not None
    assert longer.before_end_s == pytest.approx(0.19, abs=0.03)
    assert shorter is not None
    assert shorter.before_end_s == pytest.approx(0.11, abs=0.03)


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("stops", [False, True])
def test_tone_that_goes_on_or_only_stops_has_no_burst(seed: int, stops: bool) -> None:
    tone_hz = (67.0, 103.5, 254.1)[seed % 3]
    band = ended_with(toned(1.0, tone_hz, 0.15, 0.0, seed, stops=stops), seed, (3.0, 15.0)[seed % 2])
    assert reverse_burst(band, LOW_RATE_HZ, tone_hz) is None


def test_no_tone_at_all_has_no_burst() -> None:
    assert (
        reverse_burst(ended_with(radio_speech(1.0, np.random.default_rng(1)), 1), LOW_RATE_HZ, 100.0) is None
    )


@pytest.mark.parametrize("name", list(WORDS)[::13])
@pytest.mark.parametrize("length_s", [0.15, 0.2])
def test_turn_off_tone_is_found_where_it_begins(name: str, length_s: float) -> None:
    swing = code(1.0, WORDS[name]) + radio_speech(1.0, np.random.default_rng(1))
    swing[-round(length_s * CHANNEL_HZ) :] = tone(length_s, TURN_OFF_HZ, 300.0)
    found = turn_off(ended_with(swing, int(name, 8)), LOW_RATE_HZ, 300.0)
    assert found is not None
    assert found.before_end_s == pytest.approx(length_s, abs=0.025)
    assert found.degrees is None


@pytest.mark.parametrize("name", list(WORDS)[::9])
@pytest.mark.parametrize("silent_s", [0.0, 0.2])
def test_code_that_goes_on_or_only_stops_has_no_turn_off_tone(name: str, silent_s: float) -> None:
    swing = code(1.0, WORDS[name], corner_hz=300.0)
    swing[instants(1.0) > 1.0 - silent_s] = 0.0
    assert turn_off(ended_with(swing, int(name, 8)), LOW_RATE_HZ, 300.0) is None


def test_goodbyes_of_the_test_transmitter_are_found() -> None:
    def band(modulation: Fm) -> NDArray[np.float32]:
        rng = np.random.default_rng(9)
        sent = transmit(modulation, sample_rate_hz=CHANNEL_HZ, seconds=1.0)
        return low_band(passed(sent + 0.1 * (rng.standard_normal((2, len(sent))).T @ np.array([1, 1j]))))[20:]

    turned = reverse_burst(band(Fm(tone=Ctcss(tone_hz=88.5, reverse_burst_s=0.18))), LOW_RATE_HZ, 88.5)
    assert turned is not None
    assert turned.before_end_s == pytest.approx(0.18, abs=0.025)
    off = turn_off(band(Fm(code=DigitalCode(code="143", turn_off_s=0.18))), LOW_RATE_HZ, 350.0)
    assert off is not None
    assert off.before_end_s == pytest.approx(0.18, abs=0.025)


@pytest.mark.parametrize("find", [reverse_burst, turn_off])
@pytest.mark.parametrize("count", [0, 1, 20, 200])
@pytest.mark.parametrize("value", [0.0, 300.0])
def test_short_or_constant_low_band_has_no_goodbye(find: Finder, count: int, value: float) -> None:
    assert find(np.full(count, value, np.float32), LOW_RATE_HZ, 100.0) is None
    assert find(np.full(2000, value, np.float32), LOW_RATE_HZ, 100.0) is None


@given(hnp.arrays(np.float32, st.integers(0, 700), elements=st.floats(-1e6, 1e6, width=32)))
def test_any_numbers_give_a_goodbye_inside_the_look_or_none(band: NDArray[np.float32]) -> None:
    for find in (reverse_burst, turn_off):
        found = find(band, LOW_RATE_HZ, 134.4)
        assert found is None or 0.06 < found.before_end_s < 0.34


@pytest.mark.parametrize("find", [reverse_burst, turn_off])
def test_bad_input_is_refused_in_words(find: Finder) -> None:
    with pytest.raises(ValueError, match="low_band has 2 dimensions; it must have one"):
        find(np.zeros((2, 9), np.float32), LOW_RATE_HZ, 100.0)
    with pytest.raises(ValueError, match=r"rate_hz is 10\.0; it must be 1000 or more"):
        find(np.zeros(9, np.float32), 10.0, 100.0)
    with pytest.raises(ValueError, match="low_band holds a value that is not finite"):
        find(np.array([0.0, np.nan] * 500, np.float32), LOW_RATE_HZ, 100.0)
    with pytest.raises(ValueError, match=r"tone_hz is 20\.0; it must be between 50 and 300"):
        reverse_burst(np.zeros(9, np.float32), LOW_RATE_HZ, 20.0)
