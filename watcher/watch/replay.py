"""Stand a watch over recordings: the same road from samples to log that a live radio travels."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from dsp.filter_bank_design import LOWEST_RATE_HZ
from watcher.errors import RadioError
from watcher.log.facts import WatchEnd, WatchEndedBy, WatchFacts
from watcher.log.writing import WatchLog
from watcher.plan.figures import write_mhz
from watcher.plan.model import Channel, WatchPlan
from watcher.radio.source import SampleSource, Stretch
from watcher.receive.chain import ReceiveChain, Record
from watcher.receive.clips import ClipStore
from watcher.receive.receive_rules import ReceiveRules
from watcher.receive.records import EndedBy, Gap, GapCause
from watcher.receive.span import is_inside
from watcher.receive.spectra import SpectrumStore
from watcher.shipped import program
from watcher.utc import instant_of_sample
from watcher.watch.keeping import LogKeeper, recover_left_behind

Progress = Callable[["Step"], None]


@dataclass(frozen=True, slots=True)
class Step:
    """How far a replay has come."""

    label: str
    samples_done: int
    samples_total: int
    seconds_done: float
    seconds_total: float
    heard: int


@dataclass(slots=True)
class Outcome:
    """What a replay did."""

    folder: Path
    watch_id: int
    heard: int = 0
    recovered: int = 0
    notes: list[str] = field(default_factory=list)
    stopped: bool = False


@dataclass(frozen=True, slots=True)
class _Piece:
    """One stretch of one recording, with the channels that it shows."""

    source: SampleSource
    number: int
    stretch: Stretch
    inside: tuple[Channel, ...]
    outside: tuple[Channel, ...]

    @property
    def seconds(self) -> float:
        return (self.stretch.samples or 0) / self.stretch.sample_rate_hz


def replay(
    plan: WatchPlan,
    sources: Sequence[SampleSource],
    folder: Path,
    *,
    ppm: float | None = None,
    allow_outside: bool = False,
    progress: Progress = lambda step: None,
    stop_wanted: Callable[[], bool] = lambda: False,
) -> Outcome:
    """Receive every listed channel from recordings into clips and the watch log of a folder.

    Parameters
    ----------
    plan : WatchPlan
    sources : sequence of SampleSource
        Their stretches are taken in order of time.
    folder : Path
        Made if absent; an earlier log in it is continued, and clips left by a crash are finished first.
    ppm : float, optional
        Error of the radio's reference; the plan's where not given.
    allow_outside : bool
        Channels that no recording shows are logged as not watched; otherwise they are an error.
    progress : callable
        Told after each block.
    stop_wanted : callable
        Asked after each block; when true, open transmissions are finished and the replay ends.

    Raises
    ------
    RadioError, StorageError
        With one sentence. What was received before is in the log, which says that the watch failed.
    """
    ppm = plan.ppm if ppm is None else ppm
    pieces = _pieces(plan, sources, ppm)
    if not allow_outside:
        _refuse_outside(plan, pieces)
    with ClipStore(folder, program=program()) as clips, WatchLog.open(folder, create=True) as log:
        recovered = recover_left_behind(clips, log)
        watch_id = log.begin_watch(_facts(plan, pieces))
        keeper = LogKeeper(log, clips, watch_id)
        outcome = Outcome(folder, watch_id, recovered=recovered)
        samples = _Count()
        spectra = SpectrumStore(folder, least_free_gb=plan.keep.least_free_gb, tell=outcome.notes.append)
        chain: ReceiveChain | None = None
        try:
            for piece in pieces:
                keeper.commit(list(_absences(piece, pieces)))
                chain = _chain(plan, piece, clips, ppm, spectra)
                for records in _received(piece, chain, samples, stop_wanted):
                    keeper.commit(records)
                    outcome.heard = keeper.heard
                    progress(_step(piece, pieces, samples, keeper.heard))
                outcome.notes += chain.problems if chain is not None else []
                if stop_wanted():
                    outcome.stopped = True
                    break
        except BaseException as failure:
            with contextlib.suppress(Exception):  # the first failure is the one to tell
                if chain is not None and isinstance(failure, RadioError):
                    keeper.commit(chain.finish(EndedBy.STOPPED))
                log.end_watch(watch_id, samples.end(pieces, WatchEndedBy.FAILED))
            raise
        ended_by = WatchEndedBy.STOPPED if outcome.stopped else WatchEndedBy.END_OF_SAMPLES
        log.end_watch(watch_id, samples.end(pieces, ended_by))
        outcome.notes += [note for source in sources for note in source.notes()] + clips.problems
    return outcome


@dataclass(slots=True)
class _Count:
    done: int = 0
    before_piece: int = 0
    lost: int = 0
    clipped: int = 0
    last_utc: datetime | None = None

    def end(self, pieces: Sequence[_Piece], ended_by: WatchEndedBy) -> WatchEnd:
        ended = self.last_utc or pieces[0].stretch.start_utc
        return WatchEnd(ended, ended_by, self.done, self.lost, self.clipped)


def _pieces(plan: WatchPlan, sources: Sequence[SampleSource], ppm: float) -> list[_Piece]:
    pieces = []
    for source in sources:
        for number, stretch in enumerate(source.stretches()):
            if stretch.sample_rate_hz < LOWEST_RATE_HZ:
                raise RadioError(
                    f"{stretch.label}: the sample rate is {stretch.sample_rate_hz} Hz; it must be at least "
                    f"{LOWEST_RATE_HZ} Hz to hold a voice channel"
                )
            inside = tuple(
                c for c in plan.channels if is_inside(c, stretch.sample_rate_hz, stretch.centre_hz, ppm)
            )
            outside = tuple(c for c in plan.channels if c not in inside)
            pieces.append(_Piece(source, number, stretch, inside, outside))
    if not pieces:
        raise RadioError("the recordings hold no samples; give at least one with some")
    return sorted(pieces, key=lambda piece: piece.stretch.start_utc)


def _refuse_outside(plan: WatchPlan, pieces: Sequence[_Piece]) -> None:
    never = [c for c in plan.channels if all(c in piece.outside for piece in pieces)]
    if not never:
        return
    spans = []
    for stretch in (piece.stretch for piece in pieces):
        half = stretch.sample_rate_hz / 2
        low, high = write_mhz(round(stretch.centre_hz - half)), write_mhz(round(stretch.centre_hz + half))
        spans.append(f"{low} to {high} MHz")
    names = ", ".join(f'"{c.name}" ({write_mhz(c.frequency_hz)} MHz)' for c in never)
    lies = "channel {} lies" if len(never) == 1 else "channels {} lie"
    raise RadioError(
        f"{lies.format(names)} outside the recording's span of {' and '.join(dict.fromkeys(spans))}; "
        "take it out of the plan, or give --allow-outside to log it as not watched"
    )


def _facts(plan: WatchPlan, pieces: Sequence[_Piece]) -> WatchFacts:
    unknown = [piece.stretch.label for piece in pieces if not piece.stretch.time_is_known]
    notes = f"The time of {', '.join(dict.fromkeys(unknown))} is not known." if unknown else ""
    return WatchFacts(
        started_utc=pieces[0].stretch.start_utc,
        source_label=", ".join(dict.fromkeys(piece.stretch.label for piece in pieces)),
        plan_text=plan.text,
        plan_sha256=plan.digest,
        program_version=program(),
        channels=plan.channels,
        stretches=tuple(piece.stretch for piece in pieces),
        station=plan.station.name,
        time_zone=plan.station.time_zone,
        notes=notes,
    )


def _absences(piece: _Piece, pieces: Sequence[_Piece]) -> Iterator[Gap]:
    """Channels this stretch cannot show, and the pause before it within the same recording."""
    start = piece.stretch.start_utc
    stop = _stop_of(piece)
    if stop > start:
        for channel in piece.outside:
            yield Gap(channel.name, start, stop, GapCause.OUTSIDE_SPAN)
    earlier = [_stop_of(p) for p in pieces if p.source is piece.source and p.stretch.start_utc < start]
    if earlier and (before := max(earlier)) < start:
        for channel in (*piece.inside, *piece.outside):
            yield Gap(channel.name, before, start, GapCause.NO_SAMPLES)


def _stop_of(piece: _Piece) -> datetime:
    stretch = piece.stretch
    return instant_of_sample(stretch.start_utc, stretch.samples or 0, stretch.sample_rate_hz)


def _chain(
    plan: WatchPlan, piece: _Piece, clips: ClipStore, ppm: float, spectra: SpectrumStore
) -> ReceiveChain | None:
    """The receiver of one stretch; None where it shows no listed channel."""
    if not piece.inside:
        return None
    return ReceiveChain(
        piece.inside,
        piece.stretch.sample_rate_hz,
        piece.stretch.centre_hz,
        piece.stretch.start_utc,
        clips,
        ppm=ppm,
        longest_clip_s=plan.station.longest_clip_s,
        rules=ReceiveRules.of(plan),
        spectra=spectra,
    )


def _received(
    piece: _Piece,
    chain: ReceiveChain | None,
    count: _Count,
    stop_wanted: Callable[[], bool],
) -> Iterator[list[Record]]:
    stretch = piece.stretch
    count.before_piece = count.done
    if chain is None:
        count.done += stretch.samples or 0
        count.last_utc = _stop_of(piece)
        yield []
        return
    for block in piece.source.blocks(piece.number):
        records = chain.push(block)
        count.done += len(block.samples)
        count.lost += block.lost_before
        count.clipped += block.clipped
        count.last_utc = instant_of_sample(stretch.start_utc, block.stop_sample, stretch.sample_rate_hz)
        yield records
        if stop_wanted():
            yield chain.finish(EndedBy.STOPPED)
            return
    yield chain.finish()


def _step(piece: _Piece, pieces: Sequence[_Piece], count: _Count, heard: int) -> Step:
    before_s = sum(p.seconds for p in pieces[: pieces.index(piece)])
    within_s = (count.done - count.before_piece) / piece.stretch.sample_rate_hz
    return Step(
        label=piece.stretch.label,
        samples_done=count.done,
        samples_total=sum(p.stretch.samples or 0 for p in pieces),
        seconds_done=before_s + within_s,
        seconds_total=sum(p.seconds for p in pieces),
        heard=heard,
    )
