"""The outlook's simulation against another one: caller by caller, key-down by key-down, in plain Python.

It shares nothing with the outlook but the rules themselves and the cycle of visits, which the dwell tests
hold.
"""

from __future__ import annotations

import bisect
import math
import random
from datetime import UTC, datetime, time
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from watcher.plan.caller_rules import CallerRules
from watcher.plan.dwell import DwellPlan
from watcher.plan.model import Channel, Radio, WatchPlan, Window
from watcher.plan.outlook.callers import channel_shares, delays_s, draw_callers
from watcher.plan.outlook.hearing import Receiving, listening, receiving
from watcher.plan.power_rules import Uncertain

START = datetime(2031, 5, 4, tzinfo=UTC)
MANY, FEW = 60_000, 1500
STEP_S = 0.25


def nfm(name: str, frequency_hz: int, priority: int = 5) -> Channel:
    return Channel(name=name, frequency_hz=frequency_hz, mode="nfm", bandwidth_hz=12_500, priority=priority)


ONE, TWO, THREE = nfm("one", 146_520_000, 1), nfm("two", 446_100_000), nfm("three", 52_525_000)
PLANS = {
    "every three hours, one tuning": WatchPlan(
        channels=(ONE,), windows=(Window(every_hours=3, length_minutes=5, lead_minutes=2),)
    ),
    "every hour, three tunings of one radio": WatchPlan(
        channels=(ONE, TWO, THREE),
        windows=(Window(every_hours=1, length_minutes=5),),
        callers=CallerRules(channels=(("one", 0.5), ("three", 0.3))),
    ),
    "by day, two radios, a weak and lasting caller": WatchPlan(
        channels=(ONE, TWO, THREE),
        radios=(Radio(), Radio()),
        windows=(
            Window(at=tuple(time(hour) for hour in range(7, 22, 2)), length_minutes=10, lead_minutes=5),
        ),
        callers=CallerRules(
            cn_db=Uncertain(1.0, 2.0),
            lasts_hours=Uncertain(60.0, 10.0),
            clock_error_minutes=Uncertain(2.0, 6.0),
        ),
    ),
    "always, calls at once, short trouble": WatchPlan(
        channels=(ONE, TWO),
        callers=CallerRules(first_call="at-once", lasts_hours=Uncertain(0.6, 0.3), rounds=1, over_seconds=4),
    ),
}


@cache
def openings(plan_name: str) -> tuple[list[float], float]:
    """When the windows open, seconds from START, and for how long; of windows at full hours of UTC."""
    (window,) = PLANS[plan_name].windows
    hours = [clock.hour for clock in window.at] if window.at else range(0, 24, window.every_hours or 24)
    lead, length = 60 * window.lead_minutes, 60 * (window.length_minutes or 0)
    return [86_400 * day + 3600 * hour - lead for day in range(-1, 4) for hour in hours], lead + length


def is_open(plan_name: str, at_s: float) -> float | None:
    """Seconds since the window open at an instant opened; None where none is."""
    if not PLANS[plan_name].windows:
        return at_s + 7200  # the simulation looks at a continuous watch from two hours before
    opened, length_s = openings(plan_name)
    latest = opened[bisect.bisect_right(opened, at_s) - 1]
    return at_s - latest if at_s < latest + length_s else None


def is_listened(plan_name: str, dwells: tuple[DwellPlan, ...], tunings: set[int], at_s: float) -> bool:
    since = is_open(plan_name, at_s)
    if since is None:
        return False
    for dwell in dwells:
        if len(dwell.visits) == 1:
            if dwell.visits[0].tuning in tunings:
                return True
            continue
        rest = since % sum(visit.dwell_s + dwell.retune_s for visit in dwell.visits)
        for visit in dwell.visits:
            if dwell.retune_s <= rest < dwell.retune_s + visit.dwell_s and visit.tuning in tunings:
                return True
            rest -= dwell.retune_s + visit.dwell_s
            if rest < 0:
                break
    return False


def one_caller(plan_name: str, setup: Receiving, chances: random.Random) -> float:
    """Hours until heard, infinite where not within 24."""
    plan = PLANS[plan_name]
    rules = plan.callers
    trouble = chances.random() * 86_400
    late = 60 * chances.gauss(rules.clock_error_minutes.value, rules.clock_error_minutes.plus_minus)
    lasts = 3600 * chances.gauss(rules.lasts_hours.value, rules.lasts_hours.plus_minus)
    ratio = chances.gauss(rules.cn_db.value, rules.cn_db.plus_minus)
    found = min(0.99, max(0.0, ratio / 3 * 0.99))  # the default curve: 0 at 0 dB, 0.99 from 3 dB
    pick, name = chances.random(), None
    for each, share in channel_shares(rules, plan.channels).items():
        if name is None and pick < share:
            name = each
        pick -= share
    tunings = {
        number
        for number, tuning in enumerate(setup.tunings)
        if name in [each.name for each in tuning.channels]
    }
    first = next(3600 * hour + late for hour in range(-2, 60) if 3600 * hour + late >= trouble)
    sessions = [trouble] * (rules.first_call == "at-once") + [first + 3600 * hour for hour in range(26)]
    for session in sessions:
        if session >= trouble + lasts or session >= trouble + 86_400:
            break
        for turn in range(rules.rounds):
            begin = session + 60 * turn * (rules.call_minutes + rules.listen_minutes)
            over = begin
            while over < begin + 60 * rules.call_minutes:
                stop = min(over + rules.over_seconds, begin + 60 * rules.call_minutes)
                heard_s = 0.0
                # Every window outlasts a key-down: one that meets it begins or ends in it.
                if is_open(plan_name, over) is not None or is_open(plan_name, stop) is not None:
                    heard_s = STEP_S * sum(
                        is_listened(plan_name, setup.dwells, tunings, over + STEP_S * (step + 0.5))
                        for step in range(int((stop - over) / STEP_S))
                    )
                if heard_s >= 0.5 and chances.random() < found:
                    return (over - trouble) / 3600
                over += rules.over_seconds + rules.pause_seconds
    return math.inf


@pytest.mark.slow
@pytest.mark.parametrize("name", PLANS)
def test_two_simulations_by_different_hands_agree(name: str) -> None:
    plan = PLANS[name]
    zone = ZoneInfo("UTC")
    setup = receiving(plan)
    heard_by = listening(setup, plan.windows, zone, START, 48)
    callers = draw_callers(plan.callers, plan.channels, zone, START, 1, MANY)
    fast = delays_s(plan.callers, callers, heard_by, START) / 3600
    chances = random.Random(20310504)
    slow = np.array([one_caller(name, setup, chances) for _ in range(FEW)])
    for hours in (1, 3, 12, 24):
        share, other = float(np.mean(fast <= hours)), float(np.mean(slow <= hours))
        sigma = math.sqrt(share * (1 - share) * (1 / len(fast) + 1 / len(slow)))
        assert other == pytest.approx(share, abs=4.5 * sigma + 0.003), hours
