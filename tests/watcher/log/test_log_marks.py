"""Marks: set, seen by others, undone, and never lost to somebody who was quicker."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.errors import StorageError
from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import (
    LONGEST_NOTE,
    Change,
    Mark,
    Verdict,
    change_marks,
    counts,
    history,
    marked,
    marks,
    undo,
    undo_batch,
)
from watcher.receive.records import EndedBy, Transmission

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
HEARD = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="nfm",
    start_sample=0,
    stop_sample=2_400_000,
    start_utc=NOON,
    end_utc=NOON + timedelta(seconds=1),
    clip_start_utc=NOON - timedelta(seconds=1),
    clip_end_utc=NOON + timedelta(seconds=2),
    ended_by=EndedBy.CARRIER_DROP,
)


def fill(log: WatchLog, number: int = 3) -> list[int]:
    watch_id = log.begin_watch(WatchFacts(NOON, "made", "plan", "00", "0"))
    later = [replace(HEARD, start_utc=NOON, end_utc=NOON + timedelta(seconds=n)) for n in range(number)]
    return [log.add_transmission(watch_id, one, None) for one in later]


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    with WatchLog.open(tmp_path, create=True) as opened:
        fill(opened)
        yield opened


def verdict(entry_id: int, seen: int, chosen: Verdict | None) -> Change:
    return Change(entry_id, seen, set_verdict=True, verdict=chosen)


def said(one: Mark) -> tuple[Verdict | None, str, str]:
    return one.verdict, one.note, one.who


def test_what_nobody_touched_is_not_yet_heard(log: WatchLog) -> None:
    assert marks(log, [1, 2]) == {1: Mark(1), 2: Mark(2)}
    assert counts(log) == {**dict.fromkeys(Verdict, 0), None: 3}


def test_a_mark_is_read_back_as_it_was_set(log: WatchLog) -> None:
    change = Change(2, 0, set_verdict=True, verdict=Verdict.HELP, note="hurt; «two» people\n", who="Ösker")
    change_marks(log, [change], NOON)
    assert marks(log, [2])[2] == Mark(2, Verdict.HELP, "hurt; «two» people\n", "Ösker", 1, NOON)
    assert counts(log) == {**dict.fromkeys(Verdict, 0), Verdict.HELP: 1, None: 2}


def test_a_part_that_is_not_named_stays(log: WatchLog) -> None:
    change_marks(log, [Change(1, 0, note="a note")], NOON)
    change_marks(log, [verdict(1, 1, Verdict.ROUTINE)], NOON)
    assert said(marks(log, [1])[1]) == (Verdict.ROUTINE, "a note", "")


def test_the_slower_of_two_is_told_and_changes_nothing(log: WatchLog) -> None:
    change_marks(log, [verdict(1, 0, Verdict.HELP)], NOON)
    outcome = change_marks(log, [verdict(1, 0, Verdict.WRONG), verdict(2, 0, Verdict.WRONG)], NOON)
    assert [(one.entry_id, one.verdict) for one in outcome.conflicts] == [(1, Verdict.HELP)]
    assert [one.entry_id for one in outcome.done] == [2]
    assert marks(log, [1])[1].verdict is Verdict.HELP


def test_a_verdict_or_a_note_makes_an_entry_marked_until_it_is_undone(log: WatchLog) -> None:
    change_marks(log, [verdict(1, 0, Verdict.ROUTINE), Change(2, 0, note="two people")], NOON)
    assert marked(log) == {1, 2}
    undo(log, 2, 1, NOON)
    assert marked(log) == {1}


def test_a_change_to_what_already_stands_is_none(log: WatchLog) -> None:
    change_marks(log, [verdict(1, 0, Verdict.HELP)], NOON)
    outcome = change_marks(log, [verdict(1, 1, Verdict.HELP)], NOON)
    assert (outcome.batch_id, marks(log, [1])[1].revision) == (None, 1)


def test_an_entry_that_is_not_there_is_refused_and_nothing_is_changed(log: WatchLog) -> None:
    with pytest.raises(StorageError, match="has no entry 99; give one that is in it"):
        change_marks(log, [verdict(1, 0, Verdict.HELP), verdict(99, 0, Verdict.HELP)], NOON)
    assert marks(log, [1])[1].revision == 0


def test_a_note_beyond_all_measure_is_refused(log: WatchLog) -> None:
    with pytest.raises(ValueError, match=f"note has {LONGEST_NOTE + 1} letters; it must have at most"):
        change_marks(log, [Change(1, 0, note="x" * (LONGEST_NOTE + 1))], NOON)


def test_changes_made_together_are_undone_together_but_for_what_moved_on(log: WatchLog) -> None:
    together = change_marks(log, [verdict(n, 0, Verdict.WRONG) for n in (1, 2, 3)], NOON)
    assert together.batch_id is not None
    change_marks(log, [verdict(2, 1, Verdict.HELP)], NOON)
    undone = undo_batch(log, together.batch_id, NOON)
    assert [one.entry_id for one in undone.conflicts] == [2]
    assert [one.verdict for one in marks(log, [1, 2, 3]).values()] == [None, Verdict.HELP, None]


def test_undoing_something_seen_at_another_revision_is_a_conflict(log: WatchLog) -> None:
    change_marks(log, [verdict(1, 0, Verdict.HELP)], NOON)
    assert undo(log, 1, 0, NOON).conflicts[0].verdict is Verdict.HELP
    assert marks(log, [1])[1].verdict is Verdict.HELP


@settings(max_examples=25)
@given(st.lists(st.sampled_from([*Verdict, None, "undo"]), max_size=12))
def test_undoing_walks_back_like_a_stack(
    tmp_path_factory: pytest.TempPathFactory, steps: list[object]
) -> None:
    """Held against a plain list. After an undoing a new change stands on what was restored."""
    with WatchLog.open(tmp_path_factory.mktemp("log"), create=True) as log:
        fill(log, 1)
        stack: list[object] = [None]
        for step in steps:
            now = marks(log, [1])[1]
            if step == "undo":
                undo(log, 1, now.revision, NOON)
                del stack[max(1, len(stack) - 1) :]
            else:
                change_marks(log, [verdict(1, now.revision, step)], NOON)  # type: ignore[arg-type]
                if step != stack[-1]:
                    stack.append(step)
            assert marks(log, [1])[1].verdict == stack[-1]
        states = history(log, 1)
        assert [one.revision for one in states] == list(range(1, len(states) + 1))


def test_two_tabs_and_the_daemon_at_once_lose_no_mark(tmp_path: Path) -> None:
    """Each tab writes its own words into one note until every one of them stands there."""
    with WatchLog.open(tmp_path, create=True) as daemon:
        fill(daemon, 1)
        opened = [WatchLog.open(tmp_path, create=False) for _ in range(2)]
        told = [0, 0]

        def write(number: int) -> None:
            for word in range(15):
                while True:
                    now = marks(opened[number], [1])[1]
                    words = f"{now.note} {number}-{word}"
                    if change_marks(opened[number], [Change(1, now.revision, note=words)], NOON).done:
                        break
                    told[number] += 1

        tabs = [threading.Thread(target=write, args=(number,)) for number in range(2)]
        for tab in tabs:
            tab.start()
        fill(daemon, 20)
        for tab in tabs:
            tab.join()
        words = marks(daemon, [1])[1].note.split()
        assert sorted(words) == sorted(f"{number}-{word}" for number in range(2) for word in range(15))
        assert marks(daemon, [1])[1].revision == 30
        for one in opened:
            one.close()
