"""What the watch log holds, as records, in order of start and in bounded memory.

A record belongs to a span when it shares time with it; it comes whole, not cut to the span. Each function
reads one state of the log, whatever is written meanwhile.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, RowMapping, Select, Table, and_, func, or_, select

from watcher.log.facts import WatchEndedBy
from watcher.log.rows import (
    channel_of,
    clip_path_of,
    clip_removed_of,
    condition_of,
    gap_of,
    instant_of,
    possible_words_of,
    stretch_of,
    transmission_of,
    utc_ms,
)
from watcher.log.schema import condition, gap, stretch, transmission, watch, watch_channel, watched, window
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.plan.model import Channel
from watcher.radio.source import Stretch
from watcher.receive.records import Condition, Gap, Transmission, Watched

ROWS_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class LoggedTransmission:
    """A transmission as the log has it; `clip_path` is relative to the folder of the log.

    `clip_removed_utc` is when retention removed the clip; then there is no path any more.
    """

    entry_id: int
    watch_id: int
    transmission: Transmission
    clip_path: PurePosixPath | None
    clip_sha256: str | None
    clip_audio_frames: int | None
    possible_words: tuple[tuple[str, float], ...] | None = None
    """Guesses of a small model, phrase and seconds into the clip; None where it has not looked."""
    clip_removed_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class LoggedWindow:
    """A span in which a watch was to be stood; `reason` says why where it is none of the plan's own."""

    span: Span
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class LoggedWatch:
    """One run of the receiver; `ended_utc` is None while it runs, and for good where it was killed.

    A watch without windows is stood from its start to its end.
    """

    watch_id: int
    started_utc: datetime
    ended_utc: datetime | None
    ended_by: WatchEndedBy | None
    source_label: str
    station: str | None
    time_zone: str
    plan_text: str
    plan_sha256: str
    program_version: str
    samples_read: int | None
    samples_lost: int | None
    samples_clipped: int | None
    notes: str
    channels: tuple[Channel, ...]
    stretches: tuple[Stretch, ...]
    windows: tuple[LoggedWindow, ...] = ()


def transmissions(
    log: WatchLog, span: Span | None = None, channels: Collection[str] | None = None
) -> Iterator[LoggedTransmission]:
    """The transmissions in order of start, and of entry where two start together.

    Parameters
    ----------
    log : WatchLog
    span : Span or None
        Only those that share time with it; None for all.
    channels : collection of str or None
        Only those on channels of these names; None for all.
    """
    chosen = select(transmission).order_by(transmission.c.start_utc_ms, transmission.c.entry_id)
    for row in _rows(log, _within(chosen, transmission, "end_utc_ms", span, channels)):
        yield entry_of(row)


def entry_of(row: RowMapping) -> LoggedTransmission:
    """The entry of a row of the table of transmissions."""
    return LoggedTransmission(
        entry_id=row["entry_id"],
        watch_id=row["watch_id"],
        transmission=transmission_of(row),
        clip_path=clip_path_of(row),
        clip_sha256=row["clip_sha256"],
        clip_audio_frames=row["clip_audio_frames"],
        clip_removed_utc=clip_removed_of(row),
        possible_words=possible_words_of(row),
    )


def heard_times(
    log: WatchLog, span: Span | None = None, channels: Collection[str] | None = None
) -> dict[str, list[tuple[datetime, datetime]]]:
    """For each channel start and end of its transmissions, in order of start; lighter than whole ones."""
    columns = (transmission.c.channel, transmission.c.start_utc_ms, transmission.c.end_utc_ms)
    chosen = select(*columns).order_by(transmission.c.start_utc_ms, transmission.c.entry_id)
    found: dict[str, list[tuple[datetime, datetime]]] = {}
    for row in _rows(log, _within(chosen, transmission, "end_utc_ms", span, channels)):
        times = instant_of(row["start_utc_ms"]), instant_of(row["end_utc_ms"])
        found.setdefault(row["channel"], []).append(times)
    return found


def heard_ms(log: WatchLog, span: Span | None = None) -> dict[str, NDArray[np.int64]]:
    """The same as milliseconds since 1970, shape (n, 2), in any order: for pictures of a month at once."""
    chosen = select(transmission.c.channel, transmission.c.start_utc_ms, transmission.c.end_utc_ms)
    with log.snapshot() as connection:
        rows = connection.execute(_within(chosen, transmission, "end_utc_ms", span, None)).all()
    channels: list[str] = [row.channel for row in rows]
    names = np.array(channels)
    starts, ends = [row.start_utc_ms for row in rows], [row.end_utc_ms for row in rows]
    times = np.array((starts, ends), np.int64).T
    return {channel: times[names == channel] for channel in set(channels)}


def gaps(log: WatchLog, span: Span | None = None, channels: Collection[str] | None = None) -> Iterator[Gap]:
    """The gaps in order of start."""
    chosen = select(gap).order_by(gap.c.start_utc_ms, gap.c.gap_id)
    yield from map(gap_of, _rows(log, _within(chosen, gap, "stop_utc_ms", span, channels)))


def watched_spans(
    log: WatchLog, span: Span | None = None, channels: Collection[str] | None = None
) -> dict[str, Spans]:
    """For each channel the time in which it was watched, overlaps merged, cut to the span.

    A channel that was never watched within the span is not in the dictionary.
    """
    chosen = select(watched).order_by(watched.c.start_utc_ms, watched.c.watched_id)
    found: dict[str, list[Span]] = {}
    for row in _rows(log, _within(chosen, watched, "stop_utc_ms", span, channels)):
        part = Span(instant_of(row["start_utc_ms"]), instant_of(row["stop_utc_ms"]))
        found.setdefault(row["channel"], []).append(part)
    whole = {channel: Spans(parts) for channel, parts in found.items()}
    if span is None:
        return whole
    return {channel: cut for channel, spans in whole.items() if len(cut := spans & Spans([span]))}


def watched_records(
    log: WatchLog, span: Span | None = None, channels: Collection[str] | None = None
) -> Iterator[Watched]:
    """The watched spans as they were written, in order of start; :func:`watched_spans` merges them."""
    chosen = select(watched).order_by(watched.c.start_utc_ms, watched.c.watched_id)
    for row in _rows(log, _within(chosen, watched, "stop_utc_ms", span, channels)):
        yield Watched(row["channel"], instant_of(row["start_utc_ms"]), instant_of(row["stop_utc_ms"]))


def conditions(
    log: WatchLog, span: Span | None = None, channels: Collection[str] | None = None
) -> Iterator[Condition]:
    """The conditions in order of start."""
    chosen = select(condition).order_by(condition.c.start_utc_ms, condition.c.condition_id)
    yield from map(condition_of, _rows(log, _within(chosen, condition, "stop_utc_ms", span, channels)))


def watches(log: WatchLog, span: Span | None = None) -> list[LoggedWatch]:
    """The watches in order of start. One without an end is taken to reach to the end of time."""
    chosen = select(watch).order_by(watch.c.started_utc_ms, watch.c.watch_id)
    if span is not None:
        chosen = chosen.where(
            watch.c.started_utc_ms < utc_ms(span.stop_utc),
            or_(watch.c.ended_utc_ms.is_(None), watch.c.ended_utc_ms > utc_ms(span.start_utc)),
        )
    found = []
    with log.snapshot() as connection:
        for row in connection.execute(chosen).mappings().all():
            number = row["watch_id"]
            channels = select(watch_channel).where(watch_channel.c.watch_id == number)
            parts = select(stretch).where(stretch.c.watch_id == number)
            opened = select(window).where(window.c.watch_id == number).order_by(window.c.start_utc_ms)
            found.append(
                LoggedWatch(
                    watch_id=number,
                    started_utc=instant_of(row["started_utc_ms"]),
                    ended_utc=None if row["ended_utc_ms"] is None else instant_of(row["ended_utc_ms"]),
                    ended_by=None if row["ended_by"] is None else WatchEndedBy(row["ended_by"]),
                    source_label=row["source_label"],
                    station=row["station"],
                    time_zone=row["time_zone"],
                    plan_text=row["plan_text"],
                    plan_sha256=row["plan_sha256"],
                    program_version=row["program_version"],
                    samples_read=row["samples_read"],
                    samples_lost=row["samples_lost"],
                    samples_clipped=row["samples_clipped"],
                    notes=row["notes"],
                    channels=tuple(
                        map(channel_of, connection.execute(channels.order_by("number")).mappings())
                    ),
                    stretches=tuple(map(stretch_of, connection.execute(parts.order_by("number")).mappings())),
                    windows=tuple(map(_window_of, connection.execute(opened).mappings())),
                )
            )
    return found


def whole_span(log: WatchLog) -> Span | None:
    """From the first instant the log speaks of to the last; None for a log that holds nothing."""
    first, last = [], []
    with log.snapshot() as connection:
        for table, stop in (
            (transmission, "end_utc_ms"),
            (gap, "stop_utc_ms"),
            (watched, "stop_utc_ms"),
            (condition, "stop_utc_ms"),
        ):
            low, high = connection.execute(
                select(func.min(table.c.start_utc_ms), func.max(table.c[stop]))
            ).one()
            if low is not None:
                first.append(low)
                last.append(high)
    return Span(instant_of(min(first)), instant_of(max(last))) if first else None


def _window_of(row: RowMapping) -> LoggedWindow:
    span = Span(instant_of(row["start_utc_ms"]), instant_of(row["stop_utc_ms"]))
    return LoggedWindow(span, row["name"], row["reason"])


def _rows(log: WatchLog, chosen: Select[tuple[object, ...]]) -> Iterator[RowMapping]:
    with log.snapshot() as connection:
        yield from connection.execution_options(yield_per=ROWS_AT_ONCE).execute(chosen).mappings()


def _within(
    chosen: Select[tuple[object, ...]],
    table: Table,
    stop: str,
    span: Span | None,
    channels: Collection[str] | None,
) -> Select[tuple[object, ...]]:
    if span is not None:
        chosen = chosen.where(_shares_time(table, stop, span))
    if channels is not None:
        chosen = chosen.where(table.c.channel.in_(list(channels)))
    return chosen


def _shares_time(table: Table, stop: str, span: Span) -> ColumnElement[bool]:
    """The row and the span have an instant in common; a row without length counts where it starts."""
    start_ms, stop_ms = utc_ms(span.start_utc), utc_ms(span.stop_utc)
    begins, ends = table.c.start_utc_ms, table.c[stop]
    return and_(begins < stop_ms, or_(ends > start_ms, and_(begins == ends, begins >= start_ms)))
