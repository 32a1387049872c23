"""Simulated callers: whether the watch hears them, and how long after their trouble began.

Each caller has one beginning of trouble, one clock, one channel, one carrier-to-noise ratio. Key-downs
are found independently of one another at the rate of the detection curve, so the caller is heard at the
K-th key-down that is listened to for long enough, where K follows the geometric law; drawn once, it
spares a draw for every key-down. Outages begin and end at random (a two-state Markov process); their
state is looked at once a session.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from watcher.plan.caller_rules import CallerRules
from watcher.plan.model import Channel
from watcher.plan.names import folded
from watcher.plan.outlook.closed_forms import up_again_after_outage, wilson_interval
from watcher.plan.outlook.hearing import Listening

WITHIN_H = (1, 3, 6, 12, 24)
HORIZON_H = max(WITHIN_H)
LEAST_HEARD_S = 0.5
"""A key-down listened to for less is not counted on: the receiver is held to half a second."""
NEVER = np.iinfo(np.int32).max
_HOUR_S = 3600.0

Seconds = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int32]
Places = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Callers:
    """Callers as drawn, each array of shape (n,); the same ones can meet many schedules.

    Parameters
    ----------
    trouble_s : ndarray of float64
        When the trouble begins, seconds after the start of the time looked at.
    first_hour_s : ndarray of float64
        True time of the first session at the top of an hour of the caller's clock.
    last_s : ndarray of float64
        Sessions begin before this.
    channel : ndarray of int32
        Index into `names`; -1 for a channel nobody watches.
    needed : ndarray of int32
        The how-manieth key-down that is listened to is found; `NEVER` where none is.
    seed : int
        From which the rest, the outages, is drawn.
    """

    trouble_s: Seconds
    first_hour_s: Seconds
    last_s: Seconds
    channel: Whole
    needed: Whole
    names: tuple[str, ...]
    seed: int


@dataclass(frozen=True, slots=True)
class Share:
    """A share of the callers with its interval at 95 % (Wilson)."""

    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Chance:
    """How callers fare under one schedule.

    Parameters
    ----------
    within : mapping of int to Share
        By hours since the trouble began.
    delay_h : mapping of int to float or None
        10th, 50th and 90th percentile of the delay of those heard within the horizon, hours; None where
        none is.
    callers : int
    """

    within: Mapping[int, Share]
    delay_h: Mapping[int, float | None]
    callers: int


def channel_shares(rules: CallerRules, channels: Sequence[Channel]) -> dict[str, float]:
    """The chance that a caller uses each channel, by name."""
    if rules.channels:
        by_fold = {folded(name): share for name, share in rules.channels}
        return {each.name: by_fold[folded(each.name)] for each in channels if folded(each.name) in by_fold}
    likely = [each for each in channels if each.calling] or [each for each in channels if each.keep == "all"]
    return {each.name: 1 / len(likely) for each in likely}


def draw_callers(  # noqa: PLR0917 - all that a draw follows from
    rules: CallerRules,
    channels: Sequence[Channel],
    zone: ZoneInfo,
    start_utc: datetime,
    days: int,
    count: int,
    *,
    seed: int = 1,
) -> Callers:
    """Callers whose trouble begins at any instant of some days, all instants alike."""
    rng = np.random.default_rng(seed)
    shares = channel_shares(rules, channels)
    names = tuple(shares)
    trouble = rng.random(count) * (days * 24 * _HOUR_S)
    late = rng.normal(rules.clock_error_minutes.value, rules.clock_error_minutes.plus_minus, count) * 60
    # Tops of the local hour, also where the zone is half an hour off.
    local = start_utc.astimezone(zone)
    past_hour = local.minute * 60 + local.second + local.microsecond * 1e-6
    first = np.ceil((trouble - late + past_hour) / _HOUR_S) * _HOUR_S - past_hour + late
    lasts = (
        np.maximum(0.0, rng.normal(rules.lasts_hours.value, rules.lasts_hours.plus_minus, count)) * _HOUR_S
    )
    # The bounds of the channels' shares on the unit interval; beyond the last, nobody watches.
    bounds = np.cumsum([*shares.values(), 0.0])
    channel = np.searchsorted(bounds[:-1], rng.random(count) * max(1.0, bounds[-1]), side="right").astype(
        np.int32
    )
    channel[channel >= len(names)] = -1
    ratio_db = rng.normal(rules.cn_db.value, rules.cn_db.plus_minus, count)
    ratios, rates = zip(*rules.detection, strict=True)
    found = np.interp(ratio_db, ratios, rates)
    with np.errstate(divide="ignore"):
        tries = np.ceil(np.log1p(-rng.random(count)) / np.log1p(-found))
    tries[found >= 1] = 1
    needed = np.where(found > 0, np.clip(tries, 1, NEVER - 1), NEVER).astype(np.int32)
    return Callers(trouble, first, trouble + lasts, channel, needed, names, seed)


def delays_s(
    rules: CallerRules, callers: Callers, heard_by: Listening, start_utc: datetime
) -> npt.NDArray[np.float32]:
    """Seconds from the beginning of the trouble until the caller is heard; infinite where not within 24 h.

    Parameters
    ----------
    rules : CallerRules
    callers : Callers
        Drawn with the same rules and start.
    heard_by : Listening
        From before the start until the horizon after the last beginning of trouble.
    start_utc : datetime
    """
    overs = _overs(rules, heard_by.grid_s)
    counts = _countable(heard_by.listened_ms, overs, LEAST_HEARD_S)
    rows = np.array([heard_by.group.get(name, -1) for name in callers.names] + [-1], np.int32)[
        callers.channel
    ]
    origin_s = (start_utc - heard_by.start_utc).total_seconds()
    delays = np.full(len(rows), np.inf, np.float32)
    able = np.flatnonzero((rows >= 0) & (callers.needed < NEVER))
    rng = np.random.default_rng(callers.seed + 1)
    flat, steps = counts.ravel(), counts.shape[1]
    trouble, last, row = callers.trouble_s[able], callers.last_s[able], rows[able].astype(np.int64) * steps
    left = callers.needed[able].copy()
    session_s = callers.first_hour_s[able]
    if rules.first_call == "at-once":
        session_s = trouble.copy()
    following = callers.first_hour_s[able] if rules.first_call == "at-once" else session_s + _HOUR_S
    up = rng.random(len(able)) >= rules.outage_share
    for _ in range(HORIZON_H + 2):
        keep = (session_s < last) & (session_s < trouble + HORIZON_H * _HOUR_S)
        if not keep.all():
            able, trouble, last, row, left = able[keep], trouble[keep], last[keep], row[keep], left[keep]
            session_s, following, up = session_s[keep], following[keep], up[keep]
        if not len(able):
            break
        step = np.clip((session_s + origin_s) / heard_by.grid_s, 0, steps - 1).astype(np.int64)
        met = flat[row + step]
        if rules.outage_share > 0:
            met = np.where(up, met, 0)
        heard = met >= left
        if heard.any():
            which = np.flatnonzero(heard)
            within_s = _moment_s(heard_by, overs, row[which] // steps, step[which], left[which])
            delays[able[which]] = session_s[which] + within_s - trouble[which]
        left -= met
        keep = ~heard
        able, trouble, last, row, left = able[keep], trouble[keep], last[keep], row[keep], left[keep]
        gap_h = (following[keep] - session_s[keep]) / _HOUR_S
        session_s, following = following[keep], following[keep] + _HOUR_S
        up = up[keep]
        if rules.outage_share > 0:
            up = _still_up(rules, up, gap_h, rng)
    return delays


def chance(delays: npt.NDArray[np.float32]) -> Chance:
    """The shares heard in time and the spread of the delay, from each caller's delay in seconds."""
    count = len(delays)
    within = {}
    for hours in WITHIN_H:
        found = int(np.count_nonzero(delays <= hours * _HOUR_S))
        within[hours] = Share(found / count, *wilson_interval(found, count))
    finite = delays[delays <= HORIZON_H * _HOUR_S] / _HOUR_S
    quantiles = {
        each: float(np.quantile(finite, each / 100)) if len(finite) else None for each in (10, 50, 90)
    }
    return Chance(within, quantiles, count)


def _overs(rules: CallerRules, grid_s: float) -> list[tuple[int, int]]:
    """First step and number of steps of each key-down of a session; what is cut off by the end counts."""
    overs = []
    for number in range(rules.rounds):
        begin = number * 60 * (rules.call_minutes + rules.listen_minutes)
        end = begin + 60 * rules.call_minutes
        at = begin
        while at + LEAST_HEARD_S <= end:
            length = min(rules.over_seconds, end - at)
            overs.append((round(at / grid_s), max(1, round(length / grid_s))))
            at += rules.over_seconds + rules.pause_seconds
    return overs


def _countable(listened_ms: Whole, overs: Sequence[tuple[int, int]], least_s: float) -> npt.NDArray[np.int16]:
    """For a session that begins at each step, how many of its key-downs are listened to for long enough."""
    least_ms = round(1000 * least_s)
    steps = listened_ms.shape[1]
    counts = np.zeros(listened_ms.shape, np.int16)
    end = max((at + length for at, length in overs), default=0)
    size = steps - end
    if size <= 0:
        return counts
    # A session during which nothing is listened to needs no looking at; with short windows that is most.
    some = np.flatnonzero((listened_ms[:, end:] > listened_ms[:, :size]).any(axis=0))
    sparse = len(some) < size / 4
    for at, length in overs:
        if sparse:
            later, earlier = listened_ms[:, some + at + length], listened_ms[:, some + at]
            counts[:, some] += (later - earlier) >= least_ms
        else:
            later = listened_ms[:, at + length : at + length + size]
            counts[:, :size] += (later - listened_ms[:, at : at + size]) >= least_ms
    return counts


def _moment_s(
    heard_by: Listening, overs: Sequence[tuple[int, int]], row: Places, step: Places, needed: Whole
) -> Seconds:
    """Seconds from the beginning of a session to the key-down that is found, the needed one of those met."""
    listened = heard_by.listened_ms
    met = np.zeros(len(row), np.int32)
    moment = np.zeros(len(row))
    for at, length in overs:
        ends = np.minimum(step + at + length, listened.shape[1] - 1)
        starts = np.minimum(step + at, listened.shape[1] - 1)
        enough = listened[row, ends] - listened[row, starts] >= round(1000 * LEAST_HEARD_S)
        met += enough
        moment[enough & (met == needed)] = at * heard_by.grid_s
    return moment


def _still_up(
    rules: CallerRules, up: npt.NDArray[np.bool_], gap_h: Seconds, rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Whether the watch is up at the next session, given whether it was at this one."""
    share = 1 - rules.outage_share
    # The whole hour is by far the commonest gap; the first one after calling at once may be shorter.
    whole = up_again_after_outage(rules.outage_share, rules.outage_hours, 1.0)
    turnover = 1 / rules.outage_hours / share
    after_up = np.where(np.abs(gap_h - 1) < 1e-9, whole, share + (1 - share) * np.exp(-gap_h * turnover))
    # Detailed balance: share × (1 − after_up) = (1 − share) × after_down.
    after_down = share / (1 - share) * (1 - after_up) if not math.isclose(share, 1) else after_up
    return rng.random(len(up)) < np.where(up, after_up, after_down)
