"""Stand the watch on live radios: windows opened and closed, radios kept going, everything in the log.

One loop does it all, a step at a time. What must be open now is asked anew at every step, so a start in the
middle of a window, a clock that steps and a machine that wakes up take the same path as an ordinary opening.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from watcher.errors import StorageError
from watcher.log.facts import WatchEnd, WatchEndedBy, WatchFacts
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.plan.model import WatchPlan
from watcher.plan.windows import WindowSpan, next_opening, open_at
from watcher.receive.chain import Record
from watcher.receive.clips import ClipStore
from watcher.receive.records import EndedBy
from watcher.shipped import program
from watcher.watch.clock import Clock
from watcher.watch.keeping import LogKeeper, recover_left_behind
from watcher.watch.post import Post, Said
from watcher.watch.time_account import TimeAccount

IDLE_STEP_S = 1.0  # between windows: a step costs microseconds
SETTLE_EVERY = timedelta(seconds=20)  # how often time not watched is written: what a kill leaves unexplained
ENDLESS = timedelta(hours=20)  # a window so long is a day of a continuous watch; the shortest day has 23
SANE_YEAR = 2024  # before that the system clock has not been set yet
CLOCK_WAIT_S = 5.0

Listener = Callable[[Sequence[Record]], None]
"""Told every batch of records once it is in the log: alerts, live figures."""


@dataclass(slots=True)
class Standing:
    """How the watch stands, for the status and for tests."""

    window: WindowSpan | None = None
    next_window: WindowSpan | None = None
    posts: list[Post] = field(default_factory=list)
    heard: int = 0


class StandingWatch:
    """The watch of one plan, until it is stopped.

    Parameters
    ----------
    plan : WatchPlan
    folder : Path
    clock : Clock
    said : callable
        Where events go.
    stop : threading.Event
        Set when the watch is to end; open clips are finished.
    make_posts : callable
        The posts of a plan, once its clips and its account of time are open.
    listeners : sequence of callable
        Told what is in the log.
    extra_windows : callable
        Windows beside the plan's, with their reason, that may be open around an instant.

    Raises
    ------
    StorageError
        The folder cannot be used.
    """

    def __init__(
        self,
        plan: WatchPlan,
        folder: Path,
        *,
        clock: Clock,
        said: Said,
        stop: threading.Event,
        make_posts: Callable[[WatchPlan, ClipStore, TimeAccount], list[Post]],
        listeners: Sequence[Listener] = (),
        extra_windows: Callable[[datetime], Sequence[tuple[WindowSpan, str]]] = lambda _: (),
    ) -> None:
        self.state = Standing()
        self._plan = plan
        self._folder = folder
        self._clock = clock
        self._said = said
        self._stop = stop
        self._listeners = tuple(listeners)
        self._extra_windows = extra_windows
        self._make_posts = make_posts
        self._window_rows: dict[
            tuple[datetime, str], tuple[int, datetime]
        ] = {}  # by start and name: row and stop
        self._opened: list[Span] = []  # windows since the last settling
        self._new_plan: WatchPlan | None = None

    def change_plan(self, plan: WatchPlan) -> None:
        """Go on with another plan from the next step on; may be called from anywhere."""
        self._new_plan = plan

    def run(self, step_done: Callable[[Standing], None] = lambda _: None) -> None:
        """Stand the watch until it is stopped; `step_done` is told the state after every step."""
        self._wait_for_clock()
        with (
            ClipStore(self._folder, program=program()) as clips,
            WatchLog.open(self._folder, create=True) as log,
        ):
            recovered = recover_left_behind(clips, log)
            if recovered:
                self._said("recovered", clips=recovered)
            while not self._stop.is_set():
                self._stand_plan(clips, log, step_done)

    def _stand_plan(self, clips: ClipStore, log: WatchLog, step_done: Callable[[Standing], None]) -> None:
        """Stand the present plan until it is changed or the watch is stopped."""
        plan, self._new_plan = self._new_plan or self._plan, None
        self._plan = plan
        begun_utc = self._clock.utc()
        watch_id = log.begin_watch(_facts(plan, begun_utc))
        self._keeper = LogKeeper(log, clips, watch_id)
        self._account = TimeAccount([channel.name for channel in plan.channels], begun_utc)
        self.state.posts = self._make_posts(plan, clips, self._account)
        self._log, self._watch_id = log, watch_id
        self._window_rows, self._opened = {}, []
        self._settled_utc = self._begun_utc = begun_utc
        self._said("watch-begins", channels=len(plan.channels), radios=len(self.state.posts))
        ended_by = WatchEndedBy.FAILED
        try:
            while not self._stop.is_set() and self._new_plan is None:
                self._step()
                step_done(self.state)
            ended_by = WatchEndedBy.STOPPED
        finally:
            self._close_window(EndedBy.STOPPED)
            counts = [post.counts for post in self.state.posts]
            end = WatchEnd(
                self._clock.utc(),
                ended_by,
                sum(each.samples for each in counts),
                sum(each.lost for each in counts),
                sum(each.clipped for each in counts),
            )
            log.end_watch(watch_id, end)
            self._said("watch-ends", heard=self.state.heard, by=ended_by.value)

    def _step(self) -> None:
        now = self._clock.utc()
        windows = [(span, "") for span in open_at(self._plan.windows, self._plan.station.zone, now)]
        windows += [
            (span, why) for span, why in self._extra_windows(now) if span.start_utc <= now < span.stop_utc
        ]
        if not windows:
            if self.state.window is not None:
                self._close_window(EndedBy.WINDOW_CLOSED)
            following = next_opening(self._plan.windows, self._plan.station.zone, now)
            self.state.next_window = following
            wait_s = IDLE_STEP_S
            if following is not None:
                wait_s = min(wait_s, (following.start_utc - now).total_seconds())
            self._clock.wait(self._stop, max(wait_s, 0.01))
            return
        latest = max((span for span, _ in windows), key=lambda span: span.stop_utc)
        if self.state.window is None:
            self._open_window(latest, now)
        self.state.window = latest
        self._log_windows(windows)
        for post in self.state.posts:
            self._commit(post.stand())
        if not self.state.posts:
            self._clock.wait(self._stop, IDLE_STEP_S)
        if now - self._settled_utc >= SETTLE_EVERY:
            self._settle(now)

    def _open_window(self, window: WindowSpan, now: datetime) -> None:
        self.state.window = window
        late_s = (now - window.start_utc).total_seconds()
        self._said("window-opens", window=window.name, until=window.stop_utc, joined_late_s=round(late_s, 1))
        for post in self.state.posts:
            post.take_post()

    def _log_windows(self, windows: Sequence[tuple[WindowSpan, str]]) -> None:
        """Every window that is open has its row, with its end as it is known now."""
        for span, why in windows:
            key = span.start_utc, span.name
            row = self._window_rows.get(key)
            if row is None:
                # A watch without an end has no beginning that could be missed but its own.
                is_endless = span.stop_utc - span.start_utc >= ENDLESS
                since = max(span.start_utc, self._begun_utc) if is_endless else span.start_utc
                whole = Span(since, span.stop_utc)
                self._window_rows[key] = (
                    self._log.add_window(self._watch_id, whole, span.name, why),
                    span.stop_utc,
                )
                self._opened.append(whole)
            elif span.stop_utc > row[1]:
                self._log.move_window_end(row[0], span.stop_utc)
                self._window_rows[key] = (row[0], span.stop_utc)
                self._opened.append(Span(span.start_utc, span.stop_utc))

    def _close_window(self, ended_by: EndedBy) -> None:
        now = self._clock.utc()
        for post in self.state.posts:
            try:
                self._commit(post.stand_down(ended_by))
            except StorageError as failure:
                self._said("storage-failed", why=str(failure))
        if self.state.window is not None:
            for (start, _), (row, stop) in self._window_rows.items():
                if stop > now:  # the watch ends before the window does
                    self._log.move_window_end(row, max(start, now))
            self._settle(now)
            self._said("window-closes", window=self.state.window.name, heard=self.state.heard)
        self.state.window = None

    def _settle(self, now: datetime) -> None:
        """Write what was not watched, up to where every radio on the air has told what it did."""
        told = [post.told_utc for post in self.state.posts if post.told_utc is not None]
        until = min([now, *told])
        if until <= self._settled_utc:
            return
        gaps = self._account.settle(Spans(self._opened), until)
        self._commit(gaps)
        self._settled_utc = until
        self._opened = [span for span in self._opened if span.stop_utc > until]

    def _commit(self, records: Sequence[Record]) -> None:
        if not records:
            return
        self._keeper.commit(records)
        self.state.heard = self._keeper.heard
        for listener in self._listeners:
            listener(records)

    def _wait_for_clock(self) -> None:
        """A machine that has just started may not know the time; what it would write then is worthless."""
        told = False
        while self._clock.utc().year < SANE_YEAR and not self._stop.is_set():
            if not told:
                self._said("clock-not-set", now=self._clock.utc())
                told = True
            self._clock.wait(self._stop, CLOCK_WAIT_S)


def _facts(plan: WatchPlan, begun_utc: datetime) -> WatchFacts:
    radios = ", ".join(radio.kind or "radio" for radio in plan.radios)
    return WatchFacts(
        started_utc=begun_utc,
        source_label=radios or "no radio",
        plan_text=plan.text,
        plan_sha256=plan.digest,
        program_version=program(),
        channels=plan.channels,
        stretches=(),
        station=plan.station.name,
        time_zone=plan.station.time_zone,
        notes="",
    )
