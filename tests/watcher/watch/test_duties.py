"""What the standing watch does beside hearing, and that none of it can hold it up."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from tests.watcher.watch.air import BEGAN_UTC, PassingClock
from watcher.plan.duties import Alert
from watcher.plan.model import Channel, Station, WatchPlan, Window
from watcher.plan.stay_rules import FollowUpRules
from watcher.plan.windows import WindowSpan
from watcher.receive.records import EndedBy, Finding, Kind, KindReading, Sign, Transmission
from watcher.watch.duties import Duties, calls_for_help
from watcher.watch.post import Counts, Post
from watcher.watch.standing import Standing
from watcher.watch.status import FILE_NAME

CALLING = Channel(
    name="calling", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500, calling=True, priority=1
)
CHAT = Channel(name="chat", frequency_hz=146_580_000, mode="nfm", bandwidth_hz=12_500)
PLAN = WatchPlan(
    channels=(CALLING, CHAT),
    station=Station(time_zone="UTC"),
    windows=(Window(every_hours=3, length_minutes=5),),
    follow_up=FollowUpRules(quiet_minutes=4, hours=2),
)


def heard(channel: Channel, at_s: float, **more: Any) -> Transmission:
    start = BEGAN_UTC + timedelta(seconds=at_s)
    return Transmission(
        channel=channel.name,
        frequency_hz=channel.frequency_hz,
        mode=channel.mode,
        start_sample=0,
        stop_sample=1,
        start_utc=start,
        end_utc=start + timedelta(seconds=5),
        clip_start_utc=start,
        clip_end_utc=start + timedelta(seconds=5),
        ended_by=EndedBy.CARRIER_DROP,
        **more,
    )


@pytest.fixture
def clock() -> PassingClock:
    return PassingClock()


@pytest.fixture
def events() -> list[tuple[str, dict[str, Any]]]:
    return []


@pytest.fixture
def duties(tmp_path: Path, clock: PassingClock, events: list[tuple[str, dict[str, Any]]]) -> Iterator[Duties]:
    made = Duties(PLAN, tmp_path, clock=clock, said=lambda name, **facts: events.append((name, facts)))
    yield made
    made.close(is_over=True)


def test_what_ranks_as_a_call_for_help() -> None:
    calling = {"calling"}
    assert calls_for_help(heard(CHAT, 0, flags=("long-tone",)), calling)
    assert calls_for_help(heard(CHAT, 0, flags=("beacon",)), calling)
    assert calls_for_help(heard(CALLING, 0, kind=KindReading(Kind.VOICE, 0.9)), calling)
    assert calls_for_help(heard(CALLING, 0), calling)
    assert not calls_for_help(heard(CALLING, 0, kind=KindReading(Kind.DATA, 0.9)), calling)
    assert not calls_for_help(heard(CHAT, 0, flags=("same",)), calling)


def test_a_call_for_help_opens_windows_and_a_chat_does_not(duties: Duties, events: list[Any]) -> None:
    duties.take([heard(CHAT, 30)])
    assert list(duties.extra_windows(BEGAN_UTC)) == []
    duties.take([heard(CALLING, 60)])
    extra = list(duties.extra_windows(BEGAN_UTC))
    # 02:59 until four quiet minutes have passed, less what the window at 03:00 takes, then two hours' tops.
    assert (extra[0][0].start_utc - BEGAN_UTC).total_seconds() == 60
    assert all("call on calling" in why for _, why in extra)
    assert f"{extra[-1][0].start_utc:%H:%M}" == "03:58"  # two minutes before the second hour after the call
    assert [name for name, _ in events] == ["follow-up"]


def test_who_is_to_be_told_is_told_at_the_step_in_which_a_call_raises_its_flag(
    tmp_path: Path, clock: PassingClock
) -> None:
    class CallingPost:
        counts, tuning, reached_utc, noise_floor_dbfs, is_up = Counts(), None, None, None, True
        flagged_on_air = (
            heard(CHAT, 30, flags=("long-tone",), findings=(Finding(Sign.LONG_TONE, 0, 4, "0", "zero"),)),
        )

    script = tmp_path / "told.py"
    script.write_text(f"import sys; open({str(tmp_path / 'told')!r}, 'a').write(sys.stdin.read())\n")
    plan = PLAN.model_copy(update={"alerts": (Alert(command=(sys.executable, str(script))),)})
    told = Duties(plan, tmp_path, clock=clock, said=lambda *_, **__: None)
    state = Standing(posts=[cast("Post", CallingPost())])
    told.step(state)
    told.step(state)
    told.close(is_over=True)
    assert (tmp_path / "told").read_text().count("still on the air after 5 s") == 1


def test_status_is_written_and_says_how_the_watch_ended(
    duties: Duties, clock: PassingClock, tmp_path: Path
) -> None:
    window = WindowSpan(BEGAN_UTC, BEGAN_UTC + timedelta(minutes=5), "every 3 hours")
    duties.step(Standing(window=window))
    said = json.loads((tmp_path / FILE_NAME).read_text())
    assert said["window"] == "every 3 hours" and said["ended_utc"] is None
    duties.close(is_over=True)
    said = json.loads((tmp_path / FILE_NAME).read_text())
    assert said["window"] is None and said["ended_utc"] is not None


def test_a_status_that_cannot_be_written_is_said_and_no_more(
    duties: Duties, events: list[Any], tmp_path: Path
) -> None:
    (tmp_path / FILE_NAME).mkdir()
    duties.step(Standing())
    assert ("status" in {name for name, _ in events}) or (tmp_path / FILE_NAME).is_dir()


def test_live_audio_without_a_loudspeaker_goes_nowhere(duties: Duties) -> None:
    duties.hear(CALLING, np.ones(160, np.int16))


def test_the_hourly_limits_are_kept_and_the_daily_report_is_written(
    duties: Duties, events: list[Any], tmp_path: Path
) -> None:
    """The jobs themselves: that APScheduler runs them at their hour is its own affair."""
    from watcher.log import WatchFacts, WatchLog

    with WatchLog.open(tmp_path, create=True) as log:
        log.begin_watch(WatchFacts(BEGAN_UTC, "radio", "", "", "0"))
    assert {job.id for job in duties._jobs.get_jobs()} == {"report", "keep"}
    duties._job("keep", duties._retain)
    duties._job("report", duties._report)
    assert "report" in {name for name, _ in events}
