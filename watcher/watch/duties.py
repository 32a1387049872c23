"""What the standing watch does beside hearing: alerts, follow-up, health, live audio, retention, the report.

None of it may hold up the watch: whatever fails is said, and the watch goes on.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from numpy.typing import NDArray

from watcher.errors import MidwatchError
from watcher.log.retention import apply_limits
from watcher.log.writing import WatchLog
from watcher.plan.follow_up import ExtraSpan, Heard, follow_up_spans
from watcher.plan.model import Channel, WatchPlan
from watcher.plan.windows import WindowSpan
from watcher.receive.chain import Record
from watcher.receive.records import BEACON, LONG_TONE, Clip, Kind, Transmission
from watcher.watch.alerts import Alerts
from watcher.watch.alerts_left import left_in_log, read_left, write_left
from watcher.watch.clock import Clock
from watcher.watch.health import Health, prometheus_text
from watcher.watch.health_endpoint import HealthEndpoint
from watcher.watch.listening import Listening
from watcher.watch.post import Said
from watcher.watch.service import ServiceNotices
from watcher.watch.standing import Standing
from watcher.watch.status import WRITE_EVERY_S, write_status

CALLS_FOR_HELP = frozenset({LONG_TONE, BEACON})
REMEMBERED = timedelta(hours=49)  # of what was heard: as far as a follow-up reaches
LIVE_GAIN = 3.0  # of live audio: the rated deviation of a narrow channel then fills half the scale
ALERTS_CLOSE_S = 5.0


class Duties:
    """The duties of one plan.

    Parameters
    ----------
    plan : WatchPlan
    folder : Path
    clock : Clock
    said : callable
        Where events go.
    write_report : callable
        Writes the activity report of a folder and a day; given in, because reports lie beside this room.
    """

    def __init__(
        self,
        plan: WatchPlan,
        folder: Path,
        *,
        clock: Clock,
        said: Said,
        write_report: Callable[[Path], None] = lambda _: None,
    ) -> None:
        self.health = Health(clock.utc())
        self._plan = plan
        self._folder = folder
        self._clock = clock
        self._said = said
        self._write_report = write_report
        self._notices = ServiceNotices(clock)
        calling = [channel.name for channel in plan.channels if channel.calling]
        self._left = read_left(folder)
        self._alerts = Alerts(
            plan.alerts,
            plan.station.zone,
            plan.station.name,
            clock,
            calling=calling,
            keep=lambda waiting: write_left(folder, waiting),
        )
        self._listening = Listening(clock, plan.listen.device) if plan.listen is not None else None
        self._endpoint: HealthEndpoint | None = None
        if plan.station.health_port is not None:
            self._endpoint = HealthEndpoint(
                plan.station.health_port, lambda: prometheus_text(self.health.figures)
            )
            if self._endpoint.problem:
                said("health", why=self._endpoint.problem)
        self._heard: list[Heard] = []
        self._extra: tuple[ExtraSpan, ...] = ()
        self._written_at_s = float("-inf")
        self._was_open = False
        self._reached: datetime | None = None
        self._jobs = self._begin_jobs()

    def hear(self, channel: Channel, audio: NDArray[np.int16]) -> None:
        """Live audio of whatever is on the air."""
        if self._listening is not None and self._listening.sounds:
            louder = np.clip(audio * np.float32(LIVE_GAIN), -32767, 32767).astype(np.int16)
            self._listening.offer(channel.name, channel.priority, louder)

    def take(self, records: Sequence[Record]) -> None:
        """Records that are in the log."""
        self.health.take(records)
        self._alerts.take(records)
        heard = [record.transmission if isinstance(record, Clip) else record for record in records]
        news = [one for one in heard if isinstance(one, Transmission)]
        if news:
            self._follow_up(news)

    def extra_windows(self, _: datetime) -> Sequence[tuple[WindowSpan, str]]:
        """What is watched beyond the plan's windows, and why."""
        return [(WindowSpan(span.start_utc, span.stop_utc, "follow-up"), span.said) for span in self._extra]

    def step(self, state: Standing) -> None:
        """After every step of the watch."""
        if self._left:
            self._remind()
        for post in state.posts:
            for so_far in post.flagged_on_air:
                self._alerts.consider_on_air(so_far)
        is_open = state.window is not None
        if is_open != self._was_open:
            self._was_open = is_open
            if self._listening is not None:
                self._listening.open() if is_open else self._listening.close()
        self._notices.feed(self._has_moved(state))
        now_s = self._clock.monotonic()
        if now_s - self._written_at_s < WRITE_EVERY_S:
            return
        self._written_at_s = now_s
        self._tell_problems()
        self._update_health(state)
        self._notices.status(_in_one_line(state))
        self._jobs.wakeup()  # its own wait is blind to a clock that steps and to a machine that slept
        try:
            write_status(self._folder, self.health.figures, self._clock.utc())
        except OSError as failure:
            self._said("status", why=f"status.json cannot be written ({failure.strerror})")

    def _remind(self) -> None:
        """Calls for help that the watch before could not tell: now that what it left behind is in the log."""
        left, self._left = self._left, []
        found = list(left_in_log(self._folder, left))
        for entry, labels in found:
            self._alerts.remind(entry.transmission, entry.clip_path, labels)
        if not found:
            with contextlib.suppress(OSError):
                write_left(self._folder, ())

    def ready(self) -> None:
        """The watch stands."""
        self._notices.ready("standing the watch")

    def reloading(self) -> None:
        """The plan is being read anew."""
        self._notices.reloading()

    def close(self, *, is_over: bool) -> None:
        """End them; `is_over` where the watch itself ends, and not only this plan."""
        if is_over:
            self._notices.stopping()
        if self._jobs.running:
            self._jobs.shutdown(wait=False)
        if self._listening is not None:
            self._listening.close()
        self._alerts.close(ALERTS_CLOSE_S)
        self._tell_problems()
        if self._endpoint is not None:
            self._endpoint.close()
        if is_over:
            self.health.update(ended_utc=self._clock.utc(), window=None)
            try:
                write_status(self._folder, self.health.figures, self._clock.utc())
            except OSError as failure:
                self._said("status", why=f"status.json cannot be written ({failure.strerror})")

    def _has_moved(self, state: Standing) -> bool:
        """Whether the road of the samples is alive: between windows the loop, within one new samples."""
        if state.window is None:
            return True
        reached = max((post.reached_utc for post in state.posts if post.reached_utc), default=None)
        moved = reached is not None and reached != self._reached
        self._reached = reached
        # A radio that is lost is said and looked for; starting the program anew would not bring it back.
        return moved or not any(post.is_up for post in state.posts)

    def _update_health(self, state: Standing) -> None:
        counts = [post.counts for post in state.posts]
        for post in state.posts:
            floor = post.noise_floor_dbfs
            if floor is not None and post.tuning is not None:
                self.health.set_noise_floor(f"{post.tuning.centre_hz / 1e6:.4f}", floor)
        self.health.update(
            samples=sum(each.samples for each in counts),
            samples_lost=sum(each.lost for each in counts),
            samples_clipped=sum(each.clipped for each in counts),
            radio_opens=sum(each.opened for each in counts),
            radio_losses=sum(each.lost_radio for each in counts),
            last_sample_utc=max((post.reached_utc for post in state.posts if post.reached_utc), default=None),
            window=None if state.window is None else state.window.name,
            window_until_utc=None if state.window is None else state.window.stop_utc,
            next_window_utc=None if state.next_window is None else state.next_window.start_utc,
        )
        self.health.set_alerts(self._alerts.counts)
        self.health.look_at_disk(self._folder)

    def _follow_up(self, news: Sequence[Transmission]) -> None:
        since = self._clock.utc() - REMEMBERED
        calling = {channel.name for channel in self._plan.channels if channel.calling}
        self._heard += [
            Heard(one.channel, one.start_utc, one.end_utc, calls_for_help(one, calling)) for one in news
        ]
        self._heard = [one for one in self._heard if one.stop_utc > since]
        before = len(self._extra)
        self._extra = follow_up_spans(
            self._plan.windows, self._plan.station.zone, self._heard, self._plan.follow_up
        )
        if len(self._extra) > before:
            self._said("follow-up", why=self._extra[-1].said, windows=len(self._extra))

    def _tell_problems(self) -> None:
        for source, problems in (
            ("alerts", self._alerts.problems),
            ("live-audio", self._listening.problems if self._listening is not None else []),
        ):
            for problem in problems:
                self._said(source, why=problem)
            problems.clear()

    def _begin_jobs(self) -> BackgroundScheduler:
        """What has its hour: the report of the day, and the limits of what is kept."""
        jobs = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"misfire_grace_time": 3600, "coalesce": True, "max_instances": 1},
        )
        zone = self._plan.station.zone
        jobs.add_job(
            self._job, CronTrigger(hour=0, minute=7, timezone=zone), ["report", self._report], id="report"
        )
        jobs.add_job(self._job, CronTrigger(minute=41, timezone="UTC"), ["keep", self._retain], id="keep")
        jobs.start()
        return jobs

    def _job(self, name: str, work: Callable[[], None]) -> None:
        try:
            work()
        except MidwatchError as failure:
            self._said(name, why=str(failure))

    def _report(self) -> None:
        self._write_report(self._folder)
        self._said("report", folder=str(self._folder))

    def _retain(self) -> None:
        with WatchLog.open(self._folder, create=False) as log:
            done = apply_limits(log, self._plan.keep, self._clock.utc())
        for sentence in done.sentences:
            self._said("keep", what=sentence)


def calls_for_help(heard: Transmission, calling: set[str]) -> bool:
    """Whether a transmission ranks as a call for help: by its flags, or a voice on a calling channel."""
    if CALLS_FOR_HELP & set(heard.flags):
        return True
    return heard.channel in calling and (heard.kind is None or heard.kind.kind is Kind.VOICE)


def _in_one_line(state: Standing) -> str:
    if state.window is None:
        following = state.next_window
        opens = "none" if following is None else f"{following.start_utc:%Y-%m-%d %H:%M} UTC"
        return f"between windows; next opens {opens}; {state.heard} heard"
    on = ", ".join(f"{post.tuning.centre_hz / 1e6:.3f} MHz" for post in state.posts if post.tuning)
    return f"window {state.window.name} on {on or 'no radio'}; {state.heard} heard"
