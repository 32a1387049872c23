"""The plan's windows, tunings and dwell kept on a recording's own clock, as a radio would keep them.

The same chain, clips and log as every watch; only the radio is made of the recording: where the plan's
radio is narrower, it hears one sub-band of it at a time and moves on as the dwell says. Time is that of the
samples.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from dsp.blocks import IqBlock
from watcher.errors import RadioError
from watcher.log.facts import WatchEnd, WatchEndedBy, WatchFacts
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.plan.cautions import USUAL_RATE_HZ
from watcher.plan.dwell import DwellPlan, DwellScheduler, plan_dwells
from watcher.plan.model import Channel, WatchPlan
from watcher.plan.tunings import Tuning, plan_tunings
from watcher.plan.windows import open_time, window_spans
from watcher.radio.source import SampleSource, Stretch
from watcher.receive.chain import ReceiveChain
from watcher.receive.clips import ClipStore
from watcher.receive.receive_rules import ReceiveRules
from watcher.receive.records import EndedBy, Gap, GapCause
from watcher.receive.span import is_inside
from watcher.shipped import program
from watcher.trial.narrow_band import NarrowBand, narrow_rate_hz
from watcher.utc import instant_of_sample
from watcher.watch.keeping import LogKeeper
from watcher.watch.replay import Outcome, Progress, Step

CHUNK_S = 0.1  # how often the dwell is asked: several times within its own look-ahead


@dataclass(frozen=True, slots=True)
class _Round:
    """One radio's pass over one stretch: its tunings, its visits, its rate."""

    source: SampleSource
    number: int
    stretch: Stretch
    tunings: tuple[Tuning, ...]
    dwell: DwellPlan
    rate_hz: int | None  # None: the recording's own

    @property
    def channels(self) -> tuple[Channel, ...]:
        """All that this radio hears on some tuning."""
        heard = {each.name: each for number in self.dwell.tunings for each in self.tunings[number].channels}
        return tuple(heard.values())


def scan(
    plan: WatchPlan,
    sources: Sequence[SampleSource],
    folder: Path,
    *,
    ppm: float | None = None,
    progress: Progress = lambda step: None,
    stop_wanted: Callable[[], bool] = lambda: False,
) -> Outcome:
    """Watch recordings as the plan's radios would: in its windows, on its tunings.

    Parameters
    ----------
    plan, sources, folder, ppm, progress, stop_wanted
        As for :func:`watcher.watch.replay.replay`.

    Raises
    ------
    RadioError, StorageError
        With one sentence.
    """
    ppm = plan.ppm if ppm is None else ppm
    stretches = [(source, n, each) for source in sources for n, each in enumerate(source.stretches())]
    if not stretches:
        raise RadioError("the recordings hold no samples; give at least one with some")
    stretches.sort(key=lambda each: each[2].start_utc)
    with ClipStore(folder, program=program()) as clips, WatchLog.open(folder, create=True) as log:
        watch_id = log.begin_watch(_facts(plan, [each for _, _, each in stretches]))
        keeper = LogKeeper(log, clips, watch_id)
        outcome = Outcome(folder, watch_id)
        whole = _whole(stretches)
        for window in window_spans(plan.windows, plan.station.zone, whole):
            log.add_window(watch_id, Span(window.start_utc, window.stop_utc), window.name)
        done = 0
        total = sum(each.samples or 0 for _, _, each in stretches)
        for source, number, stretch in stretches:
            rounds = _rounds(plan, source, number, stretch, ppm, outcome.notes)
            for one in rounds:
                receiver = _Receiver(plan, one, clips, keeper, ppm)
                for samples in receiver.run():
                    outcome.heard = keeper.heard
                    progress(_step(stretch, done + samples // len(rounds), total, keeper.heard))
                    if stop_wanted():
                        outcome.stopped = True
                        break
                receiver.end(EndedBy.STOPPED if outcome.stopped else EndedBy.END_OF_SAMPLES)
                outcome.notes += [note for note in receiver.problems if note not in outcome.notes]
            done += stretch.samples or 0
            if outcome.stopped:
                break
        outcome.heard = keeper.heard
        ended_by = WatchEndedBy.STOPPED if outcome.stopped else WatchEndedBy.END_OF_SAMPLES
        log.end_watch(watch_id, WatchEnd(whole[1], ended_by, done))
        outcome.notes += [note for source in sources for note in source.notes()] + clips.problems
    return outcome


def _rounds(  # noqa: PLR0917 - one call, beside it
    plan: WatchPlan, source: SampleSource, number: int, stretch: Stretch, ppm: float, notes: list[str]
) -> list[_Round]:
    inside = [c for c in plan.channels if is_inside(c, stretch.sample_rate_hz, stretch.centre_hz, ppm)]
    if not inside:
        return []
    wanted = min((each.sample_rate_hz or USUAL_RATE_HZ for each in plan.radios), default=0)
    wanted = 0 if wanted >= stretch.sample_rate_hz else wanted
    rate_hz = narrow_rate_hz(stretch.sample_rate_hz, wanted) if wanted else None
    if rate_hz is None:
        tunings: tuple[Tuning, ...] = (Tuning(stretch.centre_hz, tuple(inside), 0),)
    else:
        if rate_hz != wanted:
            note = (
                f"a radio of {wanted} samples a second is taken for one of {rate_hz}, a ratio that can be had"
            )
            notes += [note] if note not in notes else []
        try:
            tunings = plan_tunings(inside, rate_hz, ppm=ppm)
        except ValueError as problem:
            raise RadioError(f"the plan's radio cannot hear its channels: {problem}") from problem
    dwells = plan_dwells(tunings, max(1, len(plan.radios)), plan.dwell)
    return [_Round(source, number, stretch, tunings, dwell, rate_hz) for dwell in dwells]


class _Receiver:
    """One radio on its way through a stretch."""

    def __init__(self, plan: WatchPlan, one: _Round, clips: ClipStore, keeper: LogKeeper, ppm: float) -> None:
        self._plan = plan
        self._round = one
        self._clips = clips
        self._keeper = keeper
        self._ppm = ppm
        self._rate_hz = one.stretch.sample_rate_hz
        self._schedule = DwellScheduler(one.dwell)
        self._bands: dict[int, NarrowBand] = {}
        self._chain: ReceiveChain | None = None
        self._band: NarrowBand | None = None
        self._tuning: Tuning | None = None
        self._visit_start = 0  # input samples
        self._run_start = 0  # output samples of this visit at which the narrow band's run began
        self._made = 0  # output samples of the visit so far
        self._next = 0  # input sample
        self._deaf_until = 0
        self._until_s = 0.0
        self.problems: list[str] = []

    def run(self) -> Iterator[int]:
        """Receive what the windows hold; yields how many samples are done."""
        stretch = self._round.stretch
        stop_utc = self._utc(stretch.samples or 0)
        spans = [
            (self._sample(start), self._sample(stop))
            for start, stop in open_time(
                self._plan.windows, self._plan.station.zone, (stretch.start_utc, stop_utc)
            )
        ]
        step = max(1, round(CHUNK_S * self._rate_hz))
        for block in self._round.source.blocks(self._round.number):
            for begin in range(0, len(block.samples), step):
                chunk = block.samples[begin : begin + step]
                first = block.first_sample + begin
                for start, stop in spans:
                    low, high = max(first, start), min(first + len(chunk), stop)
                    if low < high:
                        if self._tuning is not None and self._visit_start < start:
                            self.end(EndedBy.WINDOW_CLOSED)  # its last samples were lost
                        if self._tuning is None:
                            self._retune(low)
                        self._take(chunk[low - first : high - first], low)
                        if high == stop:
                            self.end(EndedBy.WINDOW_CLOSED)
            yield block.stop_sample

    def end(self, ended_by: EndedBy) -> None:
        """End the visit, if there is one."""
        if self._tuning is None:
            return
        chain, tuning = self._chain, self._tuning
        if chain is not None:
            self._flush(chain)
            self._keeper.commit(chain.finish(ended_by))
            self.problems += chain.problems
        others = [c for c in self._round.channels if c not in tuning.channels]
        self._gap(others, self._visit_start, self._next, GapCause.OTHER_TUNING)
        self._chain = self._tuning = self._band = None

    def _retune(self, sample: int) -> None:
        """Go on to the next visit; deaf for as long as retuning takes."""
        alone = len(self._round.dwell.visits) == 1
        self.end(EndedBy.RETUNED)
        visit = self._schedule.next(sample / self._rate_hz)
        self._tuning = self._round.tunings[visit.tuning]
        self._next = self._visit_start = sample
        deaf = 0 if alone else round(self._round.dwell.retune_s * self._rate_hz)
        self._deaf_until = sample + deaf
        self._gap(self._tuning.channels, sample, self._deaf_until, GapCause.TUNING)
        if self._round.rate_hz is not None:
            if visit.tuning not in self._bands:
                offset_hz = self._tuning.centre_hz - self._round.stretch.centre_hz
                self._bands[visit.tuning] = NarrowBand(self._rate_hz, offset_hz, self._round.rate_hz)
            self._band = self._bands[visit.tuning]
        self._until_s = float("inf") if alone else visit.until_s

    def _take(self, samples: np.ndarray[tuple[int], np.dtype[np.complex64]], first: int) -> None:
        """The next samples of an open window; the tuning may change behind them."""
        if first + len(samples) <= self._deaf_until:
            self._next = first + len(samples)
            return
        if first < self._deaf_until:
            samples, first = samples[self._deaf_until - first :], self._deaf_until
        if self._chain is None:
            self._listen(first)
        assert self._chain is not None
        self._feed(self._chain, samples, first)
        self._next = first + len(samples)
        now_s = self._next / self._rate_hz
        if self._until_s != float("inf"):
            self._until_s = self._schedule.extend(now_s, busy=bool(self._chain.on_air))
            if now_s >= self._until_s:
                self._retune(self._next)

    def _listen(self, first: int) -> None:
        assert self._tuning is not None
        band = self._band
        self._until_s = self._schedule.settled(first / self._rate_hz)
        self._heard_from = first
        self._made = self._run_start = 0
        centre_hz = self._round.stretch.centre_hz + (0 if band is None else int(band.offset_hz))
        self._chain = ReceiveChain(
            self._tuning.channels,
            self._rate_hz if band is None else band.rate_hz,
            centre_hz,
            self._utc(first),
            self._clips,
            ppm=self._ppm,
            longest_clip_s=self._plan.station.longest_clip_s,
            rules=ReceiveRules.of(self._plan),
        )
        self._next = first

    def _feed(
        self, chain: ReceiveChain, samples: np.ndarray[tuple[int], np.dtype[np.complex64]], first: int
    ) -> None:
        band = self._band
        if band is None:
            self._keeper.commit(chain.push(self._block(samples, first - self._heard_from, self._rate_hz)))
            return
        if first != self._next:  # samples are lost: the band's run ends, and the next begins where they go on
            self._flush(chain)
            self._made = (first - self._heard_from) * band.rate_hz // self._rate_hz
        for piece in band.push(samples):
            self._keeper.commit(chain.push(self._block(piece, self._made, band.rate_hz)))
            self._made += len(piece)

    def _flush(self, chain: ReceiveChain) -> None:
        if self._band is None:
            return
        for piece in self._band.finish():
            self._keeper.commit(chain.push(self._block(piece, self._made, self._band.rate_hz)))
            self._made += len(piece)

    def _block(
        self, samples: np.ndarray[tuple[int], np.dtype[np.complex64]], first: int, rate_hz: int
    ) -> IqBlock:
        assert self._tuning is not None
        whole = np.ascontiguousarray(samples, np.complex64)
        return IqBlock(whole, first, rate_hz, self._tuning.centre_hz)

    def _gap(self, channels: Sequence[Channel], start: int, stop: int, cause: GapCause) -> None:
        if stop > start:
            span = self._utc(start), self._utc(stop)
            self._keeper.commit([Gap(channel.name, *span, cause) for channel in channels])

    def _utc(self, sample: int) -> datetime:
        return instant_of_sample(self._round.stretch.start_utc, sample, self._rate_hz)

    def _sample(self, instant: datetime) -> int:
        passed = (instant - self._round.stretch.start_utc) // timedelta(microseconds=1)
        return -(-passed * self._rate_hz // 1_000_000)


def _facts(plan: WatchPlan, stretches: Sequence[Stretch]) -> WatchFacts:
    return WatchFacts(
        started_utc=stretches[0].start_utc,
        source_label=", ".join(dict.fromkeys(stretch.label for stretch in stretches)),
        plan_text=plan.text,
        plan_sha256=plan.digest,
        program_version=program(),
        channels=plan.channels,
        stretches=tuple(stretches),
        station=plan.station.name,
        time_zone=plan.station.time_zone,
        notes="The plan's windows, tunings and dwell were kept on the recording's own clock.",
    )


def _whole(stretches: Sequence[tuple[SampleSource, int, Stretch]]) -> tuple[datetime, datetime]:
    stops = [instant_of_sample(s.start_utc, s.samples or 0, s.sample_rate_hz) for _, _, s in stretches]
    return min(s.start_utc for _, _, s in stretches), max(stops)


def _step(stretch: Stretch, done: int, total: int, heard: int) -> Step:
    rate_hz = stretch.sample_rate_hz
    return Step(stretch.label, done, total, done / rate_hz, total / rate_hz, heard)
