"""What stands on the page, in its order and in words; the template only sets it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from watcher.plan.figures import write_mhz
from watcher.report.clip_views import ClipShelf, TransmissionView
from watcher.report.exchanges import EXCHANGE_PAUSE_S, Exchange, WholeTransmission
from watcher.report.figures import Figures, FigureTable
from watcher.report.hour_strips import DayStrip, day_strips, legend, week_strips
from watcher.report.intervals import Intervals, spans_of
from watcher.report.methods import Method, methods
from watcher.report.occupancy import RELATIVE_ERROR, independent_samples_needed
from watcher.report.summary import ActivitySummary, ChannelSummary
from watcher.report.wording import (
    UNKNOWN,
    headline,
    occupancy_rule_words,
    write_count,
    write_duration,
    write_interval,
    write_measured,
    write_share,
    write_tones,
)


@dataclass(frozen=True, slots=True)
class PageLimits:
    """How much of a large log one page shows. The page says what it leaves out.

    A page at these limits is about 1.5 MB; `cells` are hours of all channels together.
    """

    hear_first: int = 8
    transmissions: int = 150
    pictures: int = 60
    clips_first: int = 2  # of one transmission, in what to hear first
    clips: int = 12  # of one transmission, in its exchange
    cells: int = 4_000
    unwatched_rows: int = 60
    figure_rows: int = 62  # of one table: two months of days


@dataclass(frozen=True, slots=True)
class HearFirstView:
    """One entry of what to hear first."""

    channel: str
    frequency: str
    when: str
    length: str
    alone: bool
    reasons: tuple[str, ...]
    points: int
    begin_with: TransmissionView


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel: its row in the table, and its facts beside the strip."""

    name: str
    frequency: str
    transmissions: str
    airtime: str
    watched: str
    unwatched: str
    occupancy: str
    facts: tuple[tuple[str, str], ...]
    days: tuple[DayStrip, ...]


@dataclass(frozen=True, slots=True)
class ExchangeView:
    """One exchange with those of its transmissions that are shown."""

    channel: str
    frequency: str
    when: str
    summary: str
    transmissions: tuple[TransmissionView, ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class UnwatchedView:
    """Spans that were not watched, and the channels for which just these were."""

    channels: str
    totals: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, str, str, str], ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class FiguresView:
    """One table of figures in words; `left_out` rows before those shown had no room."""

    title: str
    note: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class Page:
    """All of it."""

    title: str
    span: str
    zone: str
    headline: tuple[str, ...]
    all_watched: bool
    notices: tuple[str, ...]
    hear_first: tuple[HearFirstView, ...]
    hear_first_left_out: int
    channels: tuple[ChannelView, ...]
    legend: tuple[tuple[int, str], ...]
    strips_note: str
    week: tuple[DayStrip, ...]
    figures: tuple[FiguresView, ...]
    exchanges: tuple[ExchangeView, ...]
    exchanges_note: str
    pictures_note: str
    unwatched: tuple[UnwatchedView, ...]
    conditions: tuple[tuple[str, str, str, str], ...]
    sources: tuple[tuple[str, str, str], ...]
    methods: tuple[Method, ...]


def page_of(summary: ActivitySummary, folder: Path, limits: PageLimits, figures: Figures) -> Page:
    """Choose and word what stands on the page.

    Parameters
    ----------
    summary : ActivitySummary
    folder : Path
        Where the clips lie.
    limits : PageLimits
    figures : Figures
    """
    clock = summary.clock
    shelf = ClipShelf(folder, clock, limits.pictures)
    first = tuple(
        HearFirstView(
            channel=one.exchange.channel,
            frequency=_mhz(one.begin_with.pieces[0].transmission.frequency_hz),
            when=clock.full(one.exchange.start_utc),
            length=_exchange_words(one.exchange),
            alone=len(one.exchange.transmissions) == 1,
            reasons=tuple(reason.words for reason in one.reasons),
            points=one.points,
            begin_with=shelf.view(one.begin_with, limits.clips_first),
        )
        for one in summary.hear_first[: limits.hear_first]
    )
    chosen = _chosen_exchanges(summary, limits.transmissions)
    exchanges = tuple(
        ExchangeView(
            channel=one.channel,
            frequency=_mhz(one.transmissions[0].pieces[0].transmission.frequency_hz),
            when=f"{clock.full(one.start_utc)} to {clock.clock(one.end_utc)}",
            summary=_exchange_words(one),
            transmissions=tuple(shelf.view(heard, limits.clips) for heard in one.transmissions[:shown]),
            left_out=len(one.transmissions) - shown,
        )
        for one, shown in chosen
    )
    strips, strips_note = day_strips(summary, limits.cells, join_a_night=True)
    return Page(
        title=f"{summary.station}: activity report" if summary.station else "Activity report",
        span=f"{clock.full(summary.span.start_utc)} to {clock.full(summary.span.stop_utc)}",
        zone=clock.name,
        headline=headline(summary),
        all_watched=not any(one.account.unwatched for one in summary.channels),
        notices=summary.notices,
        hear_first=first,
        hear_first_left_out=len(summary.hear_first) - len(first),
        channels=tuple(
            _channel_view(one, days, summary) for one, days in zip(summary.channels, strips, strict=True)
        ),
        legend=legend(),
        strips_note=strips_note,
        week=week_strips(figures.week, len(summary.channels)),
        figures=tuple(_figures_view(table, limits.figure_rows) for table in figures.tables if table.rows),
        exchanges=exchanges,
        exchanges_note=_exchanges_note(summary, sum(shown for _, shown in chosen)),
        pictures_note=shelf.note(),
        unwatched=tuple(unwatched_views(summary, limits.unwatched_rows)),
        conditions=tuple(
            (
                one.channel,
                one.kind.value,
                f"{clock.full(one.start_utc)} to {clock.clock(one.stop_utc)}",
                words,
            )
            for one in summary.conditions
            for words in [one.evidence or UNKNOWN]
        ),
        sources=tuple(
            (watch.source_label, clock.full(watch.started_utc), f"program {watch.program_version}")
            for watch in summary.watches[-20:]
        ),
        methods=methods(summary),
    )


def channel_facts(one: ChannelSummary, summary: ActivitySummary) -> tuple[tuple[str, str], ...]:
    """What is known of a channel beyond its row in the table, as labels and words."""
    clock = summary.clock
    facts = [
        ("First heard", UNKNOWN if one.first_utc is None else clock.full(one.first_utc)),
        ("Last heard until", UNKNOWN if one.last_utc is None else clock.full(one.last_utc)),
        ("Mean length", f"{write_measured(one.mean_length_s, 's')}{_cut_short(one)}"),
        ("Tones", write_tones(one)),
        ("Strongest", _snr_words(one.strongest, summary)),
        ("Weakest", _snr_words(one.weakest, summary)),
        ("Busiest hour", _busiest_words(one, summary)),
    ]
    if not one.transmissions:
        facts = []
    if one.plan is not None and one.plan.expects is not None:
        required = ", required" if one.plan.require_tone else ""
        facts.append(("Expected", f"{one.plan.expects}{required}"))
    if one.plan is not None and one.plan.calling:
        facts.append(("Role", "calling channel"))
    if one.plan is not None and one.plan.keep == "alerts":
        facts.append(("Clips", "of alerts only"))
    if one.plan is not None and one.plan.priority == 1:
        facts.append(("Priority", "1, the highest"))
    facts.append(("Interval", occupancy_rule_words(one.occupancy.rule)))
    if one.occupancy.independent_samples is not None:
        needed = independent_samples_needed(one.occupancy.share or 1.0)
        worth = f"{one.occupancy.independent_samples:,.0f} independent samples"
        facts.append(("Worth", f"{worth}, of {needed:,} for {100 * RELATIVE_ERROR:.0f} % relative error"))
    return tuple(facts)


def _figures_view(table: FigureTable, room: int) -> FiguresView:
    rows = table.written()
    return FiguresView(table.title, table.note, table.head, rows[-room:], max(0, len(rows) - room))


def _channel_view(one: ChannelSummary, days: tuple[DayStrip, ...], summary: ActivitySummary) -> ChannelView:
    return ChannelView(
        name=one.name,
        frequency=_mhz(one.frequency_hz),
        transmissions=f"{one.transmissions:,}",
        airtime=write_duration(one.occupancy.heard_s),
        watched=write_duration(one.occupancy.watched_s),
        unwatched=write_duration(one.account.unwatched_s),
        occupancy=write_interval(one.occupancy),
        facts=channel_facts(one, summary),
        days=days,
    )


def _mhz(frequency_hz: int | None) -> str:
    return f"{UNKNOWN} MHz" if frequency_hz is None else f"{write_mhz(frequency_hz)} MHz"


def _cut_short(one: ChannelSummary) -> str:
    return f"; {one.cut_short} not seen whole" if one.cut_short else ""


def _snr_words(heard: WholeTransmission | None, summary: ActivitySummary) -> str:
    if heard is None:
        return UNKNOWN
    return f"{write_measured(heard.snr_db, 'dB')} at {summary.clock.full(heard.start_utc)}"


def _busiest_words(one: ChannelSummary, summary: ActivitySummary) -> str:
    if one.busiest_hour is None:
        return f"{UNKNOWN}: no hour was watched for 5 min or more while it was heard"
    hour = summary.hours[one.busiest_hour]
    return f"{summary.clock.full(hour.start_utc)}, heard {write_share(one.busiest_share)}"


def _exchange_words(one: Exchange) -> str:
    return f"{write_count(len(one.transmissions), 'transmission')}, {write_duration(one.airtime_s)}"


def _chosen_exchanges(summary: ActivitySummary, room: int) -> list[tuple[Exchange, int]]:
    """Which exchanges are shown and how much of each: the ones with most reasons, then the latest; in
    order."""
    by_rank = [one.exchange for one in summary.hear_first]
    ranked = {id(one) for one in by_rank}
    wanted = [*by_rank, *(one for one in reversed(summary.exchanges) if id(one) not in ranked)]
    chosen: list[tuple[Exchange, int]] = []
    for one in wanted:
        if room <= 0:
            break
        shown = min(len(one.transmissions), room)
        chosen.append((one, shown))
        room -= shown
    return sorted(chosen, key=lambda pair: (pair[0].start_utc, pair[0].channel))


def _exchanges_note(summary: ActivitySummary, shown: int) -> str:
    rule = f"Transmissions on one channel with pauses of at most {EXCHANGE_PAUSE_S:.0f} s are one exchange."
    total = len(summary.transmissions)
    if shown == total:
        return rule
    return (
        f"{rule} {shown:,} of {total:,} transmissions are listed: the exchanges with most reasons, then the "
        "latest. The others are in the log, with their clips."
    )


def unwatched_views(summary: ActivitySummary, room: int) -> Iterator[UnwatchedView]:
    """Channels that share the same spans share one view: a lost radio loses all of them at once."""
    clock = summary.clock
    groups: dict[tuple[tuple[str, bytes], ...], list[ChannelSummary]] = {}
    for one in summary.channels:
        alike = tuple((cause, part.tobytes()) for cause, part in one.account.unwatched.items())
        if alike:
            groups.setdefault(alike, []).append(one)
    for members in groups.values():
        parts = members[0].account.unwatched
        # Of each cause the longest are enough to find the longest of all.
        longest = [(span, cause) for cause, part in parts.items() for span in spans_of(_longest(part, room))]
        shown = sorted(sorted(longest, key=lambda one: -one[0].seconds)[:room])
        names = ", ".join(one.name for one in members)
        yield UnwatchedView(
            channels="all channels" if len(members) == len(summary.channels) > 1 else names,
            totals=tuple(
                (cause, write_duration(total))
                for cause, total in members[0].account.unwatched_by_cause().items()
            ),
            rows=tuple(
                (clock.full(span.start_utc), clock.full(span.stop_utc), write_duration(span.seconds), cause)
                for span, cause in shown
            ),
            left_out=sum(map(len, parts.values())) - len(shown),
        )


def _longest(part: Intervals, room: int) -> Intervals:
    order = np.argsort(part[:, 0] - part[:, 1], kind="stable")
    return part[order[:room]]
