"""What a whole plan lets one fear: false signals on its channels, windows in which nothing can be heard."""

from __future__ import annotations

from watcher.plan.dwell import plan_dwells
from watcher.plan.figures import write_number
from watcher.plan.model import WatchPlan
from watcher.plan.tunings import plan_tunings

USUAL_RATE_HZ = 2_400_000
"""Stands in for a radio that says no rate."""
RTLSDR_REACH_HZ = (24_000_000, 1_766_000_000)
"""What the commonest tuner of that kind covers: from memory."""


def plan_cautions(plan: WatchPlan) -> tuple[str, ...]:
    """Warnings that need the tunings and the dwell of the plan, one sentence each.

    A plan for replay, with neither radios nor windows, has none: its recordings say what can be heard.
    """
    if not plan.radios:
        if plan.windows:
            return (
                "the plan has windows and no [[radio]]; nobody can hear in them until it names one, and a "
                "replay needs none",
            )
        return ()
    rate_hz = min(radio.sample_rate_hz or USUAL_RATE_HZ for radio in plan.radios)
    try:
        tunings = plan_tunings(plan.channels, rate_hz, ppm=plan.ppm)
    except ValueError as problem:
        return (f"no window can be stood: {problem}",)
    found = _out_of_reach(plan)
    found += [warning for tuning in tunings for warning in tuning.warnings]
    cycles = [
        sum(visit.dwell_s + dwell.retune_s for visit in dwell.visits)
        for dwell in plan_dwells(tunings, len(plan.radios), plan.dwell)
        if len(dwell.visits) > 1
    ]
    for window in plan.windows:
        length_s = 60 * ((window.length_minutes or 0) + window.lead_minutes)
        if cycles and not window.continuous and length_s < max(cycles):
            found.append(
                f'window "{window.said_name}" is open for {write_number(length_s)} s and a radio needs '
                f"{max(cycles):.1f} s to visit all its tunings; some channels are not heard in it"
            )
    return tuple(dict.fromkeys(found))


def _out_of_reach(plan: WatchPlan) -> list[str]:
    if any(radio.kind != "rtlsdr" or radio.direct_sampling != "off" for radio in plan.radios):
        return []
    low, high = RTLSDR_REACH_HZ
    names = [f'"{each.name}"' for each in plan.channels if not low <= each.frequency_hz <= high]
    if not names:
        return []
    are = "lie" if len(names) > 1 else "lies"
    return [
        f"channel{'s' if len(names) > 1 else ''} {', '.join(names)} {are} outside 24 to 1766 MHz, which most "
        "receivers of kind rtlsdr cover; nobody may hear there"
    ]
