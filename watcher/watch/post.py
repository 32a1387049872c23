"""One radio at its post: opened, tuned, received, given up when it is lost, and opened again.

A post never raises for what a radio does; it says what happened, accounts for the time and comes back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from dsp.blocks import IqBlock
from watcher.errors import RadioError, StorageError
from watcher.plan.tunings import Tuning
from watcher.radio.live import LiveRadio, LiveStream, RadioLost, StreamFacts
from watcher.receive.chain import ReceiveChain, Record
from watcher.receive.records import EndedBy, Gap, GapCause, Transmission, Watched
from watcher.utc import instant_of_sample
from watcher.watch.clock import Clock
from watcher.watch.time_account import TimeAccount

READ_TIMEOUT_S = 0.25
# The last again and again: opening takes up to two seconds, and a radio shall be back five after its return.
RETRY_S = (0.5, 1.0, 2.0)
HOPELESS_RETRY_S = 60.0  # what the radio can never do may be mended by hand: look again, seldom
STORAGE_RETRY_S = 10.0
MOST_DRIFT = timedelta(seconds=1)  # of the sample clock, before the stream begins anew

Said = Callable[..., None]
"""Tells an event: its name, and facts by name."""
MakeChain = Callable[[Tuning, StreamFacts], ReceiveChain]


class Chooser(Protocol):
    """Which tuning is on the air, and for how long."""

    def next(self, now_s: float) -> int:
        """The tuning to go to now, by its place in the list."""
        ...

    def settled(self, now_s: float) -> None:
        """The first samples of it have come."""
        ...

    def stays(self, now_s: float, *, busy: bool) -> bool:
        """Whether to stay on the present one; `busy` while a transmission or its hang time lasts."""
        ...


@dataclass(slots=True)
class Counts:
    """What a post has seen since it was made."""

    samples: int = 0
    lost: int = 0
    clipped: int = 0
    opened: int = 0
    lost_radio: int = 0


class Post:
    """Stand one radio's part of the watch, step by step.

    Parameters
    ----------
    number : int
        Of the radio in the plan, from 0.
    radio : LiveRadio
    tunings : sequence of Tuning
        What this radio is to hear.
    chooser : Chooser
    make_chain : callable
        The receiver of a tuning on a stream.
    account : TimeAccount
    clock : Clock
    said : callable
        Where events go.
    """

    def __init__(
        self,
        number: int,
        radio: LiveRadio,
        tunings: Sequence[Tuning],
        *,
        chooser: Chooser,
        make_chain: MakeChain,
        account: TimeAccount,
        clock: Clock,
        said: Said,
    ) -> None:
        self.number = number
        self.counts = Counts()
        self.tuning: Tuning | None = None  # on the air, or being tuned to
        self.reached_utc: datetime | None = None  # instant of the newest sample
        self._radio = radio
        self._tunings = tuple(tunings)
        self._chooser = chooser
        self._make_chain = make_chain
        self._account = account
        self._clock = clock
        self._said = said
        self._is_open = False
        self._stream: LiveStream | None = None
        self._chain: ReceiveChain | None = None
        self._facts: StreamFacts | None = None
        self._told_utc: datetime | None = None  # up to where the present chain has accounted
        self._retry_at_s = 0.0
        self._failures = 0
        self._never = threading.Event()

    @property
    def label(self) -> str:
        """What a person calls the radio."""
        return self._radio.label

    @property
    def is_up(self) -> bool:
        """Whether the radio is open."""
        return self._is_open

    @property
    def on_air(self) -> list[str]:
        """Channels with a transmission right now."""
        return self._chain.on_air if self._chain is not None else []

    @property
    def flagged_on_air(self) -> list[Transmission]:
        """Transmissions that go on and have raised a flag."""
        return self._chain.flagged_on_air if self._chain is not None else []

    @property
    def noise_floor_dbfs(self) -> float | None:
        """Of the tuning on the air; None where nothing is known of it."""
        return self._chain.noise_floor_dbfs if self._chain is not None else None

    @property
    def told_utc(self) -> datetime | None:
        """Up to where this post has accounted for the tuning on the air; None where none is."""
        return self._told_utc if self._chain is not None else None

    def take_post(self) -> None:
        """A window opens: whatever was wrong with the radio before, try it at once."""
        self._retry_at_s, self._failures = 0.0, 0
        self._account.radio_idles(self.number, self._clock.utc(), GapCause.OPENING)

    def stand(self) -> list[Record]:
        """One step, of a quarter second at most: get the radio going, or receive its next block."""
        if self._stream is None and not self._begin():
            return []
        assert self._stream is not None
        try:
            block = self._stream.read(READ_TIMEOUT_S)
        except RadioError as failure:
            return self._give_up(failure)
        if block is None:
            return []
        try:
            return self._receive(block)
        except StorageError as failure:
            self._drop(failure)
            return []

    def _receive(self, block: IqBlock) -> list[Record]:
        """Take a block; go on, or to the next tuning."""
        assert self._stream is not None
        if self._chain is None:
            self._facts = self._stream.facts
            assert self.tuning is not None
            self._chain = self._make_chain(self.tuning, self._facts)
            self._told_utc = self._facts.anchor_utc
            names = [channel.name for channel in self.tuning.channels]
            self._account.radio_streams(self.number, self._facts.anchor_utc, names)
            self._failures = 0
            self._chooser.settled(self._clock.monotonic())
        self.counts.samples += len(block.samples)
        self.counts.lost += block.lost_before
        self.counts.clipped += block.clipped
        records = self._chain.push(block)
        self._take(records)
        assert self._facts is not None
        self.reached_utc = reached = instant_of_sample(
            self._facts.anchor_utc, block.stop_sample, self._facts.sample_rate_hz
        )
        if abs(reached - self._clock.utc()) > MOST_DRIFT:
            self._said("clock-drift", radio=self.label, seconds=(reached - self._clock.utc()).total_seconds())
            return records + self._end_stream(EndedBy.GAP, GapCause.CLOCK_SET)
        if not self._chooser.stays(self._clock.monotonic(), busy=bool(self._chain.on_air)):
            records += self._end_stream(EndedBy.RETUNED, GapCause.TUNING)
        return records

    def stand_down(self, ended_by: EndedBy = EndedBy.WINDOW_CLOSED) -> list[Record]:
        """The window closes: finish what is on the air and give the radio back."""
        records = self._end_stream(ended_by, GapCause.OPENING)
        if self._is_open:
            self._radio.close()
            self._is_open = False
            self._tell_notes()
            self._said("radio-closed", radio=self.label)
        self.tuning = None
        return records

    def _begin(self) -> bool:
        """Open the radio if need be and tune it; False where it has to wait."""
        now_s = self._clock.monotonic()
        if now_s < self._retry_at_s:
            self._clock.wait(self._never, min(READ_TIMEOUT_S, self._retry_at_s - now_s))
            return False
        try:
            if not self._is_open:
                self._radio.open()
                self._is_open = True
                self.counts.opened += 1
                self._said("radio-open", radio=self.label)
            self.tuning = self._tunings[self._chooser.next(now_s)]
            self._stream = self._radio.tune(self.tuning.centre_hz)
        except RadioError as failure:
            self._give_up(failure)
            return False
        self._tell_notes()
        return True

    def _give_up(self, failure: RadioError) -> list[Record]:
        """The radio is lost: end everything, and look for it again in a while."""
        records = self._end_stream(EndedBy.RADIO_LOST, GapCause.RADIO_LOST)
        self._radio.close()
        self._is_open = False
        self.counts.lost_radio += 1
        wait_s = RETRY_S[min(self._failures, len(RETRY_S) - 1)]
        if not isinstance(failure, RadioLost):
            wait_s = HOPELESS_RETRY_S
        self._failures += 1
        self._retry_at_s = self._clock.monotonic() + wait_s
        self._account.radio_idles(self.number, self._clock.utc(), GapCause.RADIO_LOST)
        self._tell_notes()
        self._said("radio-lost", radio=self.label, why=str(failure), again_in_s=wait_s)
        return records

    def _drop(self, failure: StorageError) -> None:
        """Nothing can be kept: stop receiving for a while. Open clips stay for the next start to finish."""
        self._account.radio_idles(self.number, self._told_utc or self._clock.utc(), GapCause.STORAGE)
        self._chain, self._facts = None, None
        if self._stream is not None:
            self._stream.stop()
            self._stream = None
        self._retry_at_s = self._clock.monotonic() + STORAGE_RETRY_S
        self._said("storage-failed", why=str(failure), again_in_s=STORAGE_RETRY_S)

    def _end_stream(self, ended_by: EndedBy, cause: GapCause) -> list[Record]:
        records: list[Record] = []
        if self._chain is not None:
            records = self._chain.finish(ended_by)
            self._take(records)
            for problem in self._chain.problems:
                self._said("decoder", why=problem)
            self._account.radio_idles(self.number, self._told_utc or self._clock.utc(), cause)
        self._chain, self._facts = None, None
        if self._stream is not None:
            self._stream.stop()
            self._stream = None
        return records

    def _take(self, records: Sequence[Record]) -> None:
        for record in records:
            if isinstance(record, Watched | Gap):
                self._account.take(record)
            if isinstance(record, Watched):
                self._told_utc = max(self._told_utc or record.stop_utc, record.stop_utc)

    def _tell_notes(self) -> None:
        for note in self._radio.notes():
            self._said("radio", radio=self.label, note=note)
