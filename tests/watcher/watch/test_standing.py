"""The standing watch on a radio that can fail: every second in the log, and nothing heard lost."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.watcher.watch.air import BEGAN_UTC, AirRadio, Fault, PassingClock, TonesInNoise
from watcher.log.reading import gaps, transmissions, watched_spans, watches
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.plan.model import Channel, Station, WatchPlan, Window
from watcher.plan.tunings import Tuning
from watcher.plan.windows import WindowSpan
from watcher.receive.chain import ReceiveChain
from watcher.receive.records import EndedBy, GapCause
from watcher.watch.post import Post
from watcher.watch.standing import Standing, StandingWatch

RATE_HZ = 96_000
CHANNELS = tuple(
    Channel(name=name, frequency_hz=hz, mode="nfm", bandwidth_hz=12_500)
    for name, hz in (("low", 146_040_000), ("calling", 146_520_000), ("high", 147_030_000))
)
TUNINGS = tuple(
    Tuning(centre_hz=channel.frequency_hz - 20_000, channels=(channel,), spare_hz=0, warnings=())
    for channel in CHANNELS
)


@dataclass
class Rounds:
    """Five seconds on each tuning in turn, longer while somebody talks, half a minute at most."""

    tunings: int
    at: int = -1
    until_s: float = 0.0
    latest_s: float = 0.0

    def next(self, now_s: float) -> int:
        self.at = (self.at + 1) % self.tunings
        self.until_s, self.latest_s = now_s + 5.0, now_s + 30.0
        return self.at

    def settled(self, now_s: float) -> None:
        self.until_s, self.latest_s = now_s + 5.0, now_s + 30.0

    def stays(self, now_s: float, *, busy: bool) -> bool:
        if busy:
            self.until_s = max(self.until_s, now_s + 1.0)
        return now_s < min(self.until_s, self.latest_s)


@dataclass
class Run:
    """What came of a watch."""

    folder: Path
    events: list[tuple[str, dict[str, Any]]]
    radio: AirRadio
    seconds: float

    def said(self, name: str) -> list[dict[str, Any]]:
        return [facts for event, facts in self.events if event == name]


def stand(
    folder: Path,
    seconds: float,
    *,
    windows: Sequence[Window] = (),
    stations: tuple[tuple[int, float, float], ...] = (),
    faults: tuple[Fault, ...] = (),
    tunings: tuple[Tuning, ...] = TUNINGS,
    clock_steps: tuple[tuple[float, float], ...] = (),
) -> Run:
    """Stand a watch over the channels for so many seconds of its clock."""
    clock = PassingClock()
    radio = AirRadio(clock, TonesInNoise(stations), RATE_HZ, faults)
    events: list[tuple[str, dict[str, Any]]] = []
    stop = threading.Event()

    def said(name: str, **facts: Any) -> None:
        events.append((name, facts))

    def posts(plan: WatchPlan, clips: Any, account: Any) -> list[Post]:
        def chain(tuning: Tuning, facts: Any) -> ReceiveChain:
            return ReceiveChain(
                tuning.channels, facts.sample_rate_hz, facts.centre_hz, facts.anchor_utc, clips
            )

        rounds = Rounds(len(tunings))
        post = Post(
            0, radio, tunings, chooser=rounds, make_chain=chain, account=account, clock=clock, said=said
        )
        return [post]

    steps = list(clock_steps)

    def step(_: Standing) -> None:
        if steps and clock.now_s >= steps[0][0]:
            clock.step_s += steps.pop(0)[1]
        if clock.now_s >= seconds:
            stop.set()

    watch = StandingWatch(
        WatchPlan(channels=CHANNELS, station=Station(time_zone="UTC"), windows=tuple(windows)),
        folder,
        clock=clock,
        said=said,
        stop=stop,
        make_posts=posts,
    )
    watch.run(step)
    return Run(folder, events, radio, clock.now_s)


def accounted(run: Run) -> dict[str, tuple[Spans, Spans, Spans]]:
    """For each channel: the windows, what was watched, and the gaps."""
    with WatchLog.open_to_read(run.folder) as log:
        (watch,) = watches(log)
        watched = watched_spans(log)
        missed = list(gaps(log))
    windows = Spans(window.span for window in watch.windows)
    return {
        channel.name: (
            windows,
            watched.get(channel.name, Spans()),
            Spans(Span(gap.start_utc, gap.stop_utc) for gap in missed if gap.channel == channel.name),
        )
        for channel in CHANNELS
    }


def assert_every_second_is_accounted_for(run: Run) -> None:
    for name, (windows, watched, missed) in accounted(run).items():
        inside = watched & windows
        assert abs(inside.seconds + missed.seconds - windows.seconds) < 0.1, name
        assert (inside & missed).seconds < 0.1, name
        assert (watched - windows).seconds < 0.5, name  # a block more after a window's end at most


FIVE_MINUTES = Window(every_hours=1, length_minutes=4)
FAULTS = (
    Fault(at_s=150, kind="loss", seconds=0.7),
    Fault(at_s=170, kind="gone", until_s=183),
    Fault(at_s=200, kind="stall", until_s=206),
    Fault(at_s=230, kind="gone", until_s=231),
    Fault(at_s=250, kind="loss", seconds=3.2),
)


def test_a_quiet_window_is_watched_on_every_tuning_and_accounted_for(tmp_path: Path) -> None:
    run = stand(tmp_path, 420, windows=[FIVE_MINUTES])
    assert_every_second_is_accounted_for(run)
    for name, (windows, watched, _) in accounted(run).items():
        assert windows.seconds == 240, name  # from 03:00 to 03:04
        assert watched.seconds == pytest.approx(80, abs=8), name
    assert run.radio.opened == run.radio.closed == 1
    assert [facts["window"] for facts in run.said("window-opens")] == [run.said("window-closes")[0]["window"]]
    with WatchLog.open_to_read(tmp_path) as log:
        assert {gap.cause for gap in gaps(log)} <= {
            GapCause.OTHER_TUNING,
            GapCause.TUNING,
            GapCause.OPENING,
        }


def test_faults_become_gaps_with_their_cause_and_the_radio_comes_back(tmp_path: Path) -> None:
    run = stand(tmp_path, 420, windows=[FIVE_MINUTES], faults=FAULTS)
    assert_every_second_is_accounted_for(run)
    assert run.radio.opened == run.radio.closed == 4
    with WatchLog.open_to_read(tmp_path) as log:
        missed = [gap for gap in gaps(log) if gap.channel == "calling"]
    by_cause = {
        cause: sum((gap.stop_utc - gap.start_utc).total_seconds() for gap in missed if gap.cause is cause)
        for cause in GapCause
    }
    assert by_cause[GapCause.RADIO_LOST] == pytest.approx(13 + 6 + 1, abs=3 * 5)
    # Back on the air within five seconds of the radio's return.
    for fault in (each for each in FAULTS if each.kind != "loss"):
        returned = BEGAN_UTC + timedelta(seconds=fault.until_s)
        lost = [gap for gap in missed if gap.cause is GapCause.RADIO_LOST and gap.stop_utc >= returned]
        assert min(gap.stop_utc for gap in lost) - returned <= timedelta(seconds=5)
    assert all("plug it in" in facts["why"] for facts in run.said("radio-lost"))


def test_the_radio_stays_while_somebody_talks_and_nothing_heard_is_lost(tmp_path: Path) -> None:
    talks = ((146_520_000, 140.0, 152.0), (147_030_000, 200.0, 203.5))
    run = stand(tmp_path, 420, windows=[FIVE_MINUTES], stations=talks)
    assert_every_second_is_accounted_for(run)
    with WatchLog.open_to_read(tmp_path) as log:
        heard = list(transmissions(log))
    assert heard, "a station that talks for twelve seconds is met by a round of fifteen"
    longest = max(heard, key=lambda one: one.transmission.seconds).transmission
    assert longest.channel == "calling"
    assert longest.end_utc == pytest.approx(BEGAN_UTC + timedelta(seconds=152), abs=timedelta(seconds=0.05))
    assert all((tmp_path / str(one.clip_path)).is_file() for one in heard)


def test_a_stuck_carrier_does_not_hold_the_radio(tmp_path: Path) -> None:
    run = stand(tmp_path, 420, windows=[FIVE_MINUTES], stations=((146_520_000, 0.0, 1000.0),))
    assert_every_second_is_accounted_for(run)
    _, watched, _ = accounted(run)["high"]
    assert watched.seconds > 20
    with WatchLog.open_to_read(tmp_path) as log:
        ended = {one.transmission.ended_by for one in transmissions(log)}
    assert EndedBy.RETUNED in ended


def test_a_start_in_the_middle_of_a_window_joins_late_and_says_so(tmp_path: Path) -> None:
    run = stand(tmp_path, 30, windows=[Window(every_hours=1, length_minutes=10, lead_minutes=5)])
    (opened,) = run.said("window-opens")
    assert opened["joined_late_s"] == pytest.approx(180, abs=1)  # 02:55 was the lead's beginning
    assert_every_second_is_accounted_for(run)
    with WatchLog.open_to_read(tmp_path) as log:
        assert GapCause.NOT_BEGUN in {gap.cause for gap in gaps(log)}


def test_a_clock_that_is_set_forward_is_a_gap_of_its_own(tmp_path: Path) -> None:
    run = stand(tmp_path, 420, windows=[FIVE_MINUTES], clock_steps=((180.0, 40.0),))
    assert_every_second_is_accounted_for(run)
    with WatchLog.open_to_read(tmp_path) as log:
        missed = [gap for gap in gaps(log) if gap.cause is GapCause.CLOCK_SET]
    assert missed
    assert max((gap.stop_utc - gap.start_utc).total_seconds() for gap in missed) == pytest.approx(40, abs=1.5)
    # The window closes by the clock on the wall, so 40 s of it never came.
    assert run.said("window-closes")


def test_a_clock_that_is_set_back_loses_nothing(tmp_path: Path) -> None:
    run = stand(tmp_path, 460, windows=[FIVE_MINUTES], clock_steps=((200.0, -30.0),))
    assert len(run.said("window-opens")) == len(run.said("window-closes")) == 1
    assert run.radio.opened == run.radio.closed == 1
    for name, (windows, watched, missed) in accounted(run).items():
        assert ((watched | missed) & windows).seconds == pytest.approx(windows.seconds, abs=0.1), name


def test_what_is_heard_as_the_call_for_help_keeps_the_watch_open(tmp_path: Path) -> None:
    """An extra window beside the plan's own is stood and logged with its reason."""
    clock = PassingClock()
    radio = AirRadio(clock, TonesInNoise(()), RATE_HZ)
    stop = threading.Event()
    extra = WindowSpan(BEGAN_UTC + timedelta(seconds=10), BEGAN_UTC + timedelta(seconds=40), "follow-up")

    def posts(plan: WatchPlan, clips: Any, account: Any) -> list[Post]:
        def chain(tuning: Tuning, facts: Any) -> ReceiveChain:
            rate_hz, centre_hz = facts.sample_rate_hz, facts.centre_hz
            return ReceiveChain(tuning.channels, rate_hz, centre_hz, facts.anchor_utc, clips)

        more = {"account": account, "clock": clock, "said": lambda *_, **__: None}
        return [Post(0, radio, TUNINGS[:1], chooser=Rounds(1), make_chain=chain, **more)]

    watch = StandingWatch(
        WatchPlan(channels=CHANNELS, windows=(FIVE_MINUTES,)),
        tmp_path,
        clock=clock,
        said=lambda *_, **__: None,
        stop=stop,
        make_posts=posts,
        extra_windows=lambda _: [(extra, "kept open after the call on calling")],
    )
    watch.run(lambda _: stop.set() if clock.now_s > 60 else None)
    with WatchLog.open_to_read(tmp_path) as log:
        (stood,) = watches(log)
        watched = watched_spans(log)["low"]
    assert [(one.name, one.reason) for one in stood.windows] == [
        ("follow-up", "kept open after the call on calling")
    ]
    assert watched.seconds == pytest.approx(30, abs=1.5)


def test_between_windows_the_radio_is_closed_and_little_is_done(tmp_path: Path) -> None:
    steps = 0

    def count(name: str, **_: Any) -> None:
        nonlocal steps
        steps += name == "step"

    run = stand(tmp_path, 100, windows=[FIVE_MINUTES])  # 02:58 to 02:59:40: no window is open
    assert run.radio.opened == 0
    assert run.said("window-opens") == []
    assert accounted(run)["low"][0].seconds == 0
