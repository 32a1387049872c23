"""Which gain is right, on receivers whose noise and peaks follow a law."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.radio.gain_choice import RISE_DB, ROOM_DB, GainChoice, GainStep, choose_gain

GAINS_DB = [float(each) for each in range(0, 50, 2)]
NAMES = [f"{gain_db:g} dB" for gain_db in GAINS_DB]


def receiver(antenna_db: float, peak_db: float, converter_db: float = -110.0) -> tuple[GainChoice, list[int]]:
    """Noise powers add: converter + antenna × gain. `antenna_db`, `peak_db` are at 0 dB of gain."""
    tried: list[int] = []

    def measure(index: int) -> GainStep:
        tried.append(index)
        power = 10 ** (converter_db / 10) + 10 ** ((antenna_db + GAINS_DB[index]) / 10)
        peak = peak_db + GAINS_DB[index]
        return GainStep(10 * math.log10(power), min(peak, 0.0), 0.01 if peak > 0 else 0.0)

    return choose_gain(NAMES, measure), tried


def test_the_lowest_gain_that_hides_the_converter_is_chosen() -> None:
    """-130 at 0 dB: 9 times the converter's -110 needs 29.6 dB over the lowest floor's 1 %; 30 dB is the
    first."""
    choice, tried = receiver(antenna_db=-130, peak_db=-70)
    assert NAMES[choice.index] == "30 dB"
    assert choice.why == (
        "the noise floor stands 10.4 dB above that of the lowest gain, so that the converter's own noise "
        "costs 0.4 dB at most; nothing clips, peaks at -40 dBFS"
    )
    assert len(set(tried)) == len(tried) <= 12  # each gain is set once, and few of the 25 are tried


def test_a_strong_station_keeps_the_gain_down() -> None:
    choice, _ = receiver(antenna_db=-130, peak_db=-25)
    assert NAMES[choice.index] == "18 dB"  # peaks at -7 dBFS; 20 dB would leave 5 dB
    assert choice.why.startswith(
        "the next one, 20 dB, peaks at -5 dBFS, which leaves less than 6 dB of room, though"
    )
    assert "10 dB would be right" in choice.why


def test_a_gain_that_clips_is_named_with_its_share() -> None:
    choice, _ = receiver(antenna_db=-130, peak_db=-1)
    assert choice == GainChoice(
        0,
        "even this lowest gain peaks at -1 dBFS, which leaves less than 6 dB of room; "
        "put an attenuator before the radio",
    )
    choice, _ = receiver(antenna_db=-130, peak_db=1)
    assert choice.why == "even this lowest gain clips 1 % of the samples; put an attenuator before the radio"


def test_without_an_antenna_the_highest_gain_is_set_and_the_cable_suspected() -> None:
    choice, _ = receiver(antenna_db=-200, peak_db=-90)
    assert choice.index == len(NAMES) - 1
    assert "check the antenna and its cable" in choice.why and "only 0.0 dB above" in choice.why


def test_a_silent_lowest_gain_is_measured_from_the_converters_own_floor() -> None:
    steps = [GainStep(floor, -50.0, 0.0) for floor in (-math.inf, -115.0, -103.0, -95.0)]
    choice = choose_gain(["a", "b", "c", "d"], steps.__getitem__, least_floor_dbfs_hz=-113.7)
    assert choice.index == 2 and "10.7 dB above" in choice.why


@given(st.floats(-170, -60), st.floats(-100, 20))
def test_a_gain_is_chosen_that_keeps_its_promises(antenna_db: float, peak_db: float) -> None:
    choice, _ = receiver(antenna_db, peak_db)
    lowest = 10 ** (-110 / 10) + 10 ** (antenna_db / 10)

    def rise_db(index: int) -> float:
        return 10 * math.log10((10 ** (-110 / 10) + 10 ** ((antenna_db + GAINS_DB[index]) / 10)) / lowest)

    def has_room(index: int) -> bool:
        return peak_db + GAINS_DB[index] <= -ROOM_DB

    good = [index for index in range(len(NAMES)) if has_room(index) and rise_db(index) >= RISE_DB]
    if good:
        assert choice.index == good[0]
    elif has_room(0):
        assert choice.index == max(filter(has_room, range(len(NAMES))))
    else:
        assert choice.index == 0


@pytest.mark.parametrize("has_room", [True, False])
def test_one_gain_alone_is_chosen(has_room: bool) -> None:
    choice = choose_gain(["0 dB"], lambda _: GainStep(-100.0, -20.0 if has_room else 0.0, 0.0))
    assert choice.index == 0
