"""Transmissions looked up for somebody who reviews them: filtered, paged, singly, and their neighbours.

Every question is answered by an index or by one pass over the table; none reads the whole log into memory.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, or_, select, tuple_

from watcher.log.marks import AT_ONCE, Verdict
from watcher.log.reading import LoggedTransmission, entry_of
from watcher.log.rows import instant_of, utc_ms
from watcher.log.schema import mark, transmission
from watcher.log.spans import Span
from watcher.log.storage import folded
from watcher.log.writing import WatchLog

NOT_YET_HEARD = "not yet heard"
NO_TONE, TONE_UNKNOWN = "none", "unknown"
HALF_TONE_STEP_HZ = 0.05  # tones are listed to a tenth of a hertz
_HZ = re.compile(r"\d{1,4}(\.\d+)?")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which transmissions; an empty text or None asks nothing.

    Parameters
    ----------
    channel, flag : str
        As the log has them.
    tone : str
        Hertz as `100.0`, a code as `023N`, `none` or `unknown`.
    verdict : str
        A verdict, or "not yet heard".
    words : str
        Within the note or who spoke, capitals aside.
    since_utc, until_utc : datetime or None
        It shares time with the span from the one to the other.
    """

    channel: str = ""
    tone: str = ""
    flag: str = ""
    verdict: str = ""
    words: str = ""
    since_utc: datetime | None = None
    until_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class State:
    """What tells a log that has grown from one that has not."""

    newest_id: int
    total: int


def state(log: WatchLog) -> State:
    """The newest entry, 0 where there is none, and how many there are."""
    with log.snapshot() as connection:
        newest, total = connection.execute(select(func.max(transmission.c.entry_id), func.count())).one()
    return State(int(newest or 0), int(total))


def count(log: WatchLog, wanted: Wanted) -> int:
    """How many there are."""
    with log.snapshot() as connection:
        return int(connection.execute(_chosen(wanted, func.count())).scalar_one())


def span_of(log: WatchLog, wanted: Wanted) -> Span | None:
    """From the start of the first to the end of the last of them; None where there are none."""
    ends = func.min(transmission.c.start_utc_ms), func.max(transmission.c.end_utc_ms)
    with log.snapshot() as connection:
        first, last = connection.execute(_chosen(wanted, *ends)).one()
    return None if first is None else Span(instant_of(first), instant_of(last))


def page(log: WatchLog, wanted: Wanted, offset: int, room: int) -> list[LoggedTransmission]:
    """At most `room` of them, the latest first, after leaving out `offset`."""
    order = (transmission.c.start_utc_ms.desc(), transmission.c.entry_id.desc())
    ids = _chosen(wanted, transmission.c.entry_id).order_by(*order).offset(offset).limit(room)
    chosen = select(transmission).where(transmission.c.entry_id.in_(ids.scalar_subquery())).order_by(*order)
    with log.snapshot() as connection:
        return [entry_of(row) for row in connection.execute(chosen).mappings()]


def ids(log: WatchLog, wanted: Wanted) -> frozenset[int]:
    """The numbers of all of them."""
    with log.snapshot() as connection:
        return frozenset(connection.execute(_chosen(wanted, transmission.c.entry_id)).scalars())


def entries(log: WatchLog, entry_ids: list[int]) -> list[LoggedTransmission]:
    """The entries of these numbers in their order; a number that is not in the log is left out."""
    found: dict[int, LoggedTransmission] = {}
    with log.snapshot() as connection:
        for start in range(0, len(entry_ids), AT_ONCE):
            part = transmission.c.entry_id.in_(entry_ids[start : start + AT_ONCE])
            for row in connection.execute(select(transmission).where(part)).mappings():
                found[row["entry_id"]] = entry_of(row)
    return [found[entry_id] for entry_id in entry_ids if entry_id in found]


def neighbours(log: WatchLog, one: LoggedTransmission, wanted: Wanted) -> tuple[int | None, int | None]:
    """The numbers of the later and of the earlier one beside it, in the order of :func:`page`."""
    key = tuple_(transmission.c.start_utc_ms, transmission.c.entry_id)
    here = tuple_(utc_ms(one.transmission.start_utc), one.entry_id)
    columns = (transmission.c.start_utc_ms, transmission.c.entry_id)
    later = _chosen(wanted, transmission.c.entry_id).where(key > here)
    earlier = _chosen(wanted, transmission.c.entry_id).where(key < here)
    with log.snapshot() as connection:
        return (
            connection.execute(later.order_by(*columns).limit(1)).scalar_one_or_none(),
            connection.execute(
                earlier.order_by(*(column.desc() for column in columns)).limit(1)
            ).scalar_one_or_none(),
        )


@dataclass(frozen=True, slots=True)
class Strength:
    """How strong one transmission was, dB carrier to noise, and what somebody thought of it."""

    entry_id: int
    snr_db: float | None
    verdict: Verdict | None


def strengths(log: WatchLog, channel: str, most: int) -> list[Strength]:
    """Those of a channel, of the latest `most` entries; lighter than whole ones."""
    table = transmission.c
    chosen = (
        select(table.entry_id, table.snr_db, mark.c.verdict)
        .select_from(transmission.outerjoin(mark, mark.c.entry_id == table.entry_id))
        .where(table.channel == channel)
        .order_by(table.entry_id.desc())
        .limit(most)
    )
    with log.snapshot() as connection:
        rows = connection.execute(chosen).all()
    return [Strength(number, snr, None if said is None else Verdict(said)) for number, snr, said in rows]


def channels(log: WatchLog) -> list[str]:
    """The names of channels on which something was heard, in order of name."""
    with log.snapshot() as connection:
        return sorted(connection.execute(select(transmission.c.channel).distinct()).scalars())


def flags(log: WatchLog) -> list[str]:
    """Every flag that some transmission has, in order of name."""
    with log.snapshot() as connection:
        lists = connection.execute(select(transmission.c.flags).distinct()).scalars().all()
    return sorted({flag for text in lists for flag in json.loads(text)})


def _chosen(wanted: Wanted, *columns: ColumnElement[int]) -> Select[Any]:
    table = transmission
    chosen: Select[Any]
    if wanted.verdict or wanted.words:
        joined = table.outerjoin(mark, mark.c.entry_id == table.c.entry_id)
        chosen = select().add_columns(*columns).select_from(joined)
    else:
        chosen = select().add_columns(*columns).select_from(table)
    if wanted.channel:
        chosen = chosen.where(table.c.channel == wanted.channel)
    if wanted.flag:
        # The list is JSON, so the flag stands in it quoted as JSON quotes it.
        quoted = json.dumps(wanted.flag, ensure_ascii=False)
        chosen = chosen.where(func.instr(table.c.flags, quoted) > 0)
    if wanted.tone:
        chosen = chosen.where(_has_tone(wanted.tone))
    if wanted.verdict == NOT_YET_HEARD:
        chosen = chosen.where(mark.c.verdict.is_(None))
    elif wanted.verdict:
        chosen = chosen.where(mark.c.verdict == Verdict(wanted.verdict).value)
    if wanted.words:
        sought = folded(wanted.words)
        told = (func.folded(mark.c.note), func.folded(mark.c.who))
        chosen = chosen.where(or_(*(func.instr(text, sought) > 0 for text in told)))
    if wanted.since_utc is not None:
        chosen = chosen.where(table.c.end_utc_ms >= utc_ms(wanted.since_utc))
    if wanted.until_utc is not None:
        chosen = chosen.where(table.c.start_utc_ms < utc_ms(wanted.until_utc))
    return chosen


def _has_tone(tone: str) -> ColumnElement[bool]:
    table = transmission.c
    if tone == TONE_UNKNOWN:
        return and_(table.tone_was_read.is_(False), table.dcs_was_read.is_(False))
    if tone == NO_TONE:
        looked = or_(table.tone_was_read, table.dcs_was_read)
        return and_(looked, table.tone_hz.is_(None), table.dcs.is_(None))
    if _HZ.fullmatch(tone):
        return func.abs(table.tone_hz - float(tone)) < HALF_TONE_STEP_HZ
    code = tone.upper()
    return or_(table.dcs == code, table.dcs_other_name == code)
