"""Tunings: every channel heard cleanly, by as few centres as there can be, told against brute force."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from watcher.plan import Channel
from watcher.plan.fewest_sets import fewest_sets
from watcher.plan.tunings import Tuning, plan_tunings

RATE_HZ = 240_000
HALF_USABLE_HZ = 96_000  # 0.8 of half the rate
GUARD_HZ = 5_000


def channel(number: int, frequency_hz: int, bandwidth_hz: int = 12_500, **keys: object) -> Channel:
    return Channel.model_validate(
        {"name": f"c{number}", "frequency_hz": frequency_hz, "mode": "nfm", "bandwidth_hz": bandwidth_hz}
        | keys
    )


def heard_cleanly(each: Channel, centre_hz: int) -> bool:
    """The rule, by hand: inside the usable span, and off 0 Hz by half the pass band and the guard."""
    inside = abs(each.frequency_hz - centre_hz) + each.pass_band_hz / 2 <= HALF_USABLE_HZ
    return inside and abs(each.frequency_hz - centre_hz) >= each.pass_band_hz / 2 + GUARD_HZ


def fewest_by_brute_force(channels: list[Channel]) -> int:
    """Every centre on a 500 Hz grid, in every number of them; all figures of these tests lie on that grid."""
    low = min(each.frequency_hz for each in channels) - HALF_USABLE_HZ
    high = max(each.frequency_hz for each in channels) + HALF_USABLE_HZ
    heard = {
        frozenset(each.name for each in channels if heard_cleanly(each, centre))
        for centre in range(low, high, 500)
    }
    heard = {one for one in heard if not any(one < other for other in heard)}
    names = {each.name for each in channels}
    for count in range(1, len(channels) + 1):
        if any(names == set().union(*chosen) for chosen in combinations(heard, count)):
            return count
    raise AssertionError("a channel cannot be heard at all")


SMALL = st.lists(
    st.tuples(
        st.integers(0, 110).map(lambda steps: 150_000_000 + 6_000 * steps),
        st.sampled_from([12_500, 20_000, 25_000]),  # pass bands 11, 14 and 16 kHz
    ),
    min_size=1,
    max_size=8,
    unique_by=lambda pair: pair[0],
).map(lambda pairs: [channel(number, *pair) for number, pair in enumerate(pairs)])


@settings(max_examples=150)
@given(SMALL)
def test_no_fewer_tunings_would_do(channels: list[Channel]) -> None:
    tunings = plan_tunings(channels, RATE_HZ, crystal_hz=None)
    assert len(tunings) == fewest_by_brute_force(channels)
    assert_sound(channels, tunings)


@pytest.mark.parametrize("seed", range(4))
def test_a_crowded_band_takes_no_more_tunings_than_integer_programming_finds(seed: int) -> None:
    """SciPy's HiGHS solves the same cover; its centres lie on a 500 Hz grid, as all figures here do."""
    rng = np.random.default_rng(seed)
    places = rng.choice(np.arange(150_000_000, 151_200_000, 6_000), 40, replace=False)
    channels = [channel(number, int(place)) for number, place in enumerate(places)]
    centres = np.arange(149_900_000, 151_300_000, 500)
    distance = np.abs(centres[None, :] - places[:, None])
    heard = np.unique((distance + 5_500 <= HALF_USABLE_HZ) & (distance >= 5_500 + GUARD_HZ), axis=1)
    solved = milp(
        np.ones(heard.shape[1]),
        constraints=LinearConstraint(heard.astype(float), lb=1),
        integrality=np.ones(heard.shape[1]),
        bounds=Bounds(0, 1),
    )
    tunings = plan_tunings(channels, RATE_HZ)
    assert len(tunings) == round(solved.fun)
    assert_sound(channels, tunings)


def assert_sound(channels: list[Channel], tunings: tuple[Tuning, ...]) -> None:
    """Every tuning hears what it says and all that it could, and together they miss nothing."""
    for tuning in tunings:
        assert set(tuning.channels) == {each for each in channels if heard_cleanly(each, tuning.centre_hz)}
        width_hz = max(each.high_edge_hz for each in tuning.channels) - min(
            each.low_edge_hz for each in tuning.channels
        )
        assert tuning.spare_hz == 2 * HALF_USABLE_HZ - width_hz >= 0
    assert {each for tuning in tunings for each in tuning.channels} == set(channels)
    assert [each.centre_hz for each in tunings] == sorted(each.centre_hz for each in tunings)


def test_hundreds_of_channels_on_a_dense_raster_are_covered() -> None:
    channels = [channel(number, 146_000_000 + 12_500 * number) for number in range(300)]
    tunings = plan_tunings(channels, 2_400_000)
    assert {each for tuning in tunings for each in tuning.channels} == set(channels)
    # 3.75 MHz of channels in 1.92 MHz of usable span take two; the channels under the spike take a third.
    assert len(tunings) == 3


@given(SMALL)
def test_a_shift_of_the_whole_band_shifts_the_tunings_and_nothing_else(channels: list[Channel]) -> None:
    shifted = [each.model_copy(update={"frequency_hz": each.frequency_hz + 3_000_000}) for each in channels]
    before = plan_tunings(channels, RATE_HZ, crystal_hz=None)
    after = plan_tunings(shifted, RATE_HZ, crystal_hz=None)
    assert [each.centre_hz + 3_000_000 for each in before] == [each.centre_hz for each in after]


def test_a_single_channel_is_not_put_on_the_spike_nor_at_the_edge() -> None:
    (tuning,) = plan_tunings([channel(0, 146_520_000)], 2_400_000)
    offset_hz = abs(tuning.centre_hz - 146_520_000)
    assert 5_500 + GUARD_HZ <= offset_hz <= 20_000


def test_images_are_avoided_where_they_can_be() -> None:
    # The middle of the band, 150.1 MHz, mirrors each of the two onto the other.
    pair = [channel(0, 150_000_000), channel(1, 150_200_000)]
    (tuning,) = plan_tunings(pair, 2_400_000, crystal_hz=None)
    mirrored = 2 * tuning.centre_hz - 150_000_000
    assert abs(mirrored - 150_200_000) >= 11_000
    assert tuning.warnings == ()


def test_images_that_cannot_be_avoided_are_told() -> None:
    # 180 kHz apart, with pass bands the whole of the usable 192 kHz but for 1 kHz: the centre is the middle.
    pair = [channel(0, 150_000_000), channel(1, 150_180_000)]
    (tuning,) = plan_tunings(pair, RATE_HZ, crystal_hz=None)
    where, rest = "tuned to 150.090 MHz, channel", "a strong station there shows on it too"
    assert tuning.warnings == (
        f'{where} "c0" lies on the image of "c1"; {rest}',
        f'{where} "c1" lies on the image of "c0"; {rest}',
    )
    raster = [channel(number, 150_000_000 + 12_500 * number) for number in range(140)]
    with_a_gap = [each for each in raster if each.name not in {"c69", "c70"}]
    (tuning,) = plan_tunings(with_a_gap, 2_400_000, crystal_hz=None)
    assert len(tuning.warnings) == 1
    assert "channels lie on the images of others" in tuning.warnings[0]


@pytest.mark.parametrize(
    ("frequency_hz", "ppm", "harmonic"),
    [(144_000_000, 0.0, 5), (432_004_000, 0.0, 15), (144_007_200, 50.0, 5), (144_020_000, 0.0, None)],
)
def test_a_channel_on_a_harmonic_of_the_crystal_is_warned_of(
    frequency_hz: int, ppm: float, harmonic: int | None
) -> None:
    # 5 x 28.8 MHz is 144 MHz and 15 x 28.8 MHz is 432 MHz; at +50 ppm the fifth lies 7.2 kHz higher.
    (tuning,) = plan_tunings([channel(0, frequency_hz)], 2_400_000, ppm=ppm)
    assert [f"harmonic {harmonic} of" in warning for warning in tuning.warnings] == [True] * (
        harmonic is not None
    )
    (tuning,) = plan_tunings([channel(0, frequency_hz)], 2_400_000, crystal_hz=None)
    assert tuning.warnings == ()


def test_no_channels_take_no_tuning() -> None:
    assert plan_tunings([], 2_400_000) == ()


def test_a_span_too_narrow_for_a_channel_is_told_with_the_rate_it_takes() -> None:
    with pytest.raises(
        ValueError, match=r'channel "c0": sample_rate_hz is 30000; it must be at least (\d+)'
    ) as told:
        plan_tunings([channel(0, 146_520_000)], 30_000)
    needed_hz = int(str(told.value).split("at least ")[1].split()[0])
    assert len(plan_tunings([channel(0, 146_520_000)], needed_hz + 10)) == 1
    with pytest.raises(ValueError, match="at least"):
        plan_tunings([channel(0, 146_520_000)], needed_hz - 10)
    with pytest.raises(ValueError, match=r"usable_share is 1\.5"):
        plan_tunings([channel(0, 146_520_000)], 2_400_000, usable_share=1.5)


@settings(max_examples=200)
@given(st.lists(st.sets(st.integers(0, 6), min_size=1), min_size=1, max_size=9))
def test_any_cover_is_the_fewest(members: list[set[int]]) -> None:
    """Sets of no shape at all, with the loosest bound there is."""
    present = sorted(set().union(*members))
    sets = [sum(1 << present.index(each) for each in one) for one in members]
    everything = (1 << len(present)) - 1
    found = fewest_sets(sets, [everything] * len(present))
    assert set().union(*(members[number] for number in found)) == set(present)
    fewer = combinations(members, len(found) - 1)
    assert not any(set().union(*chosen) == set(present) for chosen in fewer)


def test_a_member_in_no_set_is_refused() -> None:
    with pytest.raises(ValueError, match="a member is in no set"):
        fewest_sets([0b01], [0b11, 0b10])
