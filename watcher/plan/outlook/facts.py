"""An outlook as plain facts for JSON: every key with its unit, what is unknown or infinite as null."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from watcher.plan.outlook.callers import Chance, Share, channel_shares
from watcher.plan.outlook.energy import EnergyOutlook, Estimate
from watcher.plan.outlook.schedules import DAYS, Candidate, Comparison, Prospect, Search
from watcher.plan.outlook.wording import CAUTIONS, suppositions

Facts = dict[str, object]


def facts_of(
    comparison: Comparison, prospects: Sequence[Prospect], by_lead: Mapping[int, Chance], search: Search
) -> Facts:
    """Everything an outlook says, ready for `json.dumps`."""
    plan = comparison.plan
    return {
        "cautions": list(CAUTIONS),
        "suppositions": suppositions(plan),
        "from_utc": comparison.start_utc.isoformat(),
        "days_of_trouble": DAYS,
        "seed": comparison.seed,
        "channel_shares": channel_shares(plan.callers, plan.channels),
        "tunings": [
            {"centre_hz": each.centre_hz, "channels": [channel.name for channel in each.channels]}
            for each in comparison.setup.tunings
        ],
        "schedules": [_prospect(each) for each in prospects],
        "by_month": [_energy(each) for each in comparison.by_month()],
        "by_lead_min": {str(lead): _chance(each) for lead, each in by_lead.items()},
        "search": {
            "within_h": search.within_h,
            "cost_unit": "h_open_a_day" if plan.power is None else "wh_a_day",
            "affordable_cost": search.affordable_cost,
            "best": None if search.best is None else _prospect(search.best),
            "frontier": [_candidate(each) for each in search.frontier],
            "candidates": len(search.candidates),
        },
    }


def _prospect(each: Prospect) -> Facts:
    return {
        "name": each.schedule.name,
        "open_h_a_day": each.duty.open_hours,
        "openings_a_day": each.duty.openings,
        "radios": each.duty.radios,
        "energy": None if each.energy is None else _energy(each.energy),
        "chance": _chance(each.chance),
    }


def _energy(each: EnergyOutlook) -> Facts:
    return {
        "month": each.month,
        "wh_a_day": _estimate(each.wh_a_day),
        "solar_wh_a_day": _estimate(each.solar_wh_a_day),
        "usable_wh": _estimate(each.usable_wh),
        "days_until_empty": _estimate(each.days),
        "never_empty_share": each.never_empty_share,
    }


def _estimate(each: Estimate) -> Facts:
    return {
        "value": _finite(each.value),
        "first_order_sd": _finite(each.first_order_sd),
        "drawn_sd": _finite(each.drawn_sd),
        "low_5_percent": _finite(each.low),
        "high_95_percent": _finite(each.high),
    }


def _chance(each: Chance) -> Facts:
    return {
        "callers": each.callers,
        "within_h": {str(hours): _share(share) for hours, share in each.within.items()},
        "delay_h_percentiles": {str(percent): delay for percent, delay in each.delay_h.items()},
    }


def _share(each: Share) -> Facts:
    return {"share": each.share, "low_95": each.low, "high_95": each.high}


def _candidate(each: Candidate) -> Facts:
    return {
        "name": each.schedule.name,
        "cost": each.cost,
        "open_h_a_day": each.duty.open_hours,
        "heard": _share(each.heard),
    }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
