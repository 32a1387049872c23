"""What a plan says of its power: the `[power]` table, every figure a number or `[value, plus_minus]`.

`plus_minus` is a standard uncertainty, one standard deviation (JCGM 100:2008, 2.3.1, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from watcher.plan.figures import write_number
from watcher.plan.rules import Wrong, as_real

Chemistry = Literal["lead", "lithium"]


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A figure and its standard uncertainty, in the same unit."""

    value: float
    plus_minus: float = 0.0

    def __str__(self) -> str:
        spread = f" ± {write_number(self.plus_minus)}" if self.plus_minus else ""
        return f"{write_number(self.value)}{spread}"


def uncertain(least: float, most: float) -> Callable[[object], Uncertain]:
    """A reader of a number, or of a list of a number and its plus_minus, within a range."""

    def read(written: object) -> Uncertain:
        if isinstance(written, Uncertain):
            return written
        value, spread = written if isinstance(written, list) and len(written) == 2 else (written, 0)
        try:
            figure = Uncertain(as_real(value), as_real(spread))
        except ValueError:
            figure = None
        if figure is None or not least <= figure.value <= most or not 0 <= figure.plus_minus <= most - least:
            raise Wrong(
                f"it must be a number between {write_number(least)} and {write_number(most)}, "
                "or a list of it and its plus_minus, like [12, 0.5]"
            )
        return figure

    return read


def _twelve(written: object) -> tuple[Uncertain, ...]:
    if isinstance(written, tuple):
        return written
    right = "it must be a list of twelve numbers between 0 and 24, January first"
    if not isinstance(written, list) or len(written) != 12:
        raise Wrong(right)
    try:
        return tuple(uncertain(0, 24)(each) for each in written)
    except Wrong:
        raise Wrong(right) from None


Share = Annotated[Uncertain, BeforeValidator(uncertain(0, 1))]
Watts = Annotated[Uncertain, BeforeValidator(uncertain(0, 10_000))]


class PowerRules(BaseModel):
    """The battery, what draws on it, and what fills it.

    Parameters
    ----------
    battery_wh : Uncertain or None
        Rated energy of the battery; or else `battery_ah` times `battery_volts`.
    chemistry : {"lead", "lithium"}
        Chooses what stands for the figures about the battery that are not given.
    usable_share : Uncertain or None
        Of the capacity at hand, how much may be drawn until the battery counts as empty.
    temperature_c : Uncertain
        Of the battery, mean.
    capacity_per_kelvin : Uncertain or None
        Share of capacity lost for each kelvin below 20 °C.
    age_years, life_years : Uncertain
        At the end of its life a battery holds 80 % of what it is rated for.
    radio_w, computer_awake_w, computer_asleep_w : Uncertain
        Each radio in a window; the computer in a window, and between windows.
    wake_minutes : Uncertain
        How long the computer is awake around each window beside the window itself.
    follow_up_minutes_a_day : Uncertain
        Watched beyond the windows on a mean day.
    solar_w_peak : Uncertain
        Rating of the panel at 1000 W/m².
    sun_hours : tuple of Uncertain or None
        For each month the mean hours a day that sun of 1000 W/m² would have to shine to give as much.
    latitude_deg : float or None
        Stands in for `sun_hours`: the sun's path, a level panel and `clearness` say how much arrives.
    clearness : Uncertain
        Share of the sunlight above the air that reaches the ground.
    panel_yield : Uncertain
        Of the panel's rated output, what reaches the battery.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    battery_wh: Annotated[Uncertain, BeforeValidator(uncertain(0.1, 1_000_000))] | None = None
    battery_ah: Annotated[Uncertain, BeforeValidator(uncertain(0.1, 100_000))] | None = None
    battery_volts: Annotated[Uncertain, BeforeValidator(uncertain(1, 1000))] | None = None
    chemistry: Chemistry = Field(default="lead", description='"lead" or "lithium"')
    usable_share: Annotated[Uncertain, BeforeValidator(uncertain(0.01, 1))] | None = None
    temperature_c: Annotated[Uncertain, BeforeValidator(uncertain(-40, 60))] = Uncertain(20.0)
    capacity_per_kelvin: Annotated[Uncertain, BeforeValidator(uncertain(0, 0.05))] | None = None
    age_years: Annotated[Uncertain, BeforeValidator(uncertain(0, 50))] = Uncertain(0.0)
    life_years: Annotated[Uncertain, BeforeValidator(uncertain(0.5, 50))] | None = None
    radio_w: Watts = Uncertain(1.5, 0.3)
    computer_awake_w: Watts = Uncertain(5.0, 1.0)
    computer_asleep_w: Watts = Uncertain(1.0, 0.5)
    wake_minutes: Annotated[Uncertain, BeforeValidator(uncertain(0, 60))] = Uncertain(1.0)
    follow_up_minutes_a_day: Annotated[Uncertain, BeforeValidator(uncertain(0, 1440))] = Uncertain(0.0)
    solar_w_peak: Annotated[Uncertain, BeforeValidator(uncertain(0, 100_000))] = Uncertain(0.0)
    sun_hours: Annotated[tuple[Uncertain, ...], BeforeValidator(_twelve)] | None = None
    latitude_deg: Annotated[float, BeforeValidator(as_real)] | None = Field(
        default=None, ge=-90, le=90, description="a number of degrees between -90 (south) and 90"
    )
    clearness: Share = Uncertain(0.5, 0.1)
    panel_yield: Share = Uncertain(0.7, 0.1)

    @property
    def said_battery(self) -> str:
        """The battery in words: `100 ± 5 Ah at 12.8 V, lithium`."""
        if self.battery_wh is not None:
            return f"{self.battery_wh} Wh, {self.chemistry}"
        return f"{self.battery_ah} Ah at {self.battery_volts} V, {self.chemistry}"


def power_contradictions(table: Mapping[str, object], power: PowerRules | None, file: str) -> list[str]:
    """What the keys of `[power]` say together that cannot all be meant, one problem each."""
    if power is None:
        return []
    trail = f"{file}: power"
    problems = []
    by_charge = [key for key in ("battery_ah", "battery_volts") if key in table]
    if "battery_wh" in table and by_charge:
        problems.append(
            f"{trail}: battery_wh is {power.battery_wh} beside {by_charge[0]}; it must be battery_wh alone, "
            "or battery_ah and battery_volts"
        )
    elif "battery_wh" not in table and len(by_charge) != 2:
        problems.append(
            f"{trail}: the battery's energy is not said; it must have battery_wh, or battery_ah and "
            "battery_volts"
        )
    if power.computer_asleep_w.value > power.computer_awake_w.value:
        problems.append(
            f"{trail}: computer_asleep_w is {power.computer_asleep_w}; it must not be more than "
            f"computer_awake_w, {power.computer_awake_w}"
        )
    if power.sun_hours is not None and power.latitude_deg is not None:
        problems.append(
            f"{trail}: sun_hours and latitude_deg both say how much sun there is; it must be one of them"
        )
    if power.solar_w_peak.value and power.sun_hours is None and power.latitude_deg is None:
        problems.append(
            f"{trail}: solar_w_peak is {power.solar_w_peak} without sun; it must have sun_hours or "
            "latitude_deg"
        )
    return problems
