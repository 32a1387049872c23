"""Calls for help that could not be told survive the program, and are told by the next watch."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.watcher.watch.air import BEGAN_UTC, PassingClock
from watcher.log.facts import WatchFacts
from watcher.log.writing import WatchLog
from watcher.plan.duties import Alert
from watcher.plan.model import Channel, Station, WatchPlan
from watcher.receive.records import EndedBy, Finding, Sign, Transmission
from watcher.watch.alerts import Alerts
from watcher.watch.alerts_left import FILE_NAME, Left, left_in_log, read_left, write_left
from watcher.watch.clock import SystemClock
from watcher.watch.duties import Duties
from watcher.watch.standing import Standing

CHANNEL = Channel(name="calling", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500)
CALL = Transmission(
    "calling",
    146_520_000,
    "nfm",
    0,
    1,
    BEGAN_UTC,
    BEGAN_UTC + timedelta(seconds=9),
    BEGAN_UTC,
    BEGAN_UTC + timedelta(seconds=9),
    EndedBy.CARRIER_DROP,
    findings=(Finding(Sign.LONG_TONE, 1.0, 6.0, "0", "zero held for 5.0 s"),),
    flags=("long-tone",),
)
LEFT = Left("alert 1 (command python)", "calling", BEGAN_UTC, ("long-tone",))


def plan(code: str, tmp_path: Path) -> WatchPlan:
    """A plan whose only alert runs this code."""
    script = tmp_path / f"tell-{len(list(tmp_path.glob('tell-*')))}.py"
    script.write_text(code + "\n")
    return WatchPlan(
        channels=(CHANNEL,),
        station=Station(time_zone="UTC"),
        alerts=(Alert(command=(sys.executable, str(script))),),
    )


def logged(folder: Path, heard: Transmission = CALL) -> None:
    with WatchLog.open(folder, create=True) as log, log.unit():
        log.add_transmission(log.begin_watch(WatchFacts(BEGAN_UTC, "here", "", "", "test")), heard, None)


def until(true: Callable[[], bool]) -> None:
    limit = time.monotonic() + 20
    while not true():
        assert time.monotonic() < limit
        time.sleep(0.01)


def test_what_waits_is_read_as_it_was_written(tmp_path: Path) -> None:
    write_left(tmp_path, [LEFT])
    assert read_left(tmp_path) == [LEFT]
    write_left(tmp_path, [])
    assert not (tmp_path / FILE_NAME).exists() and read_left(tmp_path) == []


@pytest.mark.parametrize(
    "content", ["", "[{}]", '{"a": 1}', '[{"alert": "a", "channel": "b", "start_utc": 3, "flags": []}]']
)
def test_a_damaged_file_says_nothing(tmp_path: Path, content: str) -> None:
    (tmp_path / FILE_NAME).write_text(content)
    assert read_left(tmp_path) == []


def test_the_log_says_what_was_meant(tmp_path: Path) -> None:
    logged(tmp_path)
    later = Left("alert 2 (json)", "calling", BEGAN_UTC + timedelta(seconds=0.4), ())
    other = Left("alert 1 (json)", "calling", BEGAN_UTC + timedelta(hours=1), ())
    ((entry, labels),) = left_in_log(tmp_path, [LEFT, later, other])
    assert entry.transmission.flags == ("long-tone",)
    assert labels == [LEFT.alert, later.alert]
    assert list(left_in_log(tmp_path / "nowhere", [LEFT])) == []


def test_a_call_that_could_not_be_told_before_a_kill_is_told_by_the_next_watch(tmp_path: Path) -> None:
    def said(*_: object, **__: object) -> None:
        pass

    failing = Duties(plan("raise SystemExit(1)", tmp_path), tmp_path, clock=SystemClock(), said=said)
    logged(tmp_path)
    failing.take([CALL])
    until((tmp_path / FILE_NAME).exists)
    # Killed here: nothing is closed. The next watch can tell.
    heard = tmp_path / "heard"
    works = plan(f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read())", tmp_path)
    working = Duties(works, tmp_path, clock=SystemClock(), said=said)
    working.step(Standing())
    until(lambda: not (tmp_path / FILE_NAME).exists())
    working.step(Standing())
    working.close(is_over=True)
    assert heard.read_text().count("zero held for 5.0 s") == 1
    failing.close(is_over=True)


def test_a_call_cut_short_by_a_kill_keeps_the_flag_that_it_had_raised(tmp_path: Path) -> None:
    """The clip is recovered; the decoders' findings died with the program."""
    logged(tmp_path, replace(CALL, flags=(), findings=()))
    write_left(tmp_path, [LEFT])
    heard = tmp_path / "heard"
    works = plan(f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read())", tmp_path)
    duties = Duties(works, tmp_path, clock=SystemClock(), said=lambda *_, **__: None)
    duties.step(Standing())
    until(lambda: not (tmp_path / FILE_NAME).exists())
    duties.close(is_over=True)
    assert "Heard: a key tone (zero) held three seconds or more" in heard.read_text()


def test_a_folder_that_cannot_be_written_is_told_once_and_tried_again(tmp_path: Path) -> None:
    told, kept = 0, []

    def keep(waiting: Sequence[Left]) -> None:
        nonlocal told
        told += 1
        if told < 3:
            raise OSError(28, "No space left on device")
        kept.append(tuple(waiting))

    settings = [Alert(command=(str(tmp_path / "nothing"),))]
    alerts = Alerts(settings, ZoneInfo("UTC"), None, PassingClock(), keep=keep, start=False)
    alerts.consider(CALL, None)
    for _ in range(3):
        alerts.run_due()
    assert sum("cannot be remembered" in problem for problem in alerts.problems) == 1
    assert [one.channel for one in kept[0]] == ["calling"]


def test_what_is_told_at_once_is_not_left_on_the_disk(tmp_path: Path) -> None:
    """It is told in the very turn in which it is reminded of: between what is kept before and after."""
    kept: list[tuple[Left, ...]] = []
    alerts = Alerts(
        [Alert(command=(sys.executable, "-c", ""))],
        ZoneInfo("UTC"),
        None,
        PassingClock(),
        keep=lambda waiting: kept.append(tuple(waiting)),
        start=False,
    )
    run = alerts._run_route

    def reminded_late(route: Any) -> float | None:
        if not kept:
            alerts.remind(CALL, None, [])
        return run(route)

    with pytest.MonkeyPatch.context() as change:
        change.setattr(alerts, "_run_route", reminded_late)
        alerts.run_due()
    assert alerts.counts.sent == 1 and kept[-1] == ()


def test_what_the_log_does_not_know_is_forgotten(tmp_path: Path) -> None:
    write_left(tmp_path, [LEFT])
    duties = Duties(plan("", tmp_path), tmp_path, clock=SystemClock(), said=lambda *_, **__: None)
    duties.step(Standing())
    assert not (tmp_path / FILE_NAME).exists()
    duties.close(is_over=True)
