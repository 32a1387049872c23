"""Limits of the disk: what goes first, what never goes, and what an interruption leaves."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.log import WatchFacts, WatchLog
from watcher.log.export import exported
from watcher.log.marks import Change, Verdict, change_marks, undo_batch
from watcher.log.reading import LoggedTransmission, transmissions
from watcher.log.retention import apply_limits
from watcher.log.schema import FILE_NAME
from watcher.plan.duties import KeepRules
from watcher.receive.records import Clip, EndedBy, Transmission

NOW = datetime(2031, 5, 31, 12, tzinfo=UTC)
FACTS = WatchFacts(NOW, "ridge", "plan", "00", "0.1.0")
MB = 1_000_000
PLENTY = 10**15


@pytest.fixture
def log(tmp_path: Path) -> Iterator[WatchLog]:
    with WatchLog.open(tmp_path, create=True) as opened:
        opened.begin_watch(FACTS)
        yield opened


def add_clip(log: WatchLog, days_ago: float, *flags: str, megabytes: float = 1, iq: bool = False) -> int:
    """A clip with its entry; files are holes that take no room here. Returns the number of the entry."""
    start = NOW - timedelta(days=days_ago)
    name = f"{start:%Y-%m-%d}/{start:%H%M%S}_{len(flags)}"
    path = log.folder / f"{name}.flac"
    path.parent.mkdir(exist_ok=True)
    with path.open("wb") as file:
        file.truncate(round(megabytes * MB))
    if iq:
        for suffix in (".sigmf-data", ".sigmf-meta"):
            (log.folder / f"{name}{suffix}").write_bytes(b"x")
    heard = Transmission(
        *("a", 146_520_000, "nfm", 0, 1, start, start, start, start, EndedBy.CARRIER_DROP),
        flags=flags,
        iq=f"{name}.sigmf-meta" if iq else None,
    )
    return log.add_transmission(1, heard, Clip(heard, path.relative_to(log.folder), "ab", 16))


def test_spectra_have_their_own_time(log: WatchLog) -> None:
    folder = log.folder / "spectra"
    folder.mkdir()
    names = [f"2031-05-{day}_146.520000MHz_240000Sps.spectra" for day in ("19", "20", "21")]
    for name in (*names, "notes.txt"):
        (folder / name).write_bytes(b"12345")
    # The 19th ended 11.5 days before noon of the 31st, the 20th 10.5.
    done = apply_limits(log, KeepRules(spectra_days=11), NOW, free_bytes=lambda _: PLENTY)
    assert sorted(path.name for path in folder.iterdir()) == [*names[1:], "notes.txt"]
    assert done.sentences == ["removed 1 file of spectra whose time was over"]
    assert done.freed_bytes == 5


def test_spectra_of_past_days_make_room_before_any_clip(log: WatchLog) -> None:
    add_clip(log, 20, megabytes=2)
    folder = log.folder / "spectra"
    folder.mkdir()
    names = [f"2031-05-{day}_146.520000MHz_240000Sps.spectra" for day in ("19", "20", "30", "31")]
    for name in names:
        (folder / name).write_bytes(b"x" * MB)
    done = apply_limits(log, KeepRules(least_free_gb=0.01), NOW, free_bytes=room(8.5))
    assert sorted(path.name for path in folder.iterdir()) == names[2:]
    assert done.removed == 0 and done.limits_hold and kept(log) == [1]
    assert done.sentences == ["removed 2 files of spectra so that 0.01 GB of the disk are free"]
    # What is being written today stays, and the clip goes.
    done = apply_limits(log, KeepRules(least_free_gb=0.01), NOW, free_bytes=room(7.5))
    assert [path.name for path in folder.iterdir()] == names[3:]
    assert done.removed == 1 and done.limits_hold and kept(log) == []


def kept(log: WatchLog) -> list[int]:
    """The entries that still have a clip, and whose file is there."""
    found = [entry.entry_id for entry in transmissions(log) if entry.clip_path is not None]
    files = sorted(path.relative_to(log.folder).as_posix() for path in log.folder.rglob("*.flac"))
    assert files == sorted(e.clip_path.as_posix() for e in transmissions(log) if e.clip_path is not None)
    return found


def entry(log: WatchLog, number: int) -> LoggedTransmission:
    return next(each for each in transmissions(log) if each.entry_id == number)


def room(megabytes: float) -> Callable[[Path], int]:
    """A disk with this much free that grows by what is removed from the folder."""
    start: list[int] = []

    def free_bytes(folder: Path) -> int:
        taken = sum(path.stat().st_size for kind in ("*.flac", "*.spectra") for path in folder.rglob(kind))
        start.append(taken)
        return round(megabytes * MB) + start[0] - taken

    return free_bytes


def run(log: WatchLog, free: Callable[[Path], int] = lambda _: PLENTY, **rules: Any) -> list[str]:
    return apply_limits(log, KeepRules(**rules), NOW, free_bytes=free).sentences


def test_without_limits_nothing_goes(log: WatchLog) -> None:
    number = add_clip(log, 10_000)
    done = apply_limits(log, KeepRules(), NOW, free_bytes=lambda _: PLENTY)
    assert (done.removed, done.freed_bytes, done.limits_hold, done.sentences) == (0, 0, True, [])
    assert kept(log) == [number]


def test_a_clip_goes_when_it_has_had_its_time_and_a_flagged_one_later(log: WatchLog) -> None:
    add_clip(log, 30)
    young = add_clip(log, 29.9)
    add_clip(log, 90, "same")
    flagged = add_clip(log, 89.9, "same")
    assert run(log, days=30, flagged_days=90) == ["removed 2 clips whose time was over"]
    assert kept(log) == [flagged, young]


def test_flagged_clips_without_a_time_of_their_own_stay(log: WatchLog) -> None:
    flagged = add_clip(log, 5000, "beacon")
    run(log, days=1, most_gb=1e-9)
    assert kept(log) == [flagged]


def test_the_row_stays_and_says_when_the_clip_went(log: WatchLog) -> None:
    number = add_clip(log, 31, iq=True)
    run(log, days=30)
    gone = entry(log, number)
    assert (gone.clip_path, gone.clip_removed_utc, gone.transmission.iq) == (None, NOW, None)
    assert gone.transmission.start_utc == NOW - timedelta(days=31)
    assert exported(gone)["clip"] is None
    left = [path.name for path in log.folder.iterdir() if not path.name.startswith(FILE_NAME)]
    assert left == []  # the IQ and the empty folder of the day went too


def test_the_oldest_without_a_flag_go_first_until_the_clips_fit(log: WatchLog) -> None:
    oldest_flagged = add_clip(log, 9, "long-tone", megabytes=2)
    add_clip(log, 8, megabytes=2)
    add_clip(log, 7, megabytes=2)
    young = add_clip(log, 6, megabytes=2)
    assert run(log, most_gb=0.005) == [
        "removed 2 clips (4 MB), the oldest without a flag or a mark, "
        "so that clips take no more than 0.005 GB"
    ]
    assert kept(log) == [oldest_flagged, young]


def test_the_oldest_go_until_the_disk_has_room(log: WatchLog) -> None:
    for day in range(5, 0, -1):
        add_clip(log, day, megabytes=3)
    # 1 MB is free and 6 must be: two clips of 3 MB.
    assert run(log, room(1), least_free_gb=0.006) == [
        "removed 2 clips (6 MB), the oldest without a flag or a mark, so that 0.006 GB of the disk are free"
    ]
    assert kept(log) == [3, 4, 5]


def test_a_limit_that_cannot_be_met_is_said_and_nothing_protected_goes(log: WatchLog) -> None:
    flagged = add_clip(log, 9, "same", megabytes=4)
    add_clip(log, 8, megabytes=1)
    done = apply_limits(
        log, KeepRules(least_free_gb=0.01, most_gb=0.001, flagged_days=10), NOW, free_bytes=room(2)
    )
    assert kept(log) == [flagged]
    assert not done.limits_hold
    assert done.removed == 1
    assert done.sentences[1] == (
        "clips take 0.003 GB more than the 0.001 GB of most_gb; nothing more may be removed, what is left is "
        "flagged or marked: make room, or change [keep]"
    )
    assert done.sentences[2].startswith("the disk has 0.002 GB free and least_free_gb is 0.01; nothing more")


def test_a_marked_clip_is_never_removed(log: WatchLog) -> None:
    marked, _ = add_clip(log, 100), add_clip(log, 99)
    asked: list[int] = []

    def is_marked(number: int) -> bool:
        asked.append(number)
        return number == marked

    rules = KeepRules(days=1, most_gb=1e-9, least_free_gb=1e6)
    apply_limits(log, rules, NOW, is_marked=is_marked, free_bytes=lambda _: 0)
    assert kept(log) == [marked]
    assert set(asked) == {1, 2}


def test_a_mark_in_the_log_keeps_the_clip_until_it_is_taken_back(log: WatchLog) -> None:
    noted, _ = add_clip(log, 100), add_clip(log, 99)
    outcome = change_marks(log, [Change(noted, 0, set_verdict=True, verdict=Verdict.LOOK)], NOW)
    assert outcome.batch_id is not None
    apply_limits(log, KeepRules(days=1), NOW)
    assert kept(log) == [noted]
    undo_batch(log, outcome.batch_id, NOW)
    apply_limits(log, KeepRules(days=1), NOW)
    assert kept(log) == []


class PowerCut(BaseException):
    """Nothing of ours catches it."""


@pytest.mark.parametrize("step", ["intent", "file", "folder", "row"])
def test_a_run_that_is_cut_off_at_any_step_is_finished_by_the_next(
    log: WatchLog, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """Though the next has no limit that asks for it: half removed is worse than either."""
    number = add_clip(log, 31, iq=True)

    def cut(*told: Any, **more: Any) -> None:
        raise PowerCut

    remove_clips = log.remove_clips

    def cut_row(ids: Any, when: datetime, *, gone: bool) -> None:
        if gone == (step == "row"):
            raise PowerCut
        remove_clips(ids, when, gone=gone)

    with monkeypatch.context() as broken, pytest.raises(PowerCut):
        if step == "file":
            broken.setattr(Path, "unlink", cut)
        elif step == "folder":
            broken.setattr("watcher.log.retention.sync_folder", cut)
        else:
            broken.setattr(log, "remove_clips", cut_row)
        run(log, days=30)
    before = entry(log, number)
    assert before.clip_path is not None
    assert before.clip_removed_utc is None
    assert bool(list(log.folder.rglob("*.flac"))) == (step in {"intent", "file"})
    run(log, **({"days": 30} if step == "intent" else {}))
    after = entry(log, number)
    assert (after.clip_path, after.clip_removed_utc, after.transmission.iq) == (None, NOW, None)
    assert [path for path in log.folder.rglob("*") if not path.name.startswith(FILE_NAME)] == []


def test_a_file_that_cannot_be_removed_stays_in_the_log(log: WatchLog, monkeypatch: Any) -> None:
    first, second = add_clip(log, 40), add_clip(log, 39)
    unlink = Path.unlink

    def refused(path: Path, missing_ok: bool = False) -> None:
        if str(path).endswith(str(entry(log, first).clip_path)):
            raise PermissionError(13, "Permission denied")
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    said = run(log, days=30)
    assert said == [
        f"{entry(log, first).clip_path} cannot be removed (Permission denied); it stays in the log",
        "removed 1 clip whose time was over",
    ]
    assert kept(log) == [first]
    assert entry(log, second).clip_path is None


def test_a_log_from_elsewhere_removes_no_file_of_this_computer(log: WatchLog, tmp_path: Path) -> None:
    add_clip(log, 40)
    victim = tmp_path / "precious.txt"
    victim.write_text("x")
    for path in (str(victim), "../precious.flac", "precious.txt", FILE_NAME):
        with log._writable() as connection:
            connection.exec_driver_sql("UPDATE transmission SET clip_path = ?", (path,))
        run(log, days=1, most_gb=1e-9)
    assert victim.exists()
    assert (log.folder / FILE_NAME).exists()


def test_a_disk_that_tells_no_room_is_one_sentence(log: WatchLog) -> None:
    def broken(folder: Path) -> int:
        raise OSError(5, "Input/output error")

    add_clip(log, 1)
    assert run(log, broken) == [f"the room on the disk of {log.folder} cannot be asked (Input/output error)"]
    assert kept(log) == [1]


@settings(max_examples=25)  # each makes a database, whose commits go to the disk
@given(
    clips=st.lists(
        st.tuples(st.integers(1, 60), st.booleans(), st.booleans(), st.integers(1, 5)), max_size=12
    ),
    days=st.none() | st.integers(1, 60),
    more_days=st.none() | st.integers(0, 30),
    most_mb=st.none() | st.integers(1, 20),
    free_mb=st.integers(0, 20),
)
def test_whatever_the_limits_nothing_protected_goes_and_no_row_is_lost(
    tmp_path_factory: pytest.TempPathFactory,
    clips: list[tuple[int, bool, bool, int]],
    days: int | None,
    more_days: int | None,
    most_mb: int | None,
    free_mb: int,
) -> None:
    flagged_days = None if more_days is None else (days or 1) + more_days
    rules = KeepRules(
        days=days,
        flagged_days=flagged_days,
        most_gb=None if most_mb is None else most_mb / 1000,
        least_free_gb=0.01,
    )
    with WatchLog.open(tmp_path_factory.mktemp("kept"), create=True) as log:
        log.begin_watch(FACTS)
        numbers = [
            add_clip(log, age + number / 1000, *(["same"] if flagged else []), megabytes=size)
            for number, (age, flagged, _, size) in enumerate(clips)
        ]
        marked = {number for number, clip in zip(numbers, clips, strict=True) if clip[2]}
        done = apply_limits(log, rules, NOW, is_marked=marked.__contains__, free_bytes=room(free_mb))
        stays = set(kept(log))
        loose_left, loose_gone = [], []
        for number, (age, flagged, mark, _) in zip(numbers, clips, strict=True):
            if mark or (flagged and (flagged_days is None or age + 0.012 < flagged_days)):
                assert number in stays
            elif not flagged:
                (loose_left if number in stays else loose_gone).append(number)
        assert not (loose_left and not done.limits_hold)  # it gives up only when nothing is left to remove
        ages = {
            number: clip[0] + place / 1000
            for place, (number, clip) in enumerate(zip(numbers, clips, strict=True))
        }
        assert (
            not loose_left
            or not loose_gone
            or min(map(ages.__getitem__, loose_gone)) > max(map(ages.__getitem__, loose_left))
        )
        assert len(list(transmissions(log))) == len(clips)
        assert done.removed == len(clips) - len(stays)
        assert json.dumps(done.sentences)
