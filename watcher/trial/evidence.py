"""What one watch's log says, as the scorer wants it: heard, watched, gaps and conditions by channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from watcher.log.reading import conditions, gaps, transmissions, watched_spans
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.plan.model import Channel, WatchPlan
from watcher.plan.windows import open_time
from watcher.radio.source import Stretch
from watcher.receive.records import Condition, Gap, GapCause, Transmission
from watcher.receive.span import is_inside
from watcher.trial.causes import Circumstances, thresholds_of
from watcher.utc import instant_of_sample


def span_of(stretches: Sequence[Stretch]) -> tuple[datetime, datetime]:
    """From the first sample of all to the last."""
    stops = [instant_of_sample(s.start_utc, s.samples or 0, s.sample_rate_hz) for s in stretches]
    return min(s.start_utc for s in stretches), max(stops)


def read_evidence(
    folder: Path, plan: WatchPlan, stretches: Sequence[Stretch], ppm: float, *, kept_windows: bool
) -> tuple[list[Transmission], dict[str, Circumstances]]:
    """What was heard, in order of start, and the circumstances of each channel."""
    whole = span_of(stretches)
    with WatchLog.open_to_read(folder) as log:
        heard = [entry.transmission for entry in transmissions(log)]
        watched = watched_spans(log)
        told_gaps, told_conditions = list(gaps(log)), list(conditions(log))
    opened = None
    if kept_windows:
        opened = Spans(Span(*each) for each in open_time(plan.windows, plan.station.zone, whole))
    limits = thresholds_of(plan.channels, stretches, ppm)
    gaps_of: dict[str, list[Gap]] = {}
    for gap in told_gaps:
        gaps_of.setdefault(gap.channel, []).append(gap)
    conditions_of: dict[str, list[Condition]] = {}
    for condition in told_conditions:
        conditions_of.setdefault(condition.channel, []).append(condition)
    found = {}
    for channel in plan.channels:
        here = Circumstances(
            watched=watched.get(channel.name, Spans()),
            gaps=tuple(gaps_of.get(channel.name, ())),
            conditions=tuple(conditions_of.get(channel.name, ())),
            open_time=opened,
            thresholds=limits.get(channel.name),
        )
        if kept_windows:
            here = replace(here, gaps=(*here.gaps, *_outside(channel, stretches, ppm)))
        found[channel.name] = here
    return heard, found


def _outside(channel: Channel, stretches: Sequence[Stretch], ppm: float) -> list[Gap]:
    """Stretches that cannot show the channel."""
    return [
        Gap(channel.name, *span_of([each]), GapCause.OUTSIDE_SPAN)
        for each in stretches
        if not is_inside(channel, each.sample_rate_hz, each.centre_hz, ppm)
    ]
