"""Calls for help that could not be told survive the program, and are told by the next watch."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from tests.watcher.watch.air import BEGAN_UTC, PassingClock
from watcher.log.facts import WatchFacts
from watcher.log.writing import WatchLog
from watcher.plan.duties import Alert
from watcher.plan.model import Channel, Station, WatchPlan
from watcher.receive.records import EndedBy, Finding, Sign, Transmission
from watcher.watch.alerts_left import FILE_NAME, Left, left_in_log, read_left, write_left
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
LEFT = Left("alert 1 (command python)", "calling", BEGAN_UTC)


def plan(code: str, tmp_path: Path) -> WatchPlan:
    """A plan whose only alert runs this code."""
    script = tmp_path / f"tell-{len(list(tmp_path.glob('tell-*')))}.py"
    script.write_text(code + "\n")
    return WatchPlan(
        channels=(CHANNEL,),
        station=Station(time_zone="UTC"),
        alerts=(Alert(command=(sys.executable, str(script))),),
    )


def logged(folder: Path) -> None:
    with WatchLog.open(folder, create=True) as log, log.unit():
        log.add_transmission(log.begin_watch(WatchFacts(BEGAN_UTC, "here", "", "", "test")), CALL, None)


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
    "content", ["", "[{}]", '{"a": 1}', '[{"alert": "a", "channel": "b", "start_utc": 3}]']
)
def test_a_damaged_file_says_nothing(tmp_path: Path, content: str) -> None:
    (tmp_path / FILE_NAME).write_text(content)
    assert read_left(tmp_path) == []


def test_the_log_says_what_was_meant(tmp_path: Path) -> None:
    logged(tmp_path)
    later = Left("alert 2 (json)", "calling", BEGAN_UTC + timedelta(seconds=0.4))
    other = Left("alert 1 (json)", "calling", BEGAN_UTC + timedelta(hours=1))
    ((entry, labels),) = left_in_log(tmp_path, [LEFT, later, other])
    assert entry.transmission.flags == ("long-tone",)
    assert labels == [LEFT.alert, later.alert]
    assert list(left_in_log(tmp_path / "nowhere", [LEFT])) == []


def test_a_call_that_could_not_be_told_before_a_kill_is_told_by_the_next_watch(tmp_path: Path) -> None:
    def said(*_: object, **__: object) -> None:
        pass

    failing = Duties(plan("raise SystemExit(1)", tmp_path), tmp_path, clock=PassingClock(), said=said)
    logged(tmp_path)
    failing.take([CALL])
    until((tmp_path / FILE_NAME).exists)
    # Killed here: nothing is closed. The next watch can tell.
    heard = tmp_path / "heard"
    works = plan(f"import sys; open({str(heard)!r}, 'a').write(sys.stdin.read())", tmp_path)
    working = Duties(works, tmp_path, clock=PassingClock(), said=said)
    working.step(Standing())
    until(lambda: not (tmp_path / FILE_NAME).exists())
    working.step(Standing())
    working.close(is_over=True)
    assert heard.read_text().count("zero held for 5.0 s") == 1
    failing.close(is_over=True)


def test_what_the_log_does_not_know_is_forgotten(tmp_path: Path) -> None:
    write_left(tmp_path, [LEFT])
    duties = Duties(plan("", tmp_path), tmp_path, clock=PassingClock(), said=lambda *_, **__: None)
    duties.step(Standing())
    assert not (tmp_path / FILE_NAME).exists()
    duties.close(is_over=True)
