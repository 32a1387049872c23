"""What a watch draws from its battery, how long that lasts, and how well both are known.

Energy of a day: the sum of power times hours over what runs (radios in windows, the computer awake in
windows and around them, asleep between). Usable energy: rated energy, less for cold, less for age, times
the share that may be drawn. Days until empty: the usable energy over what a day draws beyond what the sun
gives.

- Cold: rated × (1 − c (20 °C − T)), never more than rated. For lead c = 0.006 per kelvin, the coefficient
  for slow discharge in IEC 60896 (from memory); for lithium 0.005 (from memory, no source).
- Age: straight from 100 % to 80 % of rated at the end of life, the share at which IEEE 450 calls a lead
  battery worn out (from memory).
- Self-discharge, losses of converters and cables, and cold sun are not in it; put them into the figures.

Uncertainty goes two ways that check each other: draws from normal laws cut at the edge of what can be
(JCGM 101:2008, propagation of distributions), and to first order, the root of the sum of squared
sensitivity times uncertainty (JCGM 100:2008, 5.1.2). Clause numbers from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.plan.outlook.sun import sun_hours
from watcher.plan.power_rules import PowerRules, Uncertain

Figures = npt.NDArray[np.float64]

REFERENCE_C = 20.0
WORN_OUT_LOSS = 0.2
DRAWS = 20_000
# Where the plan says nothing of the battery: cold per kelvin, years of life, share to draw. From memory,
# no source.
_OF_CHEMISTRY = {
    "lead": (Uncertain(0.006, 0.002), Uncertain(5.0, 1.0), Uncertain(0.5, 0.05)),
    "lithium": (Uncertain(0.005, 0.002), Uncertain(10.0, 2.0), Uncertain(0.8, 0.05)),
}
_SHARES = {"usable_share", "clearness", "panel_yield"}
_MAY_BE_NEGATIVE = {"temperature_c"}


@dataclass(frozen=True, slots=True)
class Duty:
    """What a mean day of the watch asks for.

    Parameters
    ----------
    open_hours : float
        In which at least one window is open, 0 to 24.
    openings : float
        Windows of the day that do not follow another without a pause.
    radios : int
    """

    open_hours: float
    openings: float
    radios: int = 1


@dataclass(frozen=True, slots=True)
class Estimate:
    """One figure: from the best inputs, its standard uncertainty to first order, and what the draws say.

    `low` and `high` hold the middle 90 of 100 draws; either is infinite where the battery does not run down.
    """

    value: float
    first_order_sd: float
    drawn_sd: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class EnergyOutlook:
    """Energy of one schedule in one month.

    `never_empty_share` is the share of draws in which the sun gives as much as the watch takes.
    """

    month: int
    wh_a_day: Estimate
    solar_wh_a_day: Estimate
    usable_wh: Estimate
    days: Estimate
    never_empty_share: float


def energy_outlook(power: PowerRules, duty: Duty, month: int, *, seed: int = 1) -> EnergyOutlook:
    """The energy of a day and the days until empty, each with its uncertainty.

    Parameters
    ----------
    power : PowerRules
    duty : Duty
    month : int
        1 to 12; chooses the sun.
    seed : int
        Of the draws; the same inputs and seed give the same outlook.
    """
    inputs = _inputs(power, month)
    drawn = _draws(inputs, np.random.default_rng(seed))
    latitude = power.latitude_deg

    def drain(x: Mapping[str, Figures]) -> Figures:
        return _drain_wh(x, duty)

    def sun(x: Mapping[str, Figures]) -> Figures:
        return _solar_wh(x, latitude, month)

    def days(x: Mapping[str, Figures]) -> Figures:
        net = drain(x) - sun(x)
        with np.errstate(divide="ignore"):
            return np.where(net > 0, usable_wh(x) / np.maximum(net, 1e-12), np.inf)

    drawn_days = days(drawn)
    return EnergyOutlook(
        month,
        _estimate(drain, inputs, drawn),
        _estimate(sun, inputs, drawn),
        _estimate(usable_wh, inputs, drawn),
        _estimate(days, inputs, drawn),
        float(np.mean(np.isinf(drawn_days))),
    )


def wh_a_day(power: PowerRules, duty: Duty) -> float:
    """Energy of a mean day from the best inputs alone, Wh."""
    exact = {name: np.array(each.value) for name, each in _inputs(power, 1).items()}
    return float(_drain_wh(exact, duty))


def usable_wh(x: Mapping[str, Figures]) -> Figures:
    """Energy that may be drawn from a full battery, Wh."""
    cold = np.minimum(1.0, 1 - x["capacity_per_kelvin"] * (REFERENCE_C - x["temperature_c"]))
    aged = 1 - WORN_OUT_LOSS * x["age_years"] / np.maximum(x["life_years"], 0.1)
    return np.asarray(x["rated_wh"] * np.maximum(cold, 0.0) * np.maximum(aged, 0.0) * x["usable_share"])


def _drain_wh(x: Mapping[str, Figures], duty: Duty) -> Figures:
    open_h = np.minimum(24.0, duty.open_hours + x["follow_up_minutes_a_day"] / 60)
    awake_h = np.minimum(24.0, open_h + duty.openings * x["wake_minutes"] / 60)
    radios = duty.radios * x["radio_w"] * open_h
    return np.asarray(
        radios + x["computer_awake_w"] * awake_h + x["computer_asleep_w"] * (24 - awake_h), np.float64
    )


def _solar_wh(x: Mapping[str, Figures], latitude_deg: float | None, month: int) -> Figures:
    hours = x["sun_hours"]
    if latitude_deg is not None:
        hours = x["clearness"] * sun_hours(latitude_deg, month, 1.0)
    return np.asarray(x["solar_w_peak"] * hours * x["panel_yield"], np.float64)


def _inputs(power: PowerRules, month: int) -> dict[str, Uncertain]:
    cold, life, share = _OF_CHEMISTRY[power.chemistry]
    if power.battery_wh is not None:
        rated = power.battery_wh
    else:
        charge, volts = power.battery_ah, power.battery_volts
        assert charge is not None and volts is not None  # a plan without a battery is refused
        spread = np.hypot(charge.plus_minus * volts.value, volts.plus_minus * charge.value)
        rated = Uncertain(charge.value * volts.value, float(spread))
    return {
        "rated_wh": rated,
        "temperature_c": power.temperature_c,
        "capacity_per_kelvin": power.capacity_per_kelvin or cold,
        "age_years": power.age_years,
        "life_years": power.life_years or life,
        "usable_share": power.usable_share or share,
        "radio_w": power.radio_w,
        "computer_awake_w": power.computer_awake_w,
        "computer_asleep_w": power.computer_asleep_w,
        "wake_minutes": power.wake_minutes,
        "follow_up_minutes_a_day": power.follow_up_minutes_a_day,
        "solar_w_peak": power.solar_w_peak,
        "sun_hours": power.sun_hours[month - 1] if power.sun_hours else Uncertain(0.0),
        "clearness": power.clearness,
        "panel_yield": power.panel_yield,
    }


def _draws(inputs: Mapping[str, Uncertain], rng: np.random.Generator) -> dict[str, Figures]:
    drawn = {}
    for name, each in inputs.items():
        least = -np.inf if name in _MAY_BE_NEGATIVE else 0.0
        most = 1.0 if name in _SHARES else np.inf
        drawn[name] = np.clip(rng.normal(each.value, each.plus_minus, DRAWS), least, most)
    return drawn


def _estimate(
    formula: Callable[[Mapping[str, Figures]], Figures],
    inputs: Mapping[str, Uncertain],
    drawn: Mapping[str, Figures],
) -> Estimate:
    best = {name: np.array(each.value) for name, each in inputs.items()}
    value = float(formula(best))
    variance = 0.0
    for name, each in inputs.items():
        if each.plus_minus and np.isfinite(value):
            step = 1e-3 * each.plus_minus
            up, down = (float(formula(best | {name: best[name] + sign * step})) for sign in (1, -1))
            variance += ((up - down) / (2 * step) * each.plus_minus) ** 2
    outcomes = formula(drawn)
    finite = outcomes[np.isfinite(outcomes)]
    low, high = np.quantile(outcomes, [0.05, 0.95], method="inverted_cdf")
    return Estimate(
        value,
        float(np.sqrt(variance)) if np.isfinite(value) else float("nan"),
        float(finite.std()) if len(finite) else float("nan"),
        float(low),
        float(high),
    )
