"""The operator's marks: what somebody thought of a clip after hearing it, with a note and who spoke.

Whoever changes a mark names the revision he saw. Where another tab or another person was quicker, nothing is
written and the change comes back as a conflict with what stands now: no mark is lost unseen. Every state is
kept in the history, so that a change can be undone, and an undoing is a change of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Connection, RowMapping, delete, func, insert, or_, select

from watcher.errors import StorageError
from watcher.log.rows import instant_of, utc_ms
from watcher.log.schema import mark, mark_history, transmission
from watcher.log.writing import WatchLog

LONGEST_NOTE = 4_000
LONGEST_WHO = 200
AT_ONCE = 500
"""SQLite takes at least 999 values in one statement (sqlite.org, "Implementation Limits")."""


class Verdict(StrEnum):
    """What somebody thought of a clip."""

    ROUTINE = "routine"
    LOOK = "look into it"
    HELP = "call for help"
    WRONG = "wrong opening"


@dataclass(frozen=True, slots=True)
class Mark:
    """The state of one entry; `verdict` None says "not yet heard". Revision 0: nobody has touched it."""

    entry_id: int
    verdict: Verdict | None = None
    note: str = ""
    who: str = ""
    revision: int = 0
    changed_utc: datetime | None = None

    @property
    def from_to(self) -> tuple[str, str]:
        """Who spoke and to whom, from `who` written as `Ridge base > Camp two`; empty where nobody said."""
        spoke, _, to = self.who.replace("→", ">").partition(">")
        return " ".join(spoke.split()), " ".join(to.split())


@dataclass(frozen=True, slots=True)
class Change:
    """What one entry shall become, by somebody who saw it at a revision; what is None stays as it is there.

    `verdict` alone is set through `set_verdict`, since None is a verdict too.
    """

    entry_id: int
    seen_revision: int
    set_verdict: bool = False
    verdict: Verdict | None = None
    note: str | None = None
    who: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of changes made together: those done, and those that found another state, as it stands.

    `batch_id` names the changes for :func:`undo_batch`; None where nothing was changed.
    """

    batch_id: int | None
    done: tuple[Mark, ...]
    conflicts: tuple[Mark, ...]


def marks(log: WatchLog, entry_ids: Iterable[int]) -> dict[int, Mark]:
    """The marks of entries; one that nobody has touched has revision 0."""
    wanted = list(entry_ids)
    found = {entry_id: Mark(entry_id) for entry_id in wanted}
    with log.snapshot() as connection:
        for start in range(0, len(wanted), AT_ONCE):
            chosen = select(mark).where(mark.c.entry_id.in_(wanted[start : start + AT_ONCE]))
            found |= {row["entry_id"]: _mark_of(row) for row in connection.execute(chosen).mappings()}
    return found


def all_marks(log: WatchLog) -> dict[int, Mark]:
    """The marks of every entry that somebody has touched."""
    with log.snapshot() as connection:
        return {row["entry_id"]: _mark_of(row) for row in connection.execute(select(mark)).mappings()}


def counts(log: WatchLog) -> dict[Verdict | None, int]:
    """How many entries carry each verdict; None counts those not yet heard."""
    with log.snapshot() as connection:
        rows = connection.execute(
            select(mark.c.verdict, func.count()).where(mark.c.verdict.is_not(None)).group_by(mark.c.verdict)
        ).all()
        whole = connection.execute(select(func.count()).select_from(transmission)).scalar_one()
    found: dict[Verdict | None, int] = dict.fromkeys(Verdict, 0)
    found |= {Verdict(verdict): number for verdict, number in rows}
    return found | {None: int(whole) - sum(found.values())}


def marked(log: WatchLog) -> frozenset[int]:
    """The entries that carry a verdict or a note: what retention must leave alone."""
    touched = or_(mark.c.verdict.is_not(None), mark.c.note != "")
    with log.snapshot() as connection:
        return frozenset(connection.execute(select(mark.c.entry_id).where(touched)).scalars())


def history(log: WatchLog, entry_id: int) -> list[Mark]:
    """Every state an entry has had, the earliest first."""
    chosen = select(mark_history).where(mark_history.c.entry_id == entry_id).order_by(mark_history.c.revision)
    with log.snapshot() as connection:
        return [_mark_of(row) for row in connection.execute(chosen).mappings()]


def change_marks(log: WatchLog, changes: Sequence[Change], changed_utc: datetime) -> Outcome:
    """Make changes as one unit of work; those whose entry has moved on come back as conflicts.

    Raises
    ------
    StorageError
        The log cannot be written, or an entry is not in it; nothing is changed.
    ValueError
        A note or a name is longer than the log keeps.
    """
    for each in changes:
        for name, text, longest in (("note", each.note, LONGEST_NOTE), ("who spoke", each.who, LONGEST_WHO)):
            if text is not None and len(text) > longest:
                raise ValueError(f"{name} has {len(text)} letters; it must have at most {longest}")
    done: list[Mark] = []
    conflicts: list[Mark] = []
    batch_id: int | None = None
    with log._writable() as connection:
        for each in changes:
            now = _standing(connection, log, each.entry_id)
            if now.revision != each.seen_revision:
                conflicts.append(now)
                continue
            after = Mark(
                each.entry_id,
                each.verdict if each.set_verdict else now.verdict,
                now.note if each.note is None else each.note,
                now.who if each.who is None else each.who,
                now.revision + 1,
                changed_utc,
            )
            if (after.verdict, after.note, after.who) == (now.verdict, now.note, now.who):
                done.append(now)
                continue
            batch_id = _write(connection, after, batch_id, None)
            done.append(after)
    return Outcome(batch_id, tuple(done), tuple(conflicts))


def undo(log: WatchLog, entry_id: int, seen_revision: int, changed_utc: datetime) -> Outcome:
    """Put an entry back to the state before the one that stands; undoing again goes a step further back.

    An entry that nobody has touched stays as it is: then `done` holds it and `batch_id` is None.
    """
    with log._writable() as connection:
        now = _standing(connection, log, entry_id)
        if now.revision != seen_revision:
            return Outcome(None, (), (now,))
        batch_id, after = _step_back(connection, now, None, changed_utc)
        return Outcome(batch_id, (after,), ())


def undo_batch(log: WatchLog, batch_id: int, changed_utc: datetime) -> Outcome:
    """Undo changes made together; an entry that was changed since is left alone and is a conflict."""
    done: list[Mark] = []
    conflicts: list[Mark] = []
    undoing: int | None = None
    with log._writable() as connection:
        chosen = select(mark_history.c.entry_id, mark_history.c.revision).where(
            mark_history.c.batch_id == batch_id
        )
        for entry_id, revision in connection.execute(chosen.order_by(mark_history.c.history_id)).all():
            now = _standing(connection, log, entry_id)
            if now.revision != revision:
                conflicts.append(now)
                continue
            undoing, after = _step_back(connection, now, undoing, changed_utc)
            done.append(after)
    return Outcome(undoing, tuple(done), tuple(conflicts))


def _step_back(
    connection: Connection, now: Mark, batch_id: int | None, changed_utc: datetime
) -> tuple[int | None, Mark]:
    """Write the state before the one that stands. An undoing stands for the state it restored."""
    base = _restored(connection, now.entry_id, now.revision)
    if base == 0:
        return batch_id, now
    target = _restored(connection, now.entry_id, base - 1)
    before = Mark(now.entry_id)
    if target:
        chosen = select(mark_history).where(
            mark_history.c.entry_id == now.entry_id, mark_history.c.revision == target
        )
        before = _mark_of(connection.execute(chosen).mappings().one())
    after = Mark(now.entry_id, before.verdict, before.note, before.who, now.revision + 1, changed_utc)
    return _write(connection, after, batch_id, target), after


def _restored(connection: Connection, entry_id: int, revision: int) -> int:
    """The revision whose state a revision shows: its own, or the one it went back to."""
    if revision == 0:
        return 0
    chosen = select(mark_history.c.restores).where(
        mark_history.c.entry_id == entry_id, mark_history.c.revision == revision
    )
    restores = connection.execute(chosen).scalar_one()
    return revision if restores is None else int(restores)


def _standing(connection: Connection, log: WatchLog, entry_id: int) -> Mark:
    row = connection.execute(select(mark).where(mark.c.entry_id == entry_id)).mappings().one_or_none()
    if row is not None:
        return _mark_of(row)
    there = select(transmission.c.entry_id).where(transmission.c.entry_id == entry_id)
    if connection.execute(there).scalar_one_or_none() is None:
        raise StorageError(f"watch log {log.path} has no entry {entry_id}; give one that is in it")
    return Mark(entry_id)


def _write(connection: Connection, after: Mark, batch_id: int | None, restores: int | None) -> int:
    """Put down a state in the table and in the history; returns the batch it belongs to."""
    if after.changed_utc is None:
        raise ValueError("a change has no instant; say when it is made")
    row = {
        "entry_id": after.entry_id,
        "verdict": None if after.verdict is None else after.verdict.value,
        "note": after.note,
        "who": after.who,
        "revision": after.revision,
        "changed_utc_ms": utc_ms(after.changed_utc),
    }
    connection.execute(delete(mark).where(mark.c.entry_id == after.entry_id))
    connection.execute(insert(mark), row)
    if batch_id is None:
        batch_id = connection.execute(
            select(func.coalesce(func.max(mark_history.c.batch_id), 0))
        ).scalar_one()
        batch_id = int(batch_id) + 1
    connection.execute(insert(mark_history), row | {"batch_id": batch_id, "restores": restores})
    return batch_id


def _mark_of(row: RowMapping) -> Mark:
    verdict = row["verdict"]
    return Mark(
        entry_id=row["entry_id"],
        verdict=None if verdict is None else Verdict(verdict),
        note=row["note"],
        who=row["who"],
        revision=row["revision"],
        changed_utc=instant_of(row["changed_utc_ms"]),
    )
