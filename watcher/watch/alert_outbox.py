"""What waits to be told by one alert: limits, quiet hours, retries. No thread and no clock of its own.

A call for help is never dropped: over the limit an hour such calls wait at most `MERGE_S` and go together in
one message, and a service that fails is tried again until the watch ends. Everything else may be held back;
the next message says how many there were.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from watcher.watch.alert_texts import Item

HOUR_S = 3600.0

MERGE_S = 300.0
"""Over the limit calls for help go together at most this late: one of them may still be on the air then
(judgement, no source)."""

BACK_OFF_S = (5.0, 30.0, 120.0, 600.0)
"""Pauses after the first, second, third and every later failure of a service."""

GIVE_UP_S = 6 * HOUR_S
"""What asks for no help is old news after this (judgement, no source)."""

MOST_PENDING = 1000
"""Transmissions that wait; beyond, the oldest that asks for no help goes, then the newest."""


@dataclass(slots=True)
class Outbox:
    """The messages of one alert.

    Parameters
    ----------
    most_per_hour : int
    """

    most_per_hour: int
    held_back: int = 0  # for good, since the start
    untold: int = 0  # held back since the last message
    failures: int = 0  # in a row
    pending: list[tuple[float, Item]] = field(default_factory=list)
    _sent_at_s: deque[float] = field(default_factory=deque)
    _retry_at_s: float = float("-inf")

    def add(self, item: Item, now_s: float, *, quiet: bool) -> None:
        """Take a transmission to tell of; `quiet` while only calls for help may be told."""
        if not item.distress and (quiet or self._is_full(now_s)):
            self._hold_back()
            return
        self.pending.append((now_s, item))
        if len(self.pending) > MOST_PENDING:
            lesser = [number for number, (_, each) in enumerate(self.pending) if not each.distress]
            del self.pending[lesser[0] if lesser else -1]
            self._hold_back()

    def put_in_place(self, earlier: Item, item: Item) -> None:
        """Let an item that tells more take the place of one that still waits, if it does."""
        self.pending = [(at_s, item if each is earlier else each) for at_s, each in self.pending]

    def due_at_s(self, now_s: float) -> float | None:
        """When the next message may go, on the clock of `now_s`; None where nothing waits."""
        self._forget_old(now_s)
        if not self.pending:
            return None
        gate_s = now_s
        if self._is_full(now_s):
            gate_s = self._sent_at_s[0] + HOUR_S
            if any(item.distress for _, item in self.pending):
                gate_s = min(gate_s, self._sent_at_s[-1] + MERGE_S)
        return max(gate_s, self._retry_at_s)

    def items(self) -> tuple[Item, ...]:
        """What the next message tells."""
        return tuple(item for _, item in self.pending)

    def sent(self, items: Sequence[Item], untold: int, now_s: float) -> None:
        """The message with these items, that told of so many untold, has gone."""
        gone = {id(item) for item in items}
        self.pending = [each for each in self.pending if id(each[1]) not in gone]
        self.untold -= untold
        self.failures = 0
        self._sent_at_s.append(now_s)

    def failed(self, now_s: float) -> float:
        """The message could not be sent; returns after how many seconds it is tried again."""
        pause_s = BACK_OFF_S[min(self.failures, len(BACK_OFF_S) - 1)]
        self.failures += 1
        self._retry_at_s = now_s + pause_s
        return pause_s

    def _is_full(self, now_s: float) -> bool:
        while self._sent_at_s and self._sent_at_s[0] + HOUR_S <= now_s:
            self._sent_at_s.popleft()
        return len(self._sent_at_s) >= self.most_per_hour

    def _forget_old(self, now_s: float) -> None:
        kept = [each for each in self.pending if each[1].distress or now_s - each[0] < GIVE_UP_S]
        for _ in range(len(self.pending) - len(kept)):
            self._hold_back()
        self.pending = kept

    def _hold_back(self) -> None:
        self.held_back += 1
        self.untold += 1
