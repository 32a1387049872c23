"""Alerts: who is told of what was heard, without the watch ever waiting for a service.

`take` and `consider` put a transmission into the outboxes and return, `consider_on_air` one that still
lasts; one thread empties them.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import PurePosixPath
from zoneinfo import ZoneInfo

from watcher.plan.duties import Alert
from watcher.receive.chain import Record
from watcher.receive.records import Clip, Sign, Transmission
from watcher.watch.alert_delivery import LONGEST_S, Delivery, address_problem
from watcher.watch.alert_outbox import Outbox
from watcher.watch.alert_texts import Item, asked_for_help, item_for, message, trial_message
from watcher.watch.alerts_left import Left
from watcher.watch.clock import Clock

MOST_PROBLEMS = 50
PIECES_TOUCH = timedelta(seconds=1)  # a split leaves no time between the pieces; a new call takes longer
LONGEST_IDLE_S = 600.0  # how long the thread sleeps where nothing waits; whatever comes wakes it


@dataclass(frozen=True, slots=True)
class AlertCounts:
    """Messages sent and attempts that failed, transmissions held back and waiting, since the start."""

    sent: int = 0
    failed: int = 0
    held_back: int = 0
    waiting: int = 0


@dataclass(frozen=True, slots=True)
class Trial:
    """What became of a test message; `problem` is None where it went."""

    label: str
    problem: str | None


@dataclass(slots=True)
class _OnAir:
    """A call for help that was told of while it was on the air: the latest item, and all that was told."""

    item: Item
    until_utc: datetime
    told: frozenset[tuple[Sign, float]]

    def goes_on_as(self, heard: Transmission) -> bool:
        """Whether this is the same transmission, or another piece of it."""
        return heard.start_utc <= self.until_utc + PIECES_TOUCH


@dataclass(slots=True)
class _Route:
    label: str
    alert: Alert
    outbox: Outbox
    delivery: Delivery
    on_air: dict[str, _OnAir] = field(default_factory=dict)  # by channel


class Alerts:
    """The alerts of one plan.

    Parameters
    ----------
    settings : sequence of Alert
    zone : ZoneInfo
        The station's: quiet hours run in it.
    station_name : str or None
    clock : Clock
    calling : collection of str
        Names of the calling channels.
    environ : mapping of str to str
        Where addresses that the plan does not tell are looked up.
    longest_s : float
        What one delivery may take.
    keep : callable
        Takes the calls for help that still wait, whenever they change, to be remembered beyond this program's
        life.
    start : bool
        False starts no thread; then :meth:`run_due` is for the caller to call.

    Notes
    -----
    `problems` holds sentences for the log, at most `MOST_PROBLEMS`: the first failure of each series. Whoever
    tells them may clear it.
    """

    def __init__(
        self,
        settings: Sequence[Alert],
        zone: ZoneInfo,
        station_name: str | None,
        clock: Clock,
        *,
        calling: Collection[str] = (),
        environ: Mapping[str, str] = os.environ,
        longest_s: float = LONGEST_S,
        keep: Callable[[Sequence[Left]], None] = lambda _: None,
        start: bool = True,
    ) -> None:
        self.problems: list[str] = []
        self._zone = zone
        self._station = station_name or "Midwatch"
        self._clock = clock
        self._calling = frozenset(calling)
        self._keep = keep
        self._kept: list[Left] | None = []  # None where it is not known
        self._is_forgetful = False
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stopping = False
        self._sent = self._failed = 0
        self._routes = [
            _Route(
                _label(number, alert),
                alert,
                Outbox(alert.most_per_hour),
                Delivery(alert, environ, longest_s=longest_s),
            )
            for number, alert in enumerate(settings, 1)
        ]
        self._thread: threading.Thread | None = None
        if start and self._routes:
            self._thread = threading.Thread(target=self._run, name="alerts", daemon=True)
            self._thread.start()

    def take(self, records: Iterable[Record]) -> None:
        """Consider every transmission among records that are in the log."""
        for record in records:
            match record:
                case Clip():
                    self.consider(record.transmission, PurePosixPath(record.path.as_posix()))
                case Transmission():
                    self.consider(record, None)

    def consider(self, heard: Transmission, clip: PurePosixPath | None) -> None:
        """Tell of a transmission whoever is to be told; returns at once.

        Parameters
        ----------
        heard : Transmission
        clip : PurePosixPath or None
            Relative to the folder of the watch.
        """
        if not self._routes:
            return
        try:
            self._add(heard, clip)
        except Exception as failure:  # noqa: BLE001 - whatever goes wrong here, the watch goes on
            self._tell(
                f"a transmission could not be told ({type(failure).__name__}: {failure}); the log has it"
            )
        self._wake.set()

    def consider_on_air(self, so_far: Transmission) -> None:
        """Tell of a call for help while it lasts, once for each thing found in it; returns at once.

        May be called as often as one likes with what is known so far. What does not ask for help waits until
        the transmission has ended and is in the log.
        """
        try:
            added = [self._add_on_air(route, so_far) for route in self._routes]
            if any(added):
                self._wake.set()
        except Exception as failure:  # noqa: BLE001 - as in `consider`
            self._tell(f"a call could not be told while it lasted ({type(failure).__name__}: {failure})")

    def _add_on_air(self, route: _Route, so_far: Transmission) -> bool:
        item = item_for(route.alert, so_far, None, ())
        if item is None or not item.distress:
            return False
        found = asked_for_help(item)
        with self._lock:
            before = route.on_air.get(so_far.channel)
            known = before is not None and before.goes_on_as(so_far)
            told = before.told if before is not None and known else frozenset()
            if before is not None and known and found <= told:
                before.until_utc = max(before.until_utc, so_far.end_utc)
                return False
            item = replace(item, goes_on=True)
            route.on_air[so_far.channel] = _OnAir(item, so_far.end_utc, told | found)
            route.outbox.add(item, self._clock.monotonic(), quiet=False)  # a call for help is never silenced
            return True

    def _add(self, heard: Transmission, clip: PurePosixPath | None) -> None:
        now_s, local = self._clock.monotonic(), self._clock.utc().astimezone(self._zone).time()
        with self._lock:
            for route in self._routes:
                item = item_for(route.alert, heard, clip, self._calling)
                if item is None:
                    continue
                before = route.on_air.get(heard.channel)
                if (
                    before is not None
                    and item.distress
                    and before.item.heard.piece == heard.piece
                    and before.goes_on_as(heard)
                    and asked_for_help(item) <= before.told
                ):  # told while it lasted; if it still waits, let it name the clip
                    before.until_utc = max(before.until_utc, heard.end_utc)
                    route.outbox.put_in_place(before.item, item)
                    continue
                route.outbox.add(item, now_s, quiet=route.alert.is_quiet(local))

    def run_due(self) -> float | None:
        """Send what may go now; returns in how many seconds the next may go, None where nothing waits."""
        self._keep_waiting()
        waits_s = [wait_s for route in self._routes if (wait_s := self._run_route(route)) is not None]
        self._keep_waiting()
        return min(waits_s, default=None)

    def remind(self, heard: Transmission, clip: PurePosixPath | None, labels: Collection[str]) -> None:
        """Tell what an earlier watch could not, by the alerts of these labels; by all where none is left."""
        try:
            with self._lock:
                self._kept = None  # what an earlier watch left is on the disk, whatever is told meanwhile
                for route in [one for one in self._routes if one.label in labels] or self._routes:
                    item = item_for(route.alert, heard, clip, ())
                    if item is not None:
                        route.outbox.add(item, self._clock.monotonic(), quiet=False)
        except Exception as failure:  # noqa: BLE001 - as in `consider`
            self._tell(f"an earlier call could not be told ({type(failure).__name__}: {failure})")
        self._wake.set()

    def _keep_waiting(self) -> None:
        with self._lock:
            waiting = [
                Left(route.label, item.heard.channel, item.heard.start_utc, item.heard.flags)
                for route in self._routes
                for item in route.outbox.items()
                if item.distress
            ]
        if waiting == self._kept:
            return
        try:
            self._keep(waiting)
        except OSError as failure:
            if not self._is_forgetful:
                self._tell(f"calls for help that wait cannot be remembered ({failure.strerror})")
            self._is_forgetful = True  # told once, tried again with every message
            return
        self._kept, self._is_forgetful = waiting, False

    def send_test(self) -> list[Trial]:
        """Send every alert a test now, whatever the hour; for the command, it waits for each."""
        told = trial_message(self._station, self._zone, self._clock.utc())
        return [Trial(route.label, route.delivery.send(told, urgent=False)) for route in self._routes]

    @property
    def counts(self) -> AlertCounts:
        """What was sent, failed, held back, and waits."""
        with self._lock:
            boxes = [route.outbox for route in self._routes]
            held_back, waiting = sum(box.held_back for box in boxes), sum(len(box.pending) for box in boxes)
            return AlertCounts(self._sent, self._failed, held_back, waiting)

    def close(self, timeout_s: float) -> None:
        """Send what is due once more and end; whatever a service does, it returns after `timeout_s`."""
        self._stopping = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        with self._lock:
            for route in self._routes:
                calls = sum(item.distress for item in route.outbox.items())
                if calls:
                    of = "call for help was" if calls == 1 else "calls for help were"
                    self._tell(f"{route.label}: {calls} {of} not told yet; the next watch will")

    def _run(self) -> None:
        while not self._stopping:
            self._wake.clear()
            wait_s = self.run_due()
            if not self._stopping:
                self._clock.wait(self._wake, LONGEST_IDLE_S if wait_s is None else wait_s)
        self.run_due()

    def _run_route(self, route: _Route) -> float | None:
        with self._lock:
            now_s = self._clock.monotonic()
            due_s = route.outbox.due_at_s(now_s)
            if due_s is None:
                return None
            if due_s > now_s:
                return due_s - now_s
            items, untold = route.outbox.items(), route.outbox.untold
        problem = self._send(route, items, untold)
        with self._lock:
            now_s = self._clock.monotonic()
            if problem is None:
                if route.outbox.failures:
                    self._tell(f"{route.label}: it works again")
                route.outbox.sent(items, untold, now_s)
                self._sent += 1
            else:
                pause_s = route.outbox.failed(now_s)
                self._failed += 1
                if route.outbox.failures == 1:
                    self._tell(
                        f"{route.label}: {problem}; it is tried again in {pause_s:.0f} s and then more rarely"
                    )
            due_s = route.outbox.due_at_s(now_s)
            return None if due_s is None else max(0.0, due_s - now_s)

    def _send(self, route: _Route, items: Sequence[Item], untold: int) -> str | None:
        try:
            text = message(self._station, self._zone, items, untold)
            return route.delivery.send(text, urgent=any(item.distress for item in items))
        except Exception as failure:  # noqa: BLE001 - a mistake of ours in a text must not silence what follows
            return f"{type(failure).__name__}: {failure}"

    def _tell(self, sentence: str) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(sentence)


def alert_problems(settings: Sequence[Alert], environ: Mapping[str, str] = os.environ) -> list[str]:
    """What is wrong with the alerts of a plan as far as can be seen without sending, one sentence each."""
    return [
        f"{_label(number, alert)}: {problem}"
        for number, alert in enumerate(settings, 1)
        if (problem := address_problem(alert, environ)) is not None
    ]


def _label(number: int, alert: Alert) -> str:
    return f"alert {number} ({alert.way})"
