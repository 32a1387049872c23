"""Which radio of a plan hears which tunings, and in which order it visits them."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.errors import PlanError
from watcher.plan.dwell import DwellPlan, plan_dwells
from watcher.plan.model import Radio, WatchPlan
from watcher.plan.tunings import CRYSTAL_HZ, Tuning, plan_tunings

USUAL_RATE_HZ = 2_400_000
"""Of a radio whose rate the plan does not say: what this class of radio keeps up over USB (secondary)."""
_WITH_THAT_CRYSTAL = frozenset({"rtlsdr", "network"})


@dataclass(frozen=True, slots=True)
class RadioDuty:
    """What one radio does in a window.

    Parameters
    ----------
    number : int
        The radio's place in the plan, from 0.
    radio : Radio
    tunings : tuple of Tuning
        All tunings of the watch; `dwell` names those of this radio by their place.
    dwell : DwellPlan
    """

    number: int
    radio: Radio
    tunings: tuple[Tuning, ...]
    dwell: DwellPlan


def radio_duties(plan: WatchPlan) -> tuple[RadioDuty, ...]:
    """The share of each radio that can be tuned in hearing all channels of a plan.

    Parameters
    ----------
    plan : WatchPlan
        A recording that stands in as a radio cannot be tuned and has no part in this; nor has a radio beyond
        the number of tunings.

    Raises
    ------
    PlanError
        The span of the radios is too narrow for a channel.

    Notes
    -----
    The tunings are planned for the narrowest of the radios, so that any radio can take any of them. Birdies
    are those of the first radio's reference.
    """
    radios = [(number, radio) for number, radio in enumerate(plan.radios) if radio.kind != "recording"]
    if not radios:
        return ()
    first = radios[0][1]
    try:
        tunings = plan_tunings(
            plan.channels,
            min(radio.sample_rate_hz or USUAL_RATE_HZ for _, radio in radios),
            crystal_hz=CRYSTAL_HZ if first.kind in _WITH_THAT_CRYSTAL else None,
            ppm=first.ppm,
        )
    except ValueError as narrow:
        raise PlanError(str(narrow)) from narrow
    dwells = plan_dwells(tunings, len(radios), plan.dwell)
    return tuple(
        RadioDuty(number, radio, tunings, dwell)
        for (number, radio), dwell in zip(radios, dwells, strict=False)
    )
