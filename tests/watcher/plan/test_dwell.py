"""Dwell plans: who is visited how often, how long nobody is away, and that no carrier holds the radio."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.plan import Channel
from watcher.plan.dwell import (
    LOOK_AHEAD_S,
    QUIET_S,
    DwellPlan,
    DwellScheduler,
    Visit,
    plan_dwells,
    visits_of,
)
from watcher.plan.stay_rules import DwellRules
from watcher.plan.tunings import Tuning

Busy = Callable[[int, float, float], bool]
"""(tuning, seconds since the start, seconds since the radio settled there) to: a transmission lasts."""


def tuning(number: int, *priorities: int) -> Tuning:
    channels = tuple(
        Channel(
            name=f"c{number}-{place}",
            frequency_hz=100_000_000 + 10_000_000 * number + 25_000 * place,
            mode="nfm",
            bandwidth_hz=12_500,
            priority=priority,
        )
        for place, priority in enumerate(priorities)
    )
    return Tuning(100_000_000 + 10_000_000 * number, channels, 0)


def simulated(
    plan: DwellPlan, busy: Busy, seconds: float, *, retune_s: float | None = None, step_s: float = 0.1
) -> tuple[dict[int, float], list[tuple[int, float, float]]]:
    """The longest absence of each tuning after its first visit, and the visits, of a radio driven in steps.

    A tuning that is not back at the end counts as away until then.
    """
    scheduler = DwellScheduler(plan)
    now_s = 0.0
    left_s: dict[int, float] = {}
    longest: dict[int, float] = {}
    visits = []
    while now_s < seconds:
        dwell = scheduler.next(now_s)
        now_s += plan.retune_s if retune_s is None else retune_s
        until_s = scheduler.settled(now_s)
        settled_s = now_s
        if dwell.tuning in left_s:
            longest[dwell.tuning] = max(longest.get(dwell.tuning, 0.0), settled_s - left_s[dwell.tuning])
        while now_s < min(until_s, seconds):
            until_s = scheduler.extend(now_s, busy=busy(dwell.tuning, now_s, now_s - settled_s))
            now_s = min(now_s + step_s, max(until_s, now_s))
        left_s[dwell.tuning] = now_s
        visits.append((dwell.tuning, settled_s, now_s))
    for number, since_s in left_s.items():
        if number != visits[-1][0]:
            longest[number] = max(longest.get(number, 0.0), now_s - since_s)
    return longest, visits


PLANS = st.builds(
    lambda weights, dwell_s, stay_s: DwellPlan(visits_of(dict(enumerate(weights)), dwell_s), stay_s, 0.25),
    st.lists(st.sampled_from([1, 2, 3]), min_size=2, max_size=6),
    st.sampled_from([1.0, 3.0, 8.0]),
    st.sampled_from([2.0, 10.0, 30.0]),
)
BURSTS = st.lists(
    st.tuples(st.integers(0, 5), st.floats(0, 400), st.floats(0.05, 200)), max_size=25
)  # tuning, start, length


@settings(max_examples=150)
@given(PLANS, BURSTS)
def test_no_tuning_is_away_for_longer_than_stated_whatever_is_busy(
    plan: DwellPlan, bursts: list[tuple[int, float, float]]
) -> None:
    def busy(number: int, now_s: float, _: float) -> bool:
        return any(one == number and start <= now_s < start + length for one, start, length in bursts)

    longest, visits = simulated(plan, busy, 400.0)
    for number, absence_s in longest.items():
        assert absence_s <= plan.longest_revisit_s(number) + 1e-6
    if not bursts:
        assert all(longest[number] <= plan.quiet_revisit_s(number) + 1e-6 for number in longest)
    # Whoever was never visited has been away since the start.
    missing = plan.tunings - {number for number, _, _ in visits}
    assert all(plan.longest_revisit_s(number) >= 399 for number in missing)


@settings(max_examples=50)
@given(PLANS)
def test_the_stated_times_are_reached(plan: DwellPlan) -> None:
    """The bound is no guess: quiet, it is met; and stations that pause at the start of each visit meet it."""
    seconds = 3 * (sum(visit.dwell_s + plan.longest_stay_s + 1 for visit in plan.visits))
    quiet, _ = simulated(plan, lambda *_: False, seconds)
    worst, _ = simulated(plan, lambda _number, _now, since_s: since_s > QUIET_S + 0.15, seconds, step_s=0.05)
    reachable = all(visit.dwell_s > QUIET_S + 0.3 for visit in plan.visits)
    for number in plan.tunings:
        assert quiet[number] == pytest.approx(plan.quiet_revisit_s(number), abs=1e-6)
        if reachable:
            assert worst[number] == pytest.approx(plan.longest_revisit_s(number), abs=1e-6)


@settings(max_examples=40)
@given(PLANS, st.integers(0, 5))
def test_a_stuck_carrier_is_extended_once_and_then_not_until_it_was_quiet(
    plan: DwellPlan, stuck: int
) -> None:
    stuck %= len(plan.tunings)
    ends_s = 300.0
    _, visits = simulated(plan, lambda number, now_s, _: number == stuck and now_s < ends_s, ends_s)
    first_dwell_s = next(visit.dwell_s for visit in plan.visits if visit.tuning == stuck)
    lengths = [stop - start for number, start, stop in visits[:-1] if number == stuck]
    assert lengths[0] == pytest.approx(max(plan.longest_stay_s, first_dwell_s), abs=0.11)
    assert all(length <= max(visit.dwell_s for visit in plan.visits) + 1e-6 for length in lengths[1:])


def test_a_tuning_that_was_stuck_is_extended_again_after_it_was_quiet() -> None:
    scheduler = DwellScheduler(DwellPlan((Visit(0, 3.0), Visit(1, 3.0)), 10.0, 0.0))
    scheduler.next(0.0)
    assert scheduler.settled(0.0) == 3.0
    for tenth in range(100):
        scheduler.extend(tenth / 10, busy=True)
    assert scheduler.extend(9.9, busy=True) == 10.0
    assert scheduler.stuck_tunings == {0}
    scheduler.next(10.0)
    scheduler.next(13.0)
    assert scheduler.extend(15.9, busy=True) == 16.0  # the plain dwell
    scheduler.next(16.0)
    scheduler.next(19.0)
    scheduler.extend(19.0, busy=False)
    scheduler.extend(19.0 + QUIET_S, busy=False)
    assert scheduler.stuck_tunings == frozenset()
    assert scheduler.extend(21.9, busy=True) == 21.9 + LOOK_AHEAD_S


def test_the_radio_stays_while_a_transmission_lasts_and_leaves_soon_after() -> None:
    scheduler = DwellScheduler(DwellPlan((Visit(4, 3.0), Visit(7, 3.0)), 30.0, 0.2))
    assert scheduler.next(100.0).until_s == 103.2
    assert scheduler.settled(100.1) == 103.1
    assert scheduler.extend(100.5, busy=True) == 103.1  # ends within the dwell: nothing to add
    assert scheduler.extend(103.0, busy=True) == 103.5
    assert scheduler.extend(103.4, busy=False) == 103.5
    assert scheduler.stays(103.4, busy=False)
    assert not scheduler.stays(103.5, busy=False)
    following = scheduler.next(103.5)
    assert (following.tuning, following.until_s) == (7, pytest.approx(106.7))


def test_a_radio_with_one_tuning_never_leaves_it() -> None:
    (plan,) = plan_dwells([tuning(0, 1)], 1)
    scheduler = DwellScheduler(plan)
    assert scheduler.next(5.0).until_s == math.inf
    assert scheduler.settled(5.0) == math.inf
    assert scheduler.extend(500.0, busy=True) == math.inf
    assert plan.quiet_revisit_s(0) == plan.longest_revisit_s(0) == 0.0


def test_priority_one_is_visited_three_times_as_often_and_evenly() -> None:
    (plan,) = plan_dwells([tuning(0, 5, 1), tuning(1, 5), tuning(2, 9), tuning(3, 7)], 1)
    assert [visit.tuning for visit in plan.visits] == [0, 1, 0, 2, 0, 3]
    # By hand, 0 1 0 2 0 3: one other lies between two visits of 0, five lie between two of 2.
    assert plan.quiet_revisit_s(0) == pytest.approx(3.0 + 2 * plan.retune_s)
    assert plan.quiet_revisit_s(2) == pytest.approx(5 * 3.0 + 6 * plan.retune_s)
    assert plan.longest_revisit_s(2) == pytest.approx(5 * 30.0 + 6 * plan.retune_s)


def test_equal_priorities_are_visited_in_turn() -> None:
    (plan,) = plan_dwells([tuning(number, 1) for number in range(4)], 1, DwellRules(dwell_seconds=2))
    assert [visit.tuning for visit in plan.visits] == [0, 1, 2, 3]
    assert {visit.dwell_s for visit in plan.visits} == {2.0}


def test_neighbouring_visits_of_one_tuning_are_one_longer_visit() -> None:
    visits = visits_of({0: 3, 1: 1}, 3.0)
    assert sorted((visit.tuning, visit.dwell_s) for visit in visits) == [(0, 9.0), (1, 3.0)]


@given(
    st.lists(st.lists(st.integers(1, 9), min_size=1, max_size=3), min_size=1, max_size=9),
    st.integers(1, 5),
)
def test_several_radios_share_the_tunings(priorities: list[list[int]], radios: int) -> None:
    tunings = [tuning(number, *each) for number, each in enumerate(priorities)]
    plans = plan_dwells(tunings, radios)
    assert len(plans) == min(radios, len(tunings))
    visited = [number for plan in plans for number in plan.tunings]
    assert sorted(visited) == list(range(len(tunings)))
    for plan in plans:
        neighbours = zip(plan.visits, (*plan.visits[1:], plan.visits[0]), strict=True)
        assert len(plan.visits) == 1 or all(one.tuning != two.tuning for one, two in neighbours)
    if radios >= len(tunings):
        assert all(plan.longest_revisit_s(number) == 0 for plan in plans for number in plan.tunings)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="radios is 0"):
        plan_dwells([tuning(0, 1)], 0)
    with pytest.raises(ValueError, match="the plan has no visits"):
        DwellScheduler(DwellPlan((), 30.0))
    with pytest.raises(ValueError, match="no visit has begun"):
        DwellScheduler(DwellPlan((Visit(0, 3.0), Visit(1, 3.0)), 30.0)).extend(0.0, busy=True)
    (plan,) = plan_dwells([tuning(0, 1)], 1)
    with pytest.raises(KeyError):
        plan.longest_revisit_s(3)
    assert plan_dwells([], 2) == ()
