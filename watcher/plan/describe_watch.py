"""What a plan means for the watch, as rows for `midwatch check`: next windows, tunings, visits.

Like `watcher.plan.describe`, it leaves the look to whoever prints it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.errors import PlanError
from watcher.plan.figures import write_khz, write_mhz, write_number
from watcher.plan.model import WatchPlan
from watcher.plan.radio_duties import RadioDuty, radio_duties
from watcher.plan.stay_rules import FollowUpRules
from watcher.plan.windows import WindowSpan, next_openings, open_at, open_time, without

WITHOUT_A_BREAK = timedelta(days=2)
"""Open for so long without a break, a watch is told as continuous."""


@dataclass(frozen=True, slots=True)
class WatchDescription:
    """When and where a plan listens.

    `facts` are pairs of a label and a text, in the order in which they are read; `warnings` are sentences.
    """

    facts: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]


def describe_watch(plan: WatchPlan, instant: datetime, *, openings: int = 4) -> WatchDescription:
    """The watch of a plan as it stands at an instant.

    Parameters
    ----------
    plan : WatchPlan
    instant : datetime
        Aware; the windows told are those open at it and the first after it.
    openings : int
        How many of those after it.
    """
    facts = _window_facts(plan, instant, openings)
    warnings: list[str] = []
    try:
        duties = radio_duties(plan)
    except PlanError as narrow:
        duties = ()
        warnings += narrow.problems
    if duties:
        facts += _tuning_facts(duties)
        facts += [fact for duty in duties for fact in _revisit_facts(duty, len(duties) > 1)]
        warnings += [warning for tuning in duties[0].tunings for warning in tuning.warnings]
        warnings += _idle_radios(plan, duties) + _unheard_in_a_window(plan, duties)
    warnings += _idle_windows(plan, instant)
    if plan.windows:
        facts.append(("after a call for help", _follow_up(plan.follow_up)))
    return WatchDescription(tuple(facts), tuple(warnings))


def _window_facts(plan: WatchPlan, instant: datetime, openings: int) -> list[tuple[str, str]]:
    zone = plan.station.zone
    whole = (instant.astimezone(UTC), instant.astimezone(UTC) + WITHOUT_A_BREAK)
    if open_time(plan.windows, zone, whole) == (whole,):
        return [("open now", "without a break")]
    facts = [("open now", _said(each, zone)) for each in open_at(plan.windows, zone, instant)]
    following = next_openings(plan.windows, zone, instant, openings)
    facts += [("opens", _said(each, zone)) for each in following]
    return facts or [("opens", "never")]


def _said(window: WindowSpan, zone: ZoneInfo) -> str:
    """`Sat 19 Sep 2026, 09:00 to 09:05 MDT (15:00 to 15:05 UTC), every 3 hours`."""
    start, stop = window.start_utc.astimezone(zone), window.stop_utc.astimezone(zone)
    until = f"{_day_if_changed(start, stop)}{stop:%H:%M %Z}"
    local = f"{start:%a %d %b %Y, %H:%M}{_zone_if_changed(start, stop)} to {until}"
    utc_day = _day_if_changed(start.replace(tzinfo=None), window.start_utc.replace(tzinfo=None))
    stop_day = _day_if_changed(window.start_utc, window.stop_utc)
    in_utc = f"{utc_day}{window.start_utc:%H:%M} to {stop_day}{window.stop_utc:%H:%M} UTC"
    return f"{local} ({in_utc}), {window.name}" if f"{stop:%Z}" != "UTC" else f"{local}, {window.name}"


def _day_if_changed(before: datetime, instant: datetime) -> str:
    return "" if before.date() == instant.date() else f"{instant:%a} "


def _zone_if_changed(start: datetime, stop: datetime) -> str:
    return "" if start.utcoffset() == stop.utcoffset() else f" {start:%Z}"


def _tuning_facts(duties: Sequence[RadioDuty]) -> list[tuple[str, str]]:
    facts = []
    for number, tuning in enumerate(duties[0].tunings, 1):
        names = ", ".join(channel.name for channel in tuning.channels)
        facts.append(
            (
                f"tuning {number}",
                f"{write_mhz(tuning.centre_hz)} MHz: {names}; room for {write_khz(tuning.spare_hz)} kHz more",
            )
        )
    return facts


def _revisit_facts(duty: RadioDuty, several: bool) -> list[tuple[str, str]]:
    label = f"radio {duty.number + 1}" if several else "radio"
    if len(duty.dwell.visits) == 1:
        return [(label, f"stays on tuning {duty.dwell.visits[0].tuning + 1}")]
    order = " ".join(str(visit.tuning + 1) for visit in duty.dwell.visits)
    facts = [(label, f"visits tunings {order} in turn")]
    for number in sorted(duty.dwell.tunings):
        quiet_s, longest_s = duty.dwell.quiet_revisit_s(number), duty.dwell.longest_revisit_s(number)
        facts.append(
            (
                f"revisit of tuning {number + 1}",
                f"after {_seconds(quiet_s)} s at most where nothing is heard, "
                f"{_seconds(longest_s)} s whatever is",
            )
        )
    return facts


def _seconds(seconds: float) -> str:
    return write_number(round(seconds, 1))


def _idle_radios(plan: WatchPlan, duties: Sequence[RadioDuty]) -> list[str]:
    at_work = {duty.number for duty in duties}
    return [
        f"radio {number + 1} has nothing to hear: the others hear every channel"
        for number, radio in enumerate(plan.radios)
        if number not in at_work and radio.kind != "recording"
    ]


def _unheard_in_a_window(plan: WatchPlan, duties: Sequence[RadioDuty]) -> list[str]:
    """Tunings that a radio may not come round to while the shortest window is open."""
    lengths = [60 * (each.length_minutes + each.lead_minutes) for each in plan.windows if each.length_minutes]
    if not lengths:
        return []
    warnings = []
    for duty in duties:
        for number in sorted(duty.dwell.tunings):
            longest_s = duty.dwell.longest_revisit_s(number)
            if longest_s > min(lengths):
                warnings.append(
                    f"tuning {number + 1} may not be heard for {_seconds(longest_s)} s, and the shortest "
                    f"window lasts {_seconds(min(lengths))} s; more radios, fewer channels or a shorter "
                    "longest_stay_seconds help"
                )
    return warnings


def _idle_windows(plan: WatchPlan, instant: datetime) -> list[str]:
    """Windows that are only ever open while others are, in the year to come."""
    zone = plan.station.zone
    year = (instant.astimezone(UTC), instant.astimezone(UTC) + timedelta(days=366))
    warnings = []
    for number, window in enumerate(plan.windows, 1):
        others = [each for place, each in enumerate(plan.windows, 1) if place != number]
        if others and not without(open_time([window], zone, year), open_time(others, zone, year)):
            warnings.append(
                f"window {number}, {window.said_name}, adds nothing: others are open whenever it is"
            )
    return warnings


def _follow_up(rules: FollowUpRules) -> str:
    if not rules.most_extra_minutes_a_day:
        return "nothing beyond the windows"
    parts = []
    if rules.quiet_minutes:
        parts.append(f"open until the channel was quiet for {write_number(rules.quiet_minutes)} minutes")
    if rules.hours:
        parts.append(
            f"open around the next {rules.hours} hours, from {write_number(rules.lead_minutes)} minutes "
            f"before to {write_number(rules.length_minutes)} minutes after"
        )
    budget = f"at most {write_number(rules.most_extra_minutes_a_day)} extra minutes a day"
    return ", ".join([*parts, budget]) if parts else "nothing beyond the windows"
