"""What a log suggests for the plan: the hours at which each channel is busiest here. Printed, never applied.

Exchanges are counted by the hour of the local clock in which they began, over the hours watched; the
interval is the exact one for a Poisson count (Garwood, Biometrika 28, 1936, as computed from the
chi-square law). An hour counts as busy where even the low end of its interval lies above the channel's
mean of all hours.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from watcher.plan.model import WatchPlan
from watcher.plan.windows import open_time
from watcher.report.summary import ActivitySummary, ChannelSummary

LEAST_WATCHED_H = 1.0
"""An hour of the day watched for less in all is not judged (judgement, no source)."""
LEAST_EXCHANGES = 3
MOST_HOURS = 4
CONFIDENCE = 0.95
ONLY_SUGGESTED = "These are suggestions. Nothing was changed; copy into the plan what you want of it."

Figures = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BusyHour:
    """One hour of the local clock on one channel: exchanges an hour watched, with its interval."""

    hour: int
    exchanges: int
    watched_h: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What one channel's history says.

    `busy` are its busiest hours, busiest first; `unknown` the hours of the day watched too little to say;
    `covered` those of the busy hours that the plan's windows watch from end to end already.
    """

    channel: str
    exchanges: int
    watched_h: float
    busy: tuple[BusyHour, ...]
    unknown: tuple[int, ...]
    covered: tuple[int, ...] = ()


def suggestions(summary: ActivitySummary, plan: WatchPlan | None = None) -> tuple[Suggestion, ...]:
    """One suggestion for each channel of the summary, that with the most exchanges first."""
    made = [_of_channel(summary, channel, plan) for channel in summary.channels]
    return tuple(sorted(made, key=lambda one: (-one.exchanges, one.channel)))


def write_suggestions(made: tuple[Suggestion, ...], zone: str) -> str:
    """Suggestions as text, with windows that can be copied."""
    lines = [ONLY_SUGGESTED, f"Hours are those of {zone}.", ""]
    wanted: set[int] = set()
    for one in made:
        count = "1 exchange" if one.exchanges == 1 else f"{one.exchanges} exchanges"
        lines.append(f'"{one.channel}": {count} in {one.watched_h:.1f} h watched')
        for busy in one.busy:
            already = ", which the plan watches already" if busy.hour in one.covered else ""
            lines.append(
                f"  busy from {busy.hour:02d} to {(busy.hour + 1) % 24:02d} h: {busy.rate:.1f} an hour "
                f"({busy.low:.1f} to {busy.high:.1f}), {busy.exchanges} in {busy.watched_h:.1f} h{already}"
            )
        if not one.busy:
            lines.append("  no hour stands out")
        if one.unknown:
            hours = ", ".join(f"{hour:02d}" for hour in one.unknown)
            shown = "every hour of the day" if len(one.unknown) == 24 else f"the hours from {hours}"
            lines.append(f"  watched for under {LEAST_WATCHED_H:g} h, so unknown: {shown}")
        wanted |= {busy.hour for busy in one.busy} - set(one.covered)
    if wanted:
        times = ", ".join(f'"{hour:02d}:00"' for hour in sorted(wanted))
        lines += ["", "A window that would cover the busy hours:", "", "[[window]]", 'name = "busy hours"']
        lines += [f"at = [{times}]", "length_minutes = 60"]
    return "\n".join(lines)


def poisson_interval(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The exact interval of the mean of a Poisson count (Garwood, 1936)."""
    tail = (1 - confidence) / 2
    low = float(gammaincinv(count, tail)) if count else 0.0
    return low, float(gammaincinv(count + 1, 1 - tail))


def _of_channel(summary: ActivitySummary, channel: ChannelSummary, plan: WatchPlan | None) -> Suggestion:
    watched_h = np.zeros(24)
    local_hours = [summary.clock.local(hour.start_utc).hour for hour in summary.hours]
    np.add.at(watched_h, local_hours, channel.hours.watched_s / 3600)
    counts = np.zeros(24, np.int64)
    for exchange in summary.exchanges:
        if exchange.channel == channel.name:
            counts[summary.clock.local(exchange.start_utc).hour] += 1
    total_h, total = float(watched_h.sum()), int(counts.sum())
    mean = total / total_h if total_h else 0.0
    busy = []
    for hour in range(24):
        if watched_h[hour] < LEAST_WATCHED_H or counts[hour] < LEAST_EXCHANGES:
            continue
        low, high = (bound / watched_h[hour] for bound in poisson_interval(int(counts[hour])))
        if low > mean:
            rate = float(counts[hour] / watched_h[hour])
            busy.append(BusyHour(hour, int(counts[hour]), float(watched_h[hour]), rate, low, high))
    busiest = tuple(sorted(busy, key=lambda one: -one.rate)[:MOST_HOURS])
    unknown = tuple(hour for hour in range(24) if watched_h[hour] < LEAST_WATCHED_H)
    covered = () if plan is None else _covered(summary, plan, [one.hour for one in busiest])
    return Suggestion(channel.name, total, total_h, busiest, unknown, covered)


def _covered(summary: ActivitySummary, plan: WatchPlan, hours: list[int]) -> tuple[int, ...]:
    """Hours of the day that the plan's windows watch from end to end, on the day after the log ends."""
    day = summary.clock.local(summary.span.stop_utc).date() + timedelta(days=1)
    midnight = summary.clock.midnight(day)
    found = []
    for hour in hours:
        span = (midnight + timedelta(hours=hour), midnight + timedelta(hours=hour + 1))
        open_s = sum(
            (stop - start).total_seconds()
            for start, stop in open_time(plan.windows, summary.clock.zone, span)
        )
        if open_s >= 3600:
            found.append(hour)
    return tuple(found)
