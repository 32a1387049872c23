"""The outlook against formulas that are not its own: geometry, the normal law, renewal theory, FAO-56, JCGM.

Simulated shares may miss the truth by four and a half standard deviations, which happens once in 150 000.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import scipy.linalg
import scipy.stats

from watcher.plan.caller_rules import CallerRules
from watcher.plan.model import Channel, WatchPlan, Window
from watcher.plan.outlook.callers import delays_s, draw_callers
from watcher.plan.outlook.closed_forms import (
    call_among_rests,
    hourly_call,
    single_call,
    single_call_delay_mean,
    up_again_after_outage,
    wilson_interval,
    within_tries,
)
from watcher.plan.outlook.energy import Duty, energy_outlook
from watcher.plan.outlook.hearing import listening, receiving
from watcher.plan.outlook.sun import radiation_above_air_wh_m2, sun_hours
from watcher.plan.power_rules import PowerRules, Uncertain
from watcher.plan.stay_rules import DwellRules

START = datetime(2031, 5, 4, tzinfo=UTC)
ZONE = ZoneInfo("UTC")
CALLERS = 40_000
HOURLY = Window(every_hours=1, length_minutes=5)
ALONE = (Channel(name="a", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500),)
# One long call, always found, by a clock that is right.
PLAIN = {
    "rounds": 1,
    "call_minutes": 2.0,
    "listen_minutes": 0.0,
    "over_seconds": 120.0,
    "clock_error_minutes": Uncertain(0.0),
    "cn_db": Uncertain(20.0),
    "detection": ((0.0, 0.0), (3.0, 1.0)),
    "lasts_hours": Uncertain(100.0),
}
HOURLY_TIMES = tuple(f"{hour:02d}:00" for hour in range(24))
ONCE = {"first_call": "at-once", "lasts_hours": Uncertain(0.001)}


def simulated(
    rules: CallerRules,
    window: Window,
    *,
    channels: tuple[Channel, ...] = ALONE,
    dwell_s: float = 3.0,
    grid_s: float = 0.5,
) -> np.ndarray:
    """Delays in hours, infinite for those not heard."""
    plan = WatchPlan(channels=channels, windows=(window,), dwell=DwellRules(dwell_seconds=dwell_s))
    heard_by = listening(receiving(plan), plan.windows, ZONE, START, 48, grid_s=grid_s)
    callers = draw_callers(rules, channels, ZONE, START, 1, CALLERS, seed=7)
    return delays_s(rules, callers, heard_by, START) / 3600


def assert_share(seen: np.ndarray, expected: float, bias: float = 0.0) -> None:
    """`bias` is what the half-second grid of time may add to the truth."""
    sigma = np.sqrt(expected * (1 - expected) / len(seen))
    assert float(np.mean(seen)) == pytest.approx(expected, abs=4.5 * sigma + bias)


@pytest.mark.parametrize(("call_min", "length_min"), [(2.0, 5.0), (0.5, 1.0), (1.0, 20.0)])
def test_one_call_at_any_instant_meets_a_window_as_geometry_says(call_min: float, length_min: float) -> None:
    rules = CallerRules(**PLAIN | ONCE | {"call_minutes": call_min, "over_seconds": 60 * call_min})
    seen = np.isfinite(simulated(rules, Window(every_hours=1, length_minutes=length_min)))
    # A call may begin up to its length before the window; half a second must be common to both.
    expected = (length_min + call_min - 2 * 0.5 / 60) / 60
    assert single_call(60, length_min, call_min, 0.5 / 60) == pytest.approx(expected)
    assert_share(seen, expected, bias=1 / 3600)


@pytest.mark.parametrize(("lead_min", "clock_sd_min"), [(0.0, 3.0), (5.0, 3.0), (2.0, 10.0)])
def test_a_wrong_clock_misses_the_window_as_the_normal_law_says(lead_min: float, clock_sd_min: float) -> None:
    clock = Uncertain(0.0, clock_sd_min)
    rules = CallerRules(**PLAIN | {"clock_error_minutes": clock, "lasts_hours": Uncertain(1.0)})
    seen = np.isfinite(simulated(rules, Window(at=HOURLY_TIMES, length_minutes=5, lead_minutes=lead_min)))
    # scipy's normal law; so wrong a clock meets no other hour's window.
    law = scipy.stats.norm(0, clock_sd_min)
    expected = law.cdf(5 - 0.5 / 60) - law.cdf(-lead_min - 2 + 0.5 / 60)
    assert hourly_call(lead_min, 5, 2, clock_sd_min, 0.5 / 60) == pytest.approx(expected)
    assert_share(seen, expected, bias=0.001)


def test_a_call_every_hour_meets_every_third_hour_within_three() -> None:
    delays = simulated(CallerRules(**PLAIN), Window(every_hours=3, length_minutes=5))
    for hours, expected in ((1, 1 / 3), (3, 1.0)):
        assert_share(delays <= hours, expected, bias=2e-4)
    # The trouble begins uniformly within the three hours before the window.
    assert scipy.stats.kstest(delays, scipy.stats.uniform(0, 3).cdf).pvalue > 1e-4


def test_the_mean_wait_for_a_window_is_that_of_a_uniform_instant() -> None:
    instants = np.random.default_rng(1).random(200_000) * 60
    wait = np.where(instants < 5, 0, 60 - instants)
    assert single_call_delay_mean(60, 5) == pytest.approx(wait.mean(), rel=0.01)


@pytest.mark.parametrize(("dwell_s", "over_s"), [(10.0, 5.0), (1.0, 1.0)])
def test_dwelling_on_three_tunings_catches_a_short_call_as_geometry_says(
    dwell_s: float, over_s: float
) -> None:
    channels = tuple(
        Channel(name=name, frequency_hz=hz, mode="nfm", bandwidth_hz=12_500)
        for name, hz in (("a", 52_525_000), ("b", 146_520_000), ("c", 446_100_000))
    )
    short = {"call_minutes": 0.1, "over_seconds": over_s, "pause_seconds": 100.0}
    rules = CallerRules(**PLAIN | ONCE | short)
    seen = simulated(rules, Window(continuous=True), channels=channels, dwell_s=dwell_s, grid_s=0.1)
    # Three visits with 0.3 s of retuning before each; half a second must be common.
    cycle_s = 3 * (dwell_s + 0.3)
    assert_share(np.isfinite(seen), (dwell_s + over_s - 2 * 0.5) / cycle_s, bias=0.1 / cycle_s)


def test_a_caller_is_heard_at_the_key_down_that_is_found() -> None:
    overs = {"over_seconds": 10.0, "pause_seconds": 5.0, "detection": ((0.0, 0.2), (40.0, 0.2))}
    delays_h = simulated(CallerRules(**PLAIN | ONCE | overs), Window(continuous=True))
    for found_by in range(1, 9):
        # The geometric law; the key-downs begin 15 s apart.
        assert_share(delays_h * 3600 < 15 * found_by - 7, 1 - 0.8**found_by)


def test_independent_key_downs_add_up_as_one_minus_the_power() -> None:
    overs = {"over_seconds": 10.0, "pause_seconds": 5.0, "detection": ((0.0, 0.2), (40.0, 0.2))}
    rules = CallerRules(**PLAIN | ONCE | overs)
    seen = np.isfinite(simulated(rules, Window(continuous=True)))
    assert within_tries(0.2, 8) == pytest.approx(1 - 0.8**8)  # two minutes hold eight of 15 s
    assert_share(seen, 1 - 0.8**8)


def test_outages_delay_a_caller_as_the_two_state_process_says() -> None:
    share, mean_h = 0.3, 4.0
    rules = CallerRules(**PLAIN | {"outage_share": share, "outage_hours": mean_h})
    delays = simulated(rules, HOURLY)
    # The generator matrix of the process, exponentiated: up to down at q, down to up at 1/mean.
    to_down, to_up = share / (1 - share) / mean_h, 1 / mean_h
    step = scipy.linalg.expm(np.array([[-to_down, to_down], [to_up, -to_up]]))
    assert up_again_after_outage(share, mean_h, 1.0) == pytest.approx(step[0, 0])
    for sessions in (1, 3, 6, 12):
        # Not heard in any of so many sessions: down at the first and never up at the next ones.
        assert_share(delays <= sessions, 1 - share * step[1, 1] ** (sessions - 1), bias=2e-4)


def test_a_call_among_exponential_rests_follows_renewal_theory() -> None:
    rng = np.random.default_rng(3)
    watched, rest, call = 4.0, 20.0, 6.0
    on, off = rng.exponential(watched, 40_000), rng.exponential(rest, 40_000)
    starts = np.concatenate(([0.0], np.cumsum(on + off)[:-1]))
    instants = rng.random(100_000) * starts[-1]
    which = np.searchsorted(starts, instants, side="right") - 1
    heard = (instants < starts[which] + on[which]) | (
        instants + call >= starts[which] + on[which] + off[which]
    )
    assert call_among_rests(watched, rest, call) == pytest.approx(heard.mean(), abs=0.012)


@pytest.mark.parametrize(("found", "tries"), [(0, 10), (3, 10), (500, 1000), (1000, 1000)])
def test_wilson_interval_is_that_of_scipy(found: int, tries: int) -> None:
    expected = scipy.stats.binomtest(found, tries).proportion_ci(0.95, method="wilson")
    assert wilson_interval(found, tries) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_wilson_interval_refuses_what_cannot_be() -> None:
    with pytest.raises(ValueError, match="found is 3 of 2 tries"):
        wilson_interval(3, 2)


def test_radiation_above_the_air_is_that_of_the_fao_example() -> None:
    # FAO-56, example 8: 3 September at 20 degrees south, 32.2 MJ/m² a day.
    assert radiation_above_air_wh_m2(-20, 246) * 3600 / 1e6 == pytest.approx(32.2, abs=0.1)


def test_the_sun_of_the_equator_and_of_the_polar_night() -> None:
    assert sun_hours(90, 12, 1.0) == 0
    assert sun_hours(-90, 12, 1.0) > 10
    # At equinox on the equator the level square sees cos of the sun's hour angle: 24/pi of the constant.
    assert radiation_above_air_wh_m2(0, 81) == pytest.approx(24 / np.pi * 1367, rel=0.02)


DUTY = Duty(open_hours=2.0, openings=24.0, radios=1)
EXACT = PowerRules(
    battery_ah=Uncertain(50.0),
    battery_volts=Uncertain(12.0),
    usable_share=Uncertain(0.5),
    temperature_c=Uncertain(0.0),
    capacity_per_kelvin=Uncertain(0.006),
    age_years=Uncertain(2.5),
    life_years=Uncertain(5.0),
    radio_w=Uncertain(2.0),
    computer_awake_w=Uncertain(5.0),
    computer_asleep_w=Uncertain(1.0),
    wake_minutes=Uncertain(2.5),
    solar_w_peak=Uncertain(10.0),
    sun_hours=tuple(Uncertain(float(hours)) for hours in range(12)),
    panel_yield=Uncertain(0.7),
)


def test_energy_is_power_times_time_by_hand() -> None:
    energy = energy_outlook(EXACT, DUTY, month=3)
    # 2 h radio 4 Wh; awake 2 h and 24 × 2.5 min = 3 h, 15 Wh; asleep 21 h, 21 Wh.
    assert energy.wh_a_day.value == pytest.approx(40.0)
    assert energy.solar_wh_a_day.value == pytest.approx(10 * 2 * 0.7)  # March: two hours
    # 600 Wh, 12 % less for 20 K of cold, 10 % less for half of its life, half of that.
    assert energy.usable_wh.value == pytest.approx(600 * 0.88 * 0.9 * 0.5)
    assert energy.days.value == pytest.approx(237.6 / 26)
    assert energy.never_empty_share == 0
    assert energy.days.first_order_sd == 0
    assert energy.days.low == pytest.approx(energy.days.high)


def test_uncertainty_of_a_quotient_follows_the_law_of_propagation() -> None:
    power = EXACT.model_copy(
        update={"battery_ah": Uncertain(50.0, 2.0), "computer_asleep_w": Uncertain(1.0, 0.05)}
    )
    days = energy_outlook(power, DUTY, month=1).days
    # JCGM 100:2008, 5.1.6: relative variances of a quotient add; 21 h asleep, 40 Wh a day.
    relative = np.hypot(2.0 / 50, 21 * 0.05 / 40)
    assert days.first_order_sd == pytest.approx(days.value * relative, rel=1e-3)
    assert days.drawn_sd == pytest.approx(days.first_order_sd, rel=0.03)
    # The middle 90 of a normal law lie within 1.645 standard deviations.
    assert days.high - days.low == pytest.approx(2 * 1.645 * days.first_order_sd, rel=0.05)


def test_a_battery_the_sun_keeps_full_does_not_run_down() -> None:
    energy = energy_outlook(EXACT, DUTY, month=12)  # eleven hours of sun, 77 Wh
    assert np.isinf(energy.days.value)
    assert energy.never_empty_share == 1
