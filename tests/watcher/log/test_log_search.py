"""Search of the log, held to the same questions asked of the records one by one in plain Python."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from tests.watcher.report.made_records import START, at, channel, entry, span
from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import Change, Verdict, change_marks
from watcher.log.reading import LoggedTransmission, heard_ms, heard_times, transmissions
from watcher.log.search import (
    NOT_YET_HEARD,
    Strength,
    Wanted,
    channels,
    count,
    entries,
    flags,
    ids,
    neighbours,
    page,
    state,
    strengths,
)
from watcher.receive.records import CodeReading

QUOTED = 'long "tone"'
NAMES = ("Ridge", "Family 1", "O'Hara's 100 %")
TONES = (100.0, None, 103.5)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    """Sixty transmissions on three channels, two of them at each minute; some with tone, code, flag, mark."""
    with WatchLog.open(tmp_path, create=True) as opened:
        listed = tuple(channel(name) for name in NAMES)
        watch_id = opened.begin_watch(WatchFacts(START, "made", "", "", "0", channels=listed))
        for number in range(60):
            said: dict[str, object] = {"snr": None if number % 7 == 0 else float(number)}
            if number % 4:
                said["tone_hz"] = TONES[number % 3]
            if number % 5 == 0:
                said["flags"] = ("long-tone", QUOTED) if number % 10 else ("long-tone",)
            if number % 15 == 1:
                said["code"] = CodeReading("023N", "047I", 600.0, 0.99, None)
            heard = entry(NAMES[number % 3], 60 * (number // 2), 5 + number, **said).transmission
            opened.add_transmission(watch_id, heard, None)
        told = [
            Change(3, 0, True, Verdict.HELP, "Two HURT at 100 %", "Tor"),
            Change(9, 0, True, Verdict.ROUTINE, "", "ÖSKER Łąka"),
            Change(12, 0, False, None, "a note and no mark"),
        ]
        change_marks(opened, told, at(9999))
        yield opened


NOTES = {3: "two hurt at 100 % tor", 9: " ösker łąka", 12: "a note and no mark"}
VERDICTS = {3: "call for help", 9: "routine"}
Question = Callable[[LoggedTransmission], bool]


def carried(one: LoggedTransmission) -> tuple[float | None, str | None, bool]:
    tone, code = one.transmission.tone, one.transmission.code
    return (
        tone.tone_hz if tone else None,
        code.code if code else None,
        tone is not None or code is not None,
    )


QUESTIONS: list[tuple[Wanted, Question]] = [
    (Wanted(), lambda _: True),
    (Wanted(channel="O'Hara's 100 %"), lambda one: one.transmission.channel == "O'Hara's 100 %"),
    (Wanted(channel="ridge"), lambda _: False),  # names are exact
    (Wanted(tone="100.0"), lambda one: carried(one)[0] == 100.0),
    (Wanted(tone="103.5"), lambda one: carried(one)[0] == 103.5),
    (Wanted(tone="100.1"), lambda _: False),
    (Wanted(tone="023n"), lambda one: carried(one)[1] == "023N"),
    (Wanted(tone="047I"), lambda one: carried(one)[1] == "023N"),  # the other name of the same signal
    (Wanted(tone="none"), lambda one: carried(one) == (None, None, True)),
    (Wanted(tone="unknown"), lambda one: not carried(one)[2]),
    (Wanted(flag="long-tone"), lambda one: "long-tone" in one.transmission.flags),
    (Wanted(flag=QUOTED), lambda one: QUOTED in one.transmission.flags),
    (Wanted(flag="tone"), lambda _: False),  # part of a flag is no flag
    (Wanted(verdict="call for help"), lambda one: VERDICTS.get(one.entry_id) == "call for help"),
    (Wanted(verdict=NOT_YET_HEARD), lambda one: one.entry_id not in VERDICTS),
    (Wanted(words="hurt"), lambda one: "hurt" in NOTES.get(one.entry_id, "")),
    (Wanted(words="%"), lambda one: "%" in NOTES.get(one.entry_id, "")),  # no sign for "anything"
    (Wanted(words="_"), lambda _: False),
    (Wanted(words="' OR 1=1 --"), lambda _: False),
    (Wanted(since_utc=at(600)), lambda one: one.transmission.end_utc >= at(600)),
    (Wanted(until_utc=at(600)), lambda one: one.transmission.start_utc < at(600)),
    (
        Wanted(channel="Ridge", tone="none", since_utc=at(60), until_utc=at(1200)),
        lambda one: (
            one.transmission.channel == "Ridge"
            and carried(one) == (None, None, True)
            and one.transmission.end_utc >= at(60)
            and one.transmission.start_utc < at(1200)
        ),
    ),
]


@pytest.mark.parametrize(("wanted", "is_one"), QUESTIONS)
def test_a_search_finds_what_is_like_that_and_nothing_else(
    log: WatchLog, wanted: Wanted, is_one: Question
) -> None:
    right = [one for one in transmissions(log) if is_one(one)]
    assert ids(log, wanted) == {one.entry_id for one in right}
    assert count(log, wanted) == len(right)
    latest_first = sorted(right, key=lambda one: (one.transmission.start_utc, one.entry_id), reverse=True)
    assert page(log, wanted, 0, 1000) == latest_first
    parts = [one for offset in range(0, len(right) + 7, 7) for one in page(log, wanted, offset, 7)]
    assert parts == latest_first


@pytest.mark.parametrize(("wanted", "is_one"), QUESTIONS)
def test_from_neighbour_to_neighbour_the_whole_view_is_walked(
    log: WatchLog, wanted: Wanted, is_one: Question
) -> None:
    view = page(log, wanted, 0, 1000)
    for later, earlier in pairwise(view):
        assert neighbours(log, earlier, wanted)[0] == later.entry_id
        assert neighbours(log, later, wanted)[1] == earlier.entry_id
    if view:
        assert neighbours(log, view[0], wanted)[0] is None
        assert neighbours(log, view[-1], wanted)[1] is None


def test_one_that_left_the_view_still_has_neighbours_in_it(log: WatchLog) -> None:
    (marked,) = entries(log, [9])
    later, earlier = neighbours(log, marked, Wanted(verdict=NOT_YET_HEARD))
    assert (later, earlier) == (10, 8)


def test_words_are_found_without_regard_to_capitals_of_any_alphabet(log: WatchLog) -> None:
    assert ids(log, Wanted(words="TWO hurt")) == {3}
    assert ids(log, Wanted(words="Ösker")) == ids(log, Wanted(words="ösker łĄ")) == {9}


def test_entries_come_in_the_order_asked_and_strangers_are_left_out(log: WatchLog) -> None:
    assert [one.entry_id for one in entries(log, [40, 3, 999, 17])] == [40, 3, 17]
    assert entries(log, []) == []
    assert [one.entry_id for one in entries(log, list(range(60, 0, -1)) * 20)] == list(range(60, 0, -1)) * 20


def test_the_state_tells_a_log_that_grew(log: WatchLog) -> None:
    before = state(log)
    assert (before.newest_id, before.total) == (60, 60)
    log.add_transmission(1, entry("Ridge", 9000, 5).transmission, None)
    assert state(log) != before


def test_the_lists_for_choosing_hold_what_there_is(log: WatchLog) -> None:
    assert channels(log) == sorted(NAMES)
    assert flags(log) == sorted(["long-tone", QUOTED])


def test_an_empty_log_has_nothing_of_anything(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path / "new", create=True) as new:
        assert (state(new).newest_id, state(new).total) == (0, 0)
        assert (page(new, Wanted(), 0, 10), ids(new, Wanted()), channels(new), flags(new)) == (
            [],
            set(),
            [],
            [],
        )
        assert heard_ms(new) == {}
        assert strengths(new, "Ridge", 10) == []


def test_strengths_are_those_of_the_latest_entries_with_their_marks(log: WatchLog) -> None:
    """Entries 1, 4, 7 … are on the first channel; entry n has n - 1 dB, none where that divides by seven."""
    every = strengths(log, "Ridge", 100)
    assert [one.entry_id for one in every] == list(range(58, 0, -3))
    assert every[0] == Strength(58, 57.0, None)
    assert every[-1] == Strength(1, None, None)
    assert strengths(log, "Ridge", 2) == every[:2]
    help_is = next(one for one in strengths(log, "O'Hara's 100 %", 100) if one.entry_id == 3)
    assert help_is.verdict is Verdict.HELP


@pytest.mark.parametrize("part", [None, span(0, 1), span(600, 1200), span(5000, 6000)])
def test_times_as_numbers_are_the_times(log: WatchLog, part: object) -> None:
    as_times = heard_times(log, part)  # type: ignore[arg-type]
    as_numbers = heard_ms(log, part)  # type: ignore[arg-type]
    assert set(as_numbers) == set(as_times)
    for name, found in as_numbers.items():
        told = sorted(START + timedelta(milliseconds=int(ms - as_ms(START))) for ms in found[:, 0])
        assert told == [start for start, _ in as_times[name]]
        assert sorted(found[:, 1]) == sorted(as_ms(end) for _, end in as_times[name])


def as_ms(instant: object) -> int:
    return round(instant.timestamp() * 1000)  # type: ignore[attr-defined]
