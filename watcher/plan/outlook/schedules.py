"""Schedules side by side, and the best of a family of them for what it may cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import product
from zoneinfo import ZoneInfo

from watcher.plan.figures import write_number
from watcher.plan.model import WatchPlan, Window
from watcher.plan.outlook.callers import (
    HORIZON_H,
    Callers,
    Chance,
    Share,
    chance,
    channel_shares,
    delays_s,
    draw_callers,
)
from watcher.plan.outlook.energy import Duty, EnergyOutlook, energy_outlook, wh_a_day
from watcher.plan.outlook.hearing import GRID_S, Receiving, listening, receiving
from watcher.plan.presets import Preset
from watcher.plan.windows import ALWAYS, open_time

DAYS = 7
"""Callers' trouble begins at any instant of so many days from the start: every day of the week is in it."""
DUTY_DAYS = 28
COMPARED_CALLERS = 100_000
"""At most so many meet each schedule beside the plan's own: good to a third of a per cent."""
COMPARED_GRID_S = 1.0
FAMILY_CALLERS = 10_000
"""The same ones for every schedule of the family: what differs is the schedule, not the draw."""
FAMILY_GRID_S = 2.0
LEADS_MIN = (0, 1, 2, 3, 5, 10)
PERIODS_H = (1, 2, 3, 4, 6, 12)
LENGTHS_MIN = (3, 5, 10, 20)
FAMILY_LEADS_MIN = (0, 2, 5, 10)
WAKING_HOURS = range(7, 23)


@dataclass(frozen=True, slots=True)
class Schedule:
    """Windows with a name, and which channels they are for: all of the plan, or those that callers use."""

    name: str
    windows: tuple[Window, ...]
    only_calling: bool = False


@dataclass(frozen=True, slots=True)
class Prospect:
    """What one schedule costs and gives; `energy` is None where the plan has no `[power]`."""

    schedule: Schedule
    duty: Duty
    energy: EnergyOutlook | None
    chance: Chance


@dataclass(frozen=True, slots=True)
class Candidate:
    """One schedule of the family: `cost` in Wh a day, or hours open a day where the plan has no `[power]`."""

    schedule: Schedule
    duty: Duty
    cost: float
    heard: Share


@dataclass(frozen=True, slots=True)
class Search:
    """The family: every candidate, those no other beats in cost and chance, the dearest of them that is
    affordable.

    `affordable_cost` is None where no budget was given; `best` is None also where nothing is cheap enough.
    """

    within_h: int
    candidates: tuple[Candidate, ...]
    frontier: tuple[Candidate, ...]
    affordable_cost: float | None
    best: Prospect | None


def duty_of(windows: Sequence[Window], zone: ZoneInfo, start_utc: datetime, radios: int) -> Duty:
    """Hours open and openings of a mean day, over four weeks from the start."""
    spans = open_time(windows, zone, (start_utc, start_utc + timedelta(days=DUTY_DAYS)))
    hours = sum((stop - start).total_seconds() for start, stop in spans) / 3600
    return Duty(hours / DUTY_DAYS, len(spans) / DUTY_DAYS, radios)


class Comparison:
    """One plan, its callers and its start, against which schedules are held.

    Parameters
    ----------
    plan : WatchPlan
    start_utc : datetime
        Aware; windows and sun are those of the days after it.
    callers : int
        How many are simulated for each schedule.
    seed : int

    Raises
    ------
    ValueError
        A channel does not fit into the radio's span; one sentence.
    """

    def __init__(
        self, plan: WatchPlan, start_utc: datetime, callers: int = 100_000, *, seed: int = 1
    ) -> None:
        self.plan = plan
        self.start_utc = start_utc
        self.seed = seed
        self.setup = receiving(plan)
        self._zone = plan.station.zone
        self._count = callers
        self._compared = self._draw(DAYS, min(callers, COMPARED_CALLERS))
        likely = channel_shares(plan.callers, plan.channels)
        wanted = [channel for channel in plan.channels if channel.name in likely]
        self._calling_only = receiving(plan, wanted) if len(wanted) < len(plan.channels) else self.setup

    def own(self) -> Prospect:
        """Cost and chance of the plan's own schedule, with as many callers as were asked for."""
        callers = self._compared if self._count <= COMPARED_CALLERS else self._draw(DAYS, self._count)
        return self._prospect(Schedule("this plan", self.plan.windows or (ALWAYS,)), callers, GRID_S)

    def prospect(self, schedule: Schedule) -> Prospect:
        """Cost and chance of one schedule, with at most `COMPARED_CALLERS`."""
        return self._prospect(schedule, self._compared, COMPARED_GRID_S)

    def _prospect(self, schedule: Schedule, callers: Callers, grid_s: float) -> Prospect:
        setup = self._setup_of(schedule)
        duty = duty_of(schedule.windows, self._zone, self.start_utc, max(1, setup.radios))
        month = self.start_utc.astimezone(self._zone).month
        power = self.plan.power
        energy = None if power is None else energy_outlook(power, duty, month, seed=self.seed)
        return Prospect(schedule, duty, energy, self._chance(schedule, callers, DAYS, grid_s))

    def by_month(self) -> tuple[EnergyOutlook, ...]:
        """Energy of the plan's own schedule, as it is from the start, under the sun of every month."""
        power = self.plan.power
        if power is None:
            return ()
        windows = self.plan.windows or (ALWAYS,)
        duty = duty_of(windows, self._zone, self.start_utc, max(1, self.setup.radios))
        return tuple(energy_outlook(power, duty, month, seed=self.seed) for month in range(1, 13))

    def by_lead(self) -> dict[int, Chance]:
        """The chance with the plan's own windows opened earlier by so many minutes.

        Empty for a continuous watch.
        """
        if not self.plan.windows or any(window.continuous for window in self.plan.windows):
            return {}
        chances = {}
        for lead in LEADS_MIN:
            moved = tuple(
                window.model_copy(update={"lead_minutes": float(lead)}) for window in self.plan.windows
            )
            chances[lead] = self._chance(
                Schedule(f"lead {lead}", moved), self._compared, DAYS, COMPARED_GRID_S
            )
        return chances

    def search(
        self,
        within_h: int,
        *,
        days: float | None = None,
        most_wh_a_day: float | None = None,
        most_hours_a_day: float | None = None,
        told: Callable[[int, int], None] = lambda done, of: None,
    ) -> Search:
        """The best of the family for a budget, and the frontier of chance against cost.

        Parameters
        ----------
        within_h : int
            A key of `Chance.within`: how soon the caller must be heard.
        days, most_wh_a_day, most_hours_a_day : float or None
            Budgets; the first two need the plan's `[power]`. The strictest holds.
        told : callable
            Is told how many schedules of how many are done.
        """
        few = self._draw(1, FAMILY_CALLERS)
        schedules = list(self._family())
        candidates = []
        for number, schedule in enumerate(schedules, 1):
            setup = self._setup_of(schedule)
            duty = duty_of(schedule.windows, self._zone, self.start_utc, max(1, setup.radios))
            heard = self._chance(schedule, few, 1, FAMILY_GRID_S).within[within_h]
            candidates.append(Candidate(schedule, duty, self._cost(duty), heard))
            told(number, len(schedules))
        frontier = frontier_of(candidates)
        affordable = self._affordable(days, most_wh_a_day, most_hours_a_day)
        in_reach = [each for each in frontier if affordable is not None and each.cost <= affordable]
        best = self.prospect(in_reach[-1].schedule) if in_reach else None
        return Search(within_h, tuple(candidates), frontier, affordable, best)

    def _family(self) -> Sequence[Schedule]:
        sets = (False, True) if self._calling_only is not self.setup else (False,)
        family = [Schedule("continuous", (ALWAYS,), only) for only in sets]
        for period, length, lead, waking, only in product(
            PERIODS_H, LENGTHS_MIN, FAMILY_LEADS_MIN, (False, True), sets
        ):
            hours = [hour for hour in range(0, 24, period) if not waking or hour in WAKING_HOURS]
            every = "every hour" if period == 1 else f"every {period} h"
            name = f"{every}, {length} min{f' from {lead} min before' if lead else ''}"
            name += f", {WAKING_HOURS.start:02d} to {WAKING_HOURS.stop - 1:02d} h" if waking else ""
            name += ", only channels callers use" if only else ""
            window = Window(at=tuple(time(hour) for hour in hours), length_minutes=length, lead_minutes=lead)
            family.append(Schedule(name, (window,), only))
        return family

    def _cost(self, duty: Duty) -> float:
        return duty.open_hours if self.plan.power is None else wh_a_day(self.plan.power, duty)

    def _affordable(
        self, days: float | None, most_wh_a_day: float | None, most_hours_a_day: float | None
    ) -> float | None:
        costs = []
        power = self.plan.power
        if power is None:
            return most_hours_a_day
        if days is not None:
            month = self.start_utc.astimezone(self._zone).month
            of_nothing = energy_outlook(power, Duty(0.0, 0.0), month, seed=self.seed)
            costs.append(of_nothing.usable_wh.value / days + of_nothing.solar_wh_a_day.value)
        if most_wh_a_day is not None:
            costs.append(most_wh_a_day)
        if most_hours_a_day is not None:
            costs.append(wh_a_day(power, Duty(most_hours_a_day, 0.0, max(1, self.setup.radios))))
        return min(costs, default=None)

    def _draw(self, days: int, count: int) -> Callers:
        plan = self.plan
        return draw_callers(
            plan.callers, plan.channels, self._zone, self.start_utc, days, count, seed=self.seed
        )

    def _setup_of(self, schedule: Schedule) -> Receiving:
        return self._calling_only if schedule.only_calling else self.setup

    def _chance(self, schedule: Schedule, callers: Callers, days: int, grid_s: float) -> Chance:
        heard_by = listening(
            self._setup_of(schedule),
            schedule.windows,
            self._zone,
            self.start_utc,
            days * 24 + HORIZON_H,
            grid_s=grid_s,
        )
        return chance(delays_s(self.plan.callers, callers, heard_by, self.start_utc))


def frontier_of(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Those that no other beats: in order of cost, each hears more callers than all cheaper ones."""
    frontier: list[Candidate] = []
    for each in sorted(candidates, key=lambda one: (one.cost, -one.heard.share)):
        if not frontier or each.heard.share > frontier[-1].heard.share:
            frontier.append(each)
    return tuple(frontier)


def common_schedules(presets: Mapping[str, Preset]) -> tuple[Schedule, ...]:
    """The schedules in common use, then every hour with a lead, and always."""
    lead = Window(every_hours=1, length_minutes=5, lead_minutes=5)
    return (
        *(Schedule(preset.name, (preset.window,)) for preset in presets.values()),
        Schedule(f"hourly, {write_number(lead.lead_minutes)} min before", (lead,)),
        Schedule("continuous", (ALWAYS,)),
    )
