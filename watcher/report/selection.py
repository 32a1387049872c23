"""Entries of the log by their numbers, as a person names them."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from watcher.errors import UsageProblem
from watcher.log.reading import LoggedTransmission, transmissions
from watcher.log.search import entries
from watcher.log.writing import WatchLog
from watcher.report.exchanges import WholeTransmission


def chosen_entries(log: WatchLog, numbers: Collection[int]) -> list[LoggedTransmission]:
    """The entries of these numbers, in order of start.

    Raises
    ------
    UsageProblem
        The log has no entry of one of the numbers.
    """
    found = entries(log, sorted(set(numbers)))
    missing = sorted(set(numbers) - {one.entry_id for one in found})
    if missing:
        known = [entry.entry_id for entry in transmissions(log)]
        holds = f"it has {min(known)} to {max(known)}" if known else "it has none"
        raise UsageProblem(
            f"entry {missing[0]} is not in the log; {holds}, and midwatch export tells which is which"
        )
    return sorted(found, key=lambda one: (one.transmission.start_utc, one.entry_id))


def transmissions_with(
    heard: Sequence[WholeTransmission], only: Collection[int] | None
) -> tuple[WholeTransmission, ...]:
    """Those with a piece among these entries, or all where `only` is None."""
    if only is None:
        return tuple(heard)
    return tuple(one for one in heard if any(piece.entry_id in only for piece in one.pieces))


def chosen_words(listed: int, heard: int) -> str:
    """That only some are listed, so that nobody takes the list for all."""
    return f"Only chosen transmissions are listed: {listed:,} of the {heard:,} heard in this time."
