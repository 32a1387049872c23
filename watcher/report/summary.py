"""The activity of a span of time, channel by channel: what the report says, before anybody writes it down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from watcher.log.reading import LoggedTransmission, LoggedWatch
from watcher.log.spans import Span, Spans
from watcher.plan.model import Channel
from watcher.receive.records import Condition, Gap, Measured
from watcher.report.accounting import Account, account
from watcher.report.exchanges import Exchange, WholeTransmission, exchanges, whole_transmissions
from watcher.report.intervals import (
    NOTHING,
    Instants,
    Seconds,
    either,
    microseconds,
    seconds_before,
    seconds_within,
    spans_of,
    total_s,
)
from watcher.report.local_time import Hour, LocalClock
from watcher.report.occupancy import Occupancy, occupancy, runs_and_pauses
from watcher.report.ranking import MOSTLY_BUSY_SHARE, Ranked, ranked
from watcher.report.usual import UsualActivity

SHORTEST_BUSY_HOUR_S = 300.0
"""An hour watched for less is not compared: 5 min is the shortest span for which an occupancy is quoted
(ITU-R SM.2256, 2.10; from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class HourShares:
    """How each hour of the summary was spent on one channel, seconds, shape (hours,) each."""

    heard_s: Seconds
    quiet_s: Seconds
    unwatched_s: Seconds

    @property
    def watched_s(self) -> Seconds:
        """Heard or quiet."""
        return self.heard_s + self.quiet_s


@dataclass(frozen=True, slots=True)
class ToneCount:
    """How many transmissions carried a tone; `tone_hz` None for those in which no listed tone was found."""

    tone_hz: float | None
    transmissions: int


@dataclass(frozen=True, slots=True, eq=False)
class ChannelSummary:
    """One channel in the span.

    Parameters
    ----------
    name : str
    frequency_hz : int or None
        From the plan, else from what was heard.
    plan : Channel or None
        What the latest watch plan says of it.
    account : Account
    occupancy : Occupancy
    hours : HourShares
        Beside the summary's `hours`.
    transmissions : int
        A split transmission counts once.
    cut_short : int
        How many of them were not seen from beginning to end.
    mean_length_s : Measured or None
        Of those seen whole, with its standard error; None where there are none.
    first_utc, last_utc : datetime or None
        Start of the first and end of the last transmission.
    tones : tuple of ToneCount
        Most frequent first.
    tone_unknown : int
        Transmissions in which nobody looked for a tone.
    strongest, weakest : WholeTransmission or None
        By carrier-to-noise ratio, among those that have one.
    busiest_hour : int or None
        Index of the hour heard most; None where nothing was heard in an hour watched long enough.
    """

    name: str
    frequency_hz: int | None
    plan: Channel | None
    account: Account
    occupancy: Occupancy
    hours: HourShares
    transmissions: int
    cut_short: int
    mean_length_s: Measured | None
    first_utc: datetime | None
    last_utc: datetime | None
    tones: tuple[ToneCount, ...]
    tone_unknown: int
    strongest: WholeTransmission | None
    weakest: WholeTransmission | None
    busiest_hour: int | None

    @property
    def busiest_share(self) -> float | None:
        """The heard share of the busiest hour, 0 to 1."""
        if self.busiest_hour is None:
            return None
        return float(self.hours.heard_s[self.busiest_hour] / self.hours.watched_s[self.busiest_hour])


@dataclass(frozen=True, slots=True, eq=False)
class ActivitySummary:
    """Everything an activity report says about a span.

    `hours` are those of every local day on which anything was watched; `notices` are sentences a reader must
    know before trusting the rest.
    """

    span: Span
    clock: LocalClock
    station: str | None
    channels: tuple[ChannelSummary, ...]
    hours: tuple[Hour, ...]
    transmissions: tuple[WholeTransmission, ...]
    exchanges: tuple[Exchange, ...]
    hear_first: tuple[Ranked, ...]
    conditions: tuple[Condition, ...]
    watches: tuple[LoggedWatch, ...]
    notices: tuple[str, ...]

    @property
    def airtime_s(self) -> float:
        """Heard time of all channels together, seconds."""
        return sum((one.occupancy.heard_s for one in self.channels), 0.0)

    @property
    def heard_channels(self) -> int:
        """On how many channels anything was heard."""
        return sum(1 for one in self.channels if one.transmissions)


def summarize(
    span: Span,
    time_zone: str,
    *,
    transmissions: Iterable[LoggedTransmission] = (),
    watched: Mapping[str, Spans] | None = None,
    gaps: Iterable[Gap] = (),
    conditions: Iterable[Condition] = (),
    watches: Sequence[LoggedWatch] = (),
    usual: UsualActivity | None = None,
    rank: bool = True,
) -> ActivitySummary:
    """Summarize the records of a span.

    Parameters
    ----------
    span : Span
    time_zone : str
        IANA name of the zone whose clock the hours follow.
    transmissions : iterable of LoggedTransmission
        Those that share time with the span; not cut to it.
    watched : mapping of str to Spans
        For each channel the time in which it was watched.
    gaps, conditions : iterable
    watches : sequence of LoggedWatch
        In order of start. Channels they list appear even when nothing else speaks of them.
    usual : UsualActivity or None
        What the log's history says of each hour; None where it is not asked.
    rank : bool
        Whether to work out what to hear first.
    """
    watched = watched or {}
    wholes = whole_transmissions(transmissions)
    by_channel: dict[str, list[WholeTransmission]] = {}
    for one in wholes:
        by_channel.setdefault(one.channel, []).append(one)
    gaps_by_channel: dict[str, list[Gap]] = {}
    for gap in gaps:
        gaps_by_channel.setdefault(gap.channel, []).append(gap)
    found_conditions = tuple(conditions)

    plans = {channel.name: channel for watch in watches for channel in watch.channels}
    seen = {*watched, *by_channel, *gaps_by_channel, *(one.channel for one in found_conditions)}
    # The order of the latest plan, then of earlier ones, then what no plan lists.
    in_plans = dict.fromkeys(channel.name for watch in reversed(watches) for channel in watch.channels)
    names = [*in_plans, *sorted(seen - set(in_plans))]
    accounts = {
        name: account(
            name,
            span,
            heard=[Span(one.start_utc, one.end_utc) for one in by_channel.get(name, [])],
            watched=watched.get(name, Spans()),
            gaps=gaps_by_channel.get(name, []),
            watches=watches,
        )
        for name in names
    }
    clock = LocalClock(time_zone)
    any_watched = NOTHING
    for one_account in accounts.values():
        any_watched = either(any_watched, one_account.watched)
    hours = tuple(clock.hours(clock.days(spans_of(any_watched)), span))
    edges = (microseconds(hour.start_utc for hour in hours), microseconds(hour.stop_utc for hour in hours))
    channels = tuple(
        _summarize_channel(name, plans.get(name), accounts[name], by_channel.get(name, []), edges)
        for name in names
    )
    found = exchanges(wholes)
    busy = frozenset(one.name for one in channels if (one.occupancy.low or 0.0) > MOSTLY_BUSY_SHARE)
    return ActivitySummary(
        span=span,
        clock=clock,
        station=watches[-1].station if watches else None,
        channels=channels,
        hours=hours,
        transmissions=tuple(wholes),
        exchanges=tuple(found),
        hear_first=tuple(ranked(found, plans, busy, usual)) if rank else (),
        conditions=found_conditions,
        watches=tuple(watches),
        notices=tuple(_notices(clock, watches)),
    )


def _summarize_channel(
    name: str,
    plan: Channel | None,
    time: Account,
    heard: list[WholeTransmission],
    edges: tuple[Instants, Instants],
) -> ChannelSummary:
    unwatched_s = np.zeros(len(edges[0]))
    for part in time.unwatched.values():
        unwatched_s += seconds_within(part, *edges)
    hours = HourShares(seconds_within(time.heard, *edges), seconds_within(time.quiet, *edges), unwatched_s)
    seen_whole = np.array([one.seconds for one in heard if one.seen_whole])
    measured = [one for one in heard if one.snr_db is not None]
    tones, unknown = _tones(heard)
    heard_on_hz = heard[-1].pieces[-1].transmission.frequency_hz if heard else None
    return ChannelSummary(
        name=name,
        frequency_hz=plan.frequency_hz if plan else heard_on_hz,
        plan=plan,
        account=time,
        occupancy=_occupancy(time),
        hours=hours,
        transmissions=len(heard),
        cut_short=len(heard) - len(seen_whole),
        mean_length_s=_mean(seen_whole),
        first_utc=heard[0].start_utc if heard else None,
        last_utc=max(one.end_utc for one in heard) if heard else None,
        tones=tones,
        tone_unknown=unknown,
        strongest=max(measured, key=_snr_value, default=None),
        weakest=min(measured, key=_snr_value, default=None),
        busiest_hour=_busiest(hours),
    )


def _occupancy(time: Account) -> Occupancy:
    watched = time.watched
    heard_s, pause_s = runs_and_pauses(
        seconds_before(watched, time.heard[:, 0]), seconds_before(watched, time.heard[:, 1]), total_s(watched)
    )
    return occupancy(heard_s, pause_s)


def _busiest(hours: HourShares) -> int | None:
    watched = hours.watched_s
    enough = watched >= SHORTEST_BUSY_HOUR_S
    shares = np.where(enough, hours.heard_s / np.where(enough, watched, 1.0), 0.0)
    if len(shares) == 0 or shares.max() <= 0:
        return None
    return int(np.argmax(shares))


def _tones(heard: list[WholeTransmission]) -> tuple[tuple[ToneCount, ...], int]:
    counts: dict[float | None, int] = {}
    unknown = 0
    for one in heard:
        reading = one.tone
        if reading is None:
            unknown += 1
        else:
            counts[reading.tone_hz] = counts.get(reading.tone_hz, 0) + 1
    ordered = sorted(counts.items(), key=lambda count: (-count[1], count[0] or 0.0))
    return tuple(ToneCount(tone, count) for tone, count in ordered), unknown


def _mean(lengths_s: Seconds) -> Measured | None:
    count = len(lengths_s)
    if count == 0:
        return None
    error = float(lengths_s.std(ddof=1) / np.sqrt(count)) if count > 1 else None
    return Measured(float(lengths_s.mean()), error)


def _snr_value(one: WholeTransmission) -> float:
    return one.snr_db.value if one.snr_db is not None else float("nan")


def _notices(clock: LocalClock, watches: Sequence[LoggedWatch]) -> Iterable[str]:
    if clock.unknown_name is not None:
        yield f'The time zone "{clock.unknown_name}" is not known on this machine; all times are in UTC.'
    zones = list(dict.fromkeys(watch.time_zone for watch in watches))
    if len(zones) > 1:
        yield f"The watches were stood in several time zones ({', '.join(zones)}); times are in {clock.name}."
    assumed = [part.label for watch in watches for part in watch.stretches if not part.time_is_known]
    if assumed:
        labels = ", ".join(dict.fromkeys(assumed))
        yield f"No time is recorded in {labels}: the times of what was heard there are assumed, not known."
    covered_until: datetime | None = None
    for watch in watches:
        begun = clock.full(watch.started_utc)
        if watch.ended_utc is None:
            yield (
                f"The watch that began {begun}, has no end in the log: it was killed, or is still running. "
                "What is on the air at this moment is not in the report yet."
            )
        if covered_until is not None and watch.started_utc < covered_until:
            yield (
                f"The watch that began {begun}, covers time that an earlier watch covers too: "
                "what was heard then may be listed twice."
            )
        if watch.ended_utc is not None:
            covered_until = max(covered_until or watch.ended_utc, watch.ended_utc)
