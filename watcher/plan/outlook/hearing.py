"""When each channel is really listened to: windows, tunings and dwell of a plan, on a fine grid of time.

Within a window each radio goes through its cycle of visits from the first one, as the watch does where
nothing is heard. A stay prolonged by somebody else's transmission is not in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from watcher.plan.dwell import DwellPlan, plan_dwells
from watcher.plan.model import Channel, WatchPlan, Window
from watcher.plan.tunings import Tuning, plan_tunings
from watcher.plan.windows import Spans, open_time

USUAL_RATE_HZ = 2_400_000
"""Stands in for a radio that says no rate."""
GRID_S = 0.5
MARGIN_H = 2
"""Kept before and after the time looked at, for clocks that are wrong."""

Listened = npt.NDArray[np.int32]
Seconds = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Receiving:
    """Which tunings the radios of a plan go through, and what each hears."""

    tunings: tuple[Tuning, ...]
    dwells: tuple[DwellPlan, ...]

    @property
    def radios(self) -> int:
        """How many radios have something to do."""
        return len(self.dwells)


@dataclass(frozen=True, slots=True, eq=False)
class Listening:
    """How long each group of channels has been listened to, at each step of a grid.

    Parameters
    ----------
    start_utc : datetime
        Of the first step.
    grid_s : float
    listened_ms : ndarray of int32, shape (groups, steps)
        Milliseconds listened to before the step.
    group : mapping of str to int
        The row of each channel, by its name.
    """

    start_utc: datetime
    grid_s: float
    listened_ms: Listened
    group: dict[str, int]


def receiving(plan: WatchPlan, channels: Sequence[Channel] | None = None) -> Receiving:
    """The tunings of a plan, or of some of its channels, shared out among its radios.

    Raises
    ------
    ValueError
        The radio's span is too narrow for a channel; one sentence.
    """
    rate_hz = min((radio.sample_rate_hz or USUAL_RATE_HZ for radio in plan.radios), default=USUAL_RATE_HZ)
    tunings = plan_tunings(plan.channels if channels is None else channels, rate_hz, ppm=plan.ppm)
    return Receiving(tunings, plan_dwells(tunings, max(1, len(plan.radios)), plan.dwell))


def listening(
    setup: Receiving,
    windows: Sequence[Window],
    zone: ZoneInfo,
    start_utc: datetime,
    hours: float,
    *,
    grid_s: float = GRID_S,
) -> Listening:
    """What is listened to from `MARGIN_H` before an instant until as long after the hours asked for."""
    margin = timedelta(hours=MARGIN_H)
    span = (start_utc - margin, start_utc + timedelta(hours=hours) + margin)
    return listening_in(setup, open_time(windows, zone, span), span, grid_s=grid_s)


def listening_in(
    setup: Receiving, open_spans: Spans, span: tuple[datetime, datetime], *, grid_s: float = GRID_S
) -> Listening:
    """The same for windows already worked out."""
    steps = int((span[1] - span[0]).total_seconds() / grid_s) + 1
    edges_s: Seconds = np.arange(steps) * np.float64(grid_s)
    tunings_of: dict[str, frozenset[int]] = {}
    for number, tuning in enumerate(setup.tunings):
        for channel in tuning.channels:
            tunings_of[channel.name] = tunings_of.get(channel.name, frozenset()) | {number}
    groups = sorted(set(tunings_of.values()), key=sorted)
    rows = np.zeros((max(1, len(groups)), steps), np.int32)
    starts_s, lengths_s = _in_seconds(open_spans, span[0])
    window = np.searchsorted(starts_s, edges_s, side="right")  # those begun before or at the edge
    # Most edges lie between windows, where nothing is added.
    inside = np.flatnonzero(window)
    within_s = edges_s[inside] - starts_s[window[inside] - 1]
    still_open = within_s < lengths_s[window[inside] - 1]
    inside, within_s = inside[still_open], within_s[still_open]
    for row, group in zip(rows, groups, strict=False):
        shares = np.zeros(steps - 1)
        for dwell in setup.dwells:
            if dwell.tunings & group:
                of_windows = np.concatenate(([0.0], np.cumsum(_since_opening(dwell, group, lengths_s))))
                listened_s = of_windows[window]
                listened_s[inside] = of_windows[window[inside] - 1] + _since_opening(dwell, group, within_s)
                shares += np.diff(listened_s) / grid_s
        # Two radios on two tunings with the same channel hear it once.
        row[1:] = np.rint(np.cumsum(np.minimum(1.0, shares)) * grid_s * 1000)
    number_of = {group: number for number, group in enumerate(groups)}
    return Listening(span[0], grid_s, rows, {name: number_of[each] for name, each in tunings_of.items()})


def _in_seconds(spans: Spans, origin: datetime) -> tuple[Seconds, Seconds]:
    starts = np.array([(start - origin).total_seconds() for start, _ in spans])
    stops = np.array([(stop - origin).total_seconds() for _, stop in spans])
    return starts, stops - starts


def _since_opening(dwell: DwellPlan, group: frozenset[int], seconds: Seconds) -> Seconds:
    """Seconds listened on the tunings of a group in the first seconds of a window."""
    if len(dwell.visits) == 1:
        return seconds
    at, listened = [0.0], [0.0]
    for visit in dwell.visits:
        at += [at[-1] + dwell.retune_s, at[-1] + dwell.retune_s + visit.dwell_s]
        listened += [listened[-1], listened[-1] + (visit.dwell_s if visit.tuning in group else 0.0)]
    turns, rest = np.divmod(seconds, at[-1])
    return np.asarray(turns * listened[-1] + np.interp(rest, at, listened), np.float64)
