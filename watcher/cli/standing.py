"""The commands of the live watch: `stand`, and `alerts` and `attend` beside it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Annotated

import numpy as np
import typer
from numpy.typing import NDArray

from watcher.cli.terminal import PlanFile, Quiet, StopOnSignal, app, out, say_warnings
from watcher.errors import PlanError, StorageError, UsageProblem
from watcher.plan.model import Channel, WatchPlan
from watcher.plan.reading import read_plan
from watcher.plan.windows import WindowSpan, next_opening, open_at
from watcher.receive.chain import Record
from watcher.receive.clips import ClipStore
from watcher.receive.receive_rules import ReceiveRules
from watcher.report import read_summary, save_report
from watcher.watch.alerts import Alerts
from watcher.watch.clock import SystemClock
from watcher.watch.cue_card import card
from watcher.watch.duties import Duties
from watcher.watch.log_lines import LineLog
from watcher.watch.post import Post, Said
from watcher.watch.posts import posts_of, shares_of
from watcher.watch.standing import Standing, StandingWatch
from watcher.watch.time_account import TimeAccount

ALERT_FAILED = 5  # exit code: an alert could not be sent


@app.command()
def stand(
    plan_file: PlanFile,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Where the clips and the log go; else the plan says."),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Stand the watch on the plan's radios until it is stopped; SIGHUP reads the plan anew."""
    plan = read_plan(plan_file)
    folder = into or plan.station.storage
    if folder is None:
        raise UsageProblem("there is no folder for the watch: give --into FOLDER, or storage in [station]")
    say_warnings(plan.warnings, quiet)
    shares_of(plan)  # what no radio can do is told before anything is begun
    _Watchkeeper(plan, plan_file, folder, quiet).run()


@app.command()
def alerts(plan_file: PlanFile) -> None:
    """Send every alert of a plan a test message, and say what became of each."""
    plan = read_plan(plan_file)
    if not plan.alerts:
        raise UsageProblem(f"{plan_file.name} has no [[alert]] table; there is nobody to tell")
    clock = SystemClock()
    outbox = Alerts(plan.alerts, plan.station.zone, plan.station.name, clock, start=False)
    trials = outbox.send_test()
    for trial in trials:
        out.print(f"{trial.label}: {'sent' if trial.problem is None else trial.problem}", markup=False)
    if any(trial.problem for trial in trials):
        raise typer.Exit(ALERT_FAILED)


@app.command()
def attend(plan_file: PlanFile) -> None:
    """Show the cue card of the open window to the person at the radio, until it closes."""
    plan = read_plan(plan_file)
    clock, never = SystemClock(), threading.Event()
    zone = plan.station.zone
    with StopOnSignal() as stop_wanted:
        while not stop_wanted():
            now = clock.utc()
            open_now = open_at(plan.windows, zone, now)
            window = open_now[0] if open_now else next_opening(plan.windows, zone, now)
            if window is None:
                raise UsageProblem(f"{plan_file.name} has no window that will open")
            out.clear()
            for line in card(window.start_utc, window.stop_utc - window.start_utc, now):
                out.print(line, markup=False)
            clock.wait(never, 1.0)


class _Watchkeeper:
    """A standing watch with its duties, its signals, and its plan read anew."""

    def __init__(self, plan: WatchPlan, plan_file: Path, folder: Path, quiet: bool) -> None:
        self._plan_file = plan_file
        self._folder = folder
        self._clock = SystemClock()
        lines = LineLog(self._clock.utc)
        self._said: Said = _silence if quiet else lines.event
        self._stop = threading.Event()
        self._reload = threading.Event()
        self._duties = self._duties_of(plan)
        self._watch = StandingWatch(
            plan,
            folder,
            clock=self._clock,
            said=self._said,
            stop=self._stop,
            listeners=[self._take],
            extra_windows=self._extra_windows,
            make_posts=self._posts,
        )

    def run(self) -> None:
        """Until it is stopped."""
        before = {
            number: signal.signal(number, self._on_signal)
            for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
        }
        try:
            self._duties.ready()
            self._watch.run(self._after_step)
        finally:
            self._duties.close(is_over=True)
            for number, handler in before.items():
                signal.signal(number, handler)

    def _on_signal(self, number: int, _: FrameType | None) -> None:
        (self._reload if number == signal.SIGHUP else self._stop).set()

    def _after_step(self, state: Standing) -> None:
        self._duties.step(state)
        if self._reload.is_set():
            self._reload.clear()
            self._read_anew()

    def _read_anew(self) -> None:
        """Another plan takes over where it is sound; a bad one is refused and the old one kept."""
        try:
            plan = read_plan(self._plan_file)
            shares_of(plan)
        except (PlanError, StorageError) as failure:
            self._said("plan-refused", why=str(failure))
            return
        self._duties.reloading()
        self._duties.close(is_over=False)
        self._duties = self._duties_of(plan)
        self._watch.change_plan(plan)
        self._said("plan-read", channels=len(plan.channels))
        self._duties.ready()

    def _duties_of(self, plan: WatchPlan) -> Duties:
        return Duties(plan, self._folder, clock=self._clock, said=self._said, write_report=_write_report)

    # The duties change with the plan; the watch keeps asking these.
    def _take(self, records: Sequence[Record]) -> None:
        self._duties.take(records)

    def _extra_windows(self, now: datetime) -> Sequence[tuple[WindowSpan, str]]:
        return self._duties.extra_windows(now)

    def _hear(self, channel: Channel, audio: NDArray[np.int16]) -> None:
        self._duties.hear(channel, audio)

    def _posts(self, plan: WatchPlan, clips: ClipStore, account: TimeAccount) -> list[Post]:
        rules = ReceiveRules.of(plan, hear=self._hear)
        return posts_of(plan, clips, account=account, clock=self._clock, said=self._said, rules=rules)


def _silence(*_: object, **__: object) -> None:
    """`--quiet`: events go nowhere."""


def _write_report(folder: Path) -> None:
    save_report(read_summary(folder), folder)
