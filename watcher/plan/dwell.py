"""Which tuning a radio is on when it has several, and for how long.

The visits of a radio follow one another in a fixed cycle, in which a tuning with a channel of high priority
comes more often. The radio stays beyond its dwell while a transmission lasts, up to a limit; a carrier that
never ends gets that once, and then only the plain dwell until the tuning has been quiet.

Nothing here reads a clock: monotonic seconds are an argument.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from watcher.plan.stay_rules import DwellRules
from watcher.plan.tunings import Tuning

RETUNE_S = 0.3
"""From one stream of samples to the next on another centre: from memory; `settled` tells what it took."""
QUIET_S = 1.0
"""Quiet for so long, a carrier has ended: longer than a fade, shorter than the shortest dwell."""
LOOK_AHEAD_S = 0.5
"""While a transmission lasts, the end of the dwell stays so far ahead; who drives it asks more often."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One stay on a tuning: its number, and how long it lasts where nothing is heard."""

    tuning: int
    dwell_s: float


@dataclass(frozen=True, slots=True)
class DwellPlan:
    """The cycle of visits of one radio.

    Parameters
    ----------
    visits : tuple of Visit
        In order, then again from the first; no two neighbours are on the same tuning.
    longest_stay_s : float
        The longest visit while a transmission lasts.
    retune_s : float
        Deaf time before each visit.
    """

    visits: tuple[Visit, ...]
    longest_stay_s: float
    retune_s: float = RETUNE_S

    @property
    def tunings(self) -> frozenset[int]:
        """The numbers of the tunings this radio visits."""
        return frozenset(visit.tuning for visit in self.visits)

    def quiet_revisit_s(self, tuning: int) -> float:
        """The longest time from leaving a tuning until it is heard again, with nothing heard elsewhere."""
        return self._longest_absence_s(tuning, [visit.dwell_s for visit in self.visits])

    def longest_revisit_s(self, tuning: int) -> float:
        """The same whatever is heard elsewhere: every other visit lasts as long as one may.

        Raises
        ------
        KeyError
            The radio does not visit that tuning.
        """
        stays = [max(visit.dwell_s, self.longest_stay_s) for visit in self.visits]
        return self._longest_absence_s(tuning, stays)

    def _longest_absence_s(self, tuning: int, stays_s: Sequence[float]) -> float:
        own = [place for place, visit in enumerate(self.visits) if visit.tuning == tuning]
        if not own:
            raise KeyError(tuning)
        if len(self.visits) == 1:
            return 0.0
        count = len(self.visits)
        longest = 0.0
        for place, following in zip(own, [*own[1:], own[0] + count], strict=True):
            between = [stays_s[other % count] for other in range(place + 1, following)]
            longest = max(longest, sum(between) + (following - place) * self.retune_s)
        return longest


@dataclass(frozen=True, slots=True)
class Dwell:
    """Where the radio is now, and until when as far as is known: infinite where it has one tuning only."""

    tuning: int
    until_s: float


def plan_dwells(
    tunings: Sequence[Tuning],
    radios: int,
    rules: DwellRules | None = None,
    *,
    retune_s: float = RETUNE_S,
) -> tuple[DwellPlan, ...]:
    """One cycle of visits for each radio, so that together they visit every tuning.

    Parameters
    ----------
    tunings : sequence of Tuning
    radios : int
        How many share the tunings, at least 1. Radios beyond the number of tunings get no cycle.
    rules : DwellRules or None
        None stands for the defaults.

    Returns
    -------
    tuple of DwellPlan
        Each tuning is in one cycle: a radio that is lost costs its own tunings, and the plan is made again
        for those that are left.
    """
    if radios < 1:
        raise ValueError(f"radios is {radios}; it must be at least 1")
    rules = rules or DwellRules()
    weights = [visits_of_priority(min(each.priority for each in tuning.channels)) for tuning in tunings]
    loads: list[dict[int, int]] = [{} for _ in range(min(radios, len(tunings)))]
    # The heaviest first, each to the radio with the least to do (Graham, 1969: within a third of the best).
    for number in sorted(range(len(tunings)), key=lambda each: (-weights[each], each)):
        least = min(loads, key=lambda load: (sum(load.values()), len(load)))
        least[number] = weights[number]
    return tuple(
        DwellPlan(
            visits_of(load, rules.dwell_seconds),
            max(rules.longest_stay_seconds, rules.dwell_seconds),
            retune_s,
        )
        for load in loads
    )


def visits_of_priority(priority: int) -> int:
    """How often a tuning is visited in a cycle for its highest channel: 3 for priority 1, 2 to 4, 1 below.

    A ratio of three keeps the revisit time of the lowest within reach; it has no other source.
    """
    if priority == 1:
        return 3
    return 2 if priority <= 4 else 1


def visits_of(weights: dict[int, int], dwell_s: float) -> tuple[Visit, ...]:
    """A cycle in which each tuning comes as often as its weight says, evenly spread.

    Visits of one tuning that come to lie side by side become one of their joint length.
    """
    divisor = math.gcd(*weights.values())
    shares = {number: weight // divisor for number, weight in weights.items()}
    free = list(range(sum(shares.values())))
    turns = dict.fromkeys(free, 0)
    # The most visited choose first: from the first free turn on at equal distances, or as near as is free.
    for number, share in sorted(shares.items(), key=lambda each: (-each[1], each[0])):
        first = free[0]
        for visit in range(share):
            ideal = first + visit * len(turns) / share
            turn = min(free, key=lambda each: abs(each - ideal))
            free.remove(turn)
            turns[turn] = number
    runs = [(number, len(list(run)) * dwell_s) for number, run in groupby(turns.values())]
    if len(runs) > 1 and runs[0][0] == runs[-1][0]:
        runs[0] = (runs[0][0], runs[0][1] + runs.pop()[1])
    return tuple(Visit(number, length_s) for number, length_s in runs)


class DwellScheduler:
    """The place of one radio in its cycle, driven with monotonic seconds.

    Who drives it asks :meth:`next` for a tuning, says when the radio has :meth:`settled` there, tells it a
    few times a second with :meth:`extend` whether a transmission or its hang time lasts, and asks for the
    next when the time given is over. The stated revisit time grows by what the driver is late.

    Examples
    --------
    >>> scheduler = DwellScheduler(DwellPlan((Visit(0, 3.0), Visit(1, 3.0)), longest_stay_s=30.0))
    >>> scheduler.next(100.0)
    Dwell(tuning=0, until_s=103.3)
    >>> scheduler.settled(100.2), scheduler.extend(103.0, busy=True)
    (103.2, 103.5)
    """

    def __init__(self, plan: DwellPlan) -> None:
        if not plan.visits:
            raise ValueError("the plan has no visits; a radio needs at least one tuning")
        self._plan = plan
        self._place = -1
        self._settled_s = -math.inf
        self._until_s = -math.inf
        self._quiet_since_s: float | None = None
        self._stuck: set[int] = set()

    @property
    def stuck_tunings(self) -> frozenset[int]:
        """Tunings whose carrier outlasted the longest stay and that have not been quiet since."""
        return frozenset(self._stuck)

    def next(self, now_s: float) -> Dwell:
        """Move on to the next visit, whatever the present one has left."""
        alone = len(self._plan.visits) == 1
        self._place = (self._place + 1) % len(self._plan.visits)
        self._begin(now_s + self._plan.retune_s)
        return Dwell(self._visit.tuning, math.inf if alone else self._until_s)

    def settled(self, now_s: float) -> float:
        """The radio hears the tuning from now on; the time until which it stays."""
        self._begin(now_s)
        return math.inf if len(self._plan.visits) == 1 else self._until_s

    def extend(self, now_s: float, *, busy: bool) -> float:
        """Tell whether a transmission or its hang time lasts; the time until which the radio stays.

        At or after that time, ask for the next visit.
        """
        tuning = self._visit.tuning
        if len(self._plan.visits) == 1:
            return math.inf
        if not busy:
            if self._quiet_since_s is None:
                self._quiet_since_s = now_s
            if now_s - self._quiet_since_s >= QUIET_S:
                self._stuck.discard(tuning)
            return self._until_s
        self._quiet_since_s = None
        if tuning not in self._stuck:
            limit_s = self._settled_s + max(self._plan.longest_stay_s, self._visit.dwell_s)
            self._until_s = max(self._until_s, min(now_s + LOOK_AHEAD_S, limit_s))
            if now_s + LOOK_AHEAD_S >= limit_s:
                self._stuck.add(tuning)
        return self._until_s

    def stays(self, now_s: float, *, busy: bool) -> bool:
        """The same as a question: whether to stay, and not ask for the next visit yet."""
        return now_s < self.extend(now_s, busy=busy)

    def _begin(self, now_s: float) -> None:
        self._settled_s = now_s
        self._until_s = now_s + self._visit.dwell_s
        self._quiet_since_s = None

    @property
    def _visit(self) -> Visit:
        if self._place < 0:
            raise ValueError("no visit has begun; ask for the next one first")
        return self._plan.visits[self._place]
