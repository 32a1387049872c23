"""A recording that stands in as a radio, at the pace of the clock: the whole watch runs without hardware.

It is the air, not a tape: time passes whether it is tuned or not, and who reads too slowly loses samples.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from dsp.blocks import IqBlock
from watcher.errors import RadioError
from watcher.radio.clocks import running_s, utc_now
from watcher.radio.facts import RawFacts
from watcher.radio.live import RadioLost, StreamFacts
from watcher.radio.recording import open_recording
from watcher.radio.ring_stream import RING_S
from watcher.radio.source import SampleSource, Stretch
from watcher.radio.span_cut import SpanCut


class PlayedRecording:
    """A :class:`~watcher.radio.live.LiveRadio` over a recording.

    What has another rate or centre than its first stretch is not played; its time is lost.

    Parameters
    ----------
    path : Path
    sample_rate_hz : int or None
        Of the streams: that of the recording where it is not said, or a whole part of it.
    loop : bool
        Over and over; one sample counts as lost where the end meets the beginning.
    speed : float
        Times real time.
    facts : RawFacts or None
        What the recording does not say.
    clock, sleep, now : callable
        Seconds that never step; a wait in those seconds; the system clock.
    """

    def __init__(
        self,
        path: Path,
        *,
        sample_rate_hz: int | None = None,
        loop: bool = False,
        speed: float = 1.0,
        facts: RawFacts | None = None,
        clock: Callable[[], float] = running_s,
        sleep: Callable[[float], None] = time.sleep,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        if not speed > 0:
            raise ValueError(f"speed is {speed}; it must be above 0")
        self._path = path
        self._asked_rate_hz = sample_rate_hz
        self._loop = loop
        self._speed = speed
        self._facts = facts
        self._clock = clock
        self._sleep = sleep
        self._now = now
        self._began_s: float | None = None
        self._source: SampleSource | None = None
        self._stream: PlayedStream | None = None
        self._notes: list[str] = []

    @property
    def label(self) -> str:
        """The recording's name."""
        return f"recording {self._path.name}"

    def open(self) -> None:
        """Open the file; the first opening is when the recording begins on the air.

        Raises
        ------
        RadioLost
            It has come to its end.
        RadioError
            It cannot be read, or has not the rate that is asked for.
        """
        if self._source is not None:
            return
        source = open_recording(self._path, facts=self._facts)
        try:
            stretches = source.stretches()
            first = stretches[0]
            if self._asked_rate_hz and first.sample_rate_hz % self._asked_rate_hz:
                raise RadioError(
                    f"radio: sample_rate_hz is {self._asked_rate_hz}; {self._path.name} has "
                    f"{first.sample_rate_hz}, and it must be that or a whole part of it, like "
                    f"{first.sample_rate_hz // 2}"
                )
        except BaseException:
            source.close()
            raise
        if self._began_s is None:
            self._began_s = self._clock()
            self._notes += source.notes()
            if others := len(stretches) - len(_alike(stretches)):
                self._notes.append(
                    f"{self.label}: stretches with another rate or centre than the first are not played: "
                    f"{others} of {len(stretches)}"
                )
        self._source = source

    def tune(self, centre_hz: int) -> PlayedStream:
        """Begin a stream around a frequency, with what is on the air now.

        Raises
        ------
        RadioLost
            The recording has come to its end.
        RadioError
            The span around the frequency is not inside the recording.
        """
        if self._source is None or self._began_s is None:
            raise RadioLost(f"{self.label} is not open; open it again")
        self._end_stream()
        first = self._source.stretches()[0]
        rate_hz = self._asked_rate_hz or first.sample_rate_hz
        step = first.sample_rate_hz // rate_hz
        offset_hz = centre_hz - first.centre_hz
        if abs(offset_hz) + rate_hz / 2 > first.sample_rate_hz / 2:
            raise RadioError(
                f"{self.label}: {centre_hz / 1e6:.6f} MHz and {rate_hz} samples/s are not inside it; it has "
                f"{first.sample_rate_hz} samples/s around {first.centre_hz / 1e6:.6f} MHz"
            )
        per_second = first.sample_rate_hz * self._speed
        elapsed = int((self._clock() - self._began_s) * per_second)
        start = -(-elapsed // step) * step
        self._stream = PlayedStream(
            _on_the_air(self._source, start, self._loop),
            SpanCut(first.sample_rate_hz, offset_hz, step) if step > 1 else None,
            step=step,
            start=start,
            due_s=lambda sample: self._began(sample / per_second),
            facts=StreamFacts(self._now(), rate_hz, centre_hz),
            label=self.label,
            clock=self._clock,
            sleep=self._sleep,
        )
        return self._stream

    def close(self) -> None:
        """Close the file; never fails, may be called twice."""
        self._end_stream()
        source, self._source = self._source, None
        if source is not None:
            source.close()

    def notes(self) -> list[str]:
        """Sentences since the last call."""
        told, self._notes = self._notes, []
        return told

    def _began(self, later_s: float) -> float:
        return (self._began_s or 0.0) + later_s

    def _end_stream(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.stop()
            if stream.dropped:
                self._notes.append(f"{self.label}: {stream.dropped} samples passed while nobody took them")


class PlayedStream:
    """Blocks of a recording, each when its last sample is due.

    Parameters
    ----------
    blocks : iterator of IqBlock
        Counted at the recording's rate since it began on the air.
    cut : SpanCut or None
    step, start : int
        Recording samples per sample of the stream; where the stream begins, a multiple of `step`.
    due_s : callable
        When a sample of the recording is on the air, on the clock.
    facts : StreamFacts
    label : str
    clock, sleep : callable
    """

    def __init__(
        self,
        blocks: Iterator[IqBlock],
        cut: SpanCut | None,
        *,
        step: int,
        start: int,
        due_s: Callable[[int], float],
        facts: StreamFacts,
        label: str,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        self._blocks = blocks
        self._cut = cut
        self._step = step
        self._start = start
        self._due_s = due_s
        self._facts = facts
        self._label = label
        self._clock = clock
        self._sleep = sleep
        self._next: IqBlock | None = None
        self._position = start  # of the recording: what was given to the cut so far
        self._out = 0  # of the stream: the count of the next sample that comes out
        self._unheard = 0
        self._stopped = False
        self.dropped = 0

    @property
    def facts(self) -> StreamFacts:
        """What the stream is like."""
        return self._facts

    def read(self, timeout_s: float) -> IqBlock | None:
        """The next block once it is due, or None where that is later, or after :meth:`stop`.

        Raises
        ------
        RadioLost
            The recording has come to its end, or cannot be read on.
        """
        if self._stopped:
            return None
        if self._next is None:
            self._next = self._following()
        due_s = self._due_s(self._next.stop_sample)
        wait_s = due_s - self._clock()
        if wait_s > timeout_s:
            self._sleep(timeout_s)
            return None
        if wait_s > 0:
            self._sleep(wait_s)
        block, self._next = self._next, None
        return self._given(block)

    def stop(self) -> None:
        """End the stream; may be called twice."""
        self._stopped = True

    def _following(self) -> IqBlock:
        """The next block that has samples the stream has not passed and that is not too old to be kept."""
        while True:
            try:
                block = next(self._blocks, None)
            except RadioError as failure:
                raise RadioLost(str(failure)) from failure
            if block is None:
                raise RadioLost(f"{self._label} has come to its end; loop = true plays it over and over")
            if block.stop_sample <= self._start or not len(block.samples):
                continue
            if self._clock() - self._due_s(block.stop_sample) > RING_S:
                self.dropped += len(block.samples)
                continue
            return block

    def _given(self, block: IqBlock) -> IqBlock | None:
        """The part of the block that the stream shows; None where it completes no sample."""
        skipped = max(0, self._start - block.first_sample)
        if self._cut is None:
            first = block.first_sample + skipped - self._start
            samples = block.samples[skipped:]
        else:
            if block.first_sample + skipped != self._position:
                skipped += -(block.first_sample + skipped - self._start) % self._step
                if skipped >= len(block.samples):  # too short to reach the next multiple of the step
                    return None
                self._cut.reset()
                self._out = (block.first_sample + skipped - self._start) // self._step
            self._position = block.stop_sample
            first = self._out
            samples = self._cut.push(block.samples[skipped:], block.first_sample + skipped)
            self._out += len(samples)
        if not len(samples):
            return None
        lost, self._unheard = first - self._unheard, first + len(samples)
        facts = self._facts
        return IqBlock(samples, first, facts.sample_rate_hz, facts.centre_hz, lost, block.clipped)


def _on_the_air(source: SampleSource, start: int, loop: bool) -> Iterator[IqBlock]:
    """The blocks from the one that holds sample `start` on, counted since the recording began on the air."""
    played = _alike(source.stretches())
    gaps = [_gap(one, other) for (_, one), (_, other) in pairwise(played)] + [1]
    lengths = [(stretch.samples or 0) + gap for (_, stretch), gap in zip(played, gaps, strict=True)]
    offset = start // sum(lengths) * sum(lengths) if loop else 0
    while True:
        for (number, _), length in zip(played, lengths, strict=True):
            if offset + length > start:
                for block in source.blocks(number):
                    yield replace(block, first_sample=offset + block.first_sample)
            offset += length
        if not loop:
            return


def _alike(stretches: Sequence[Stretch]) -> list[tuple[int, Stretch]]:
    """The stretches with the rate and the centre of the first, each with its number."""
    first = stretches[0]
    return [
        (number, stretch)
        for number, stretch in enumerate(stretches)
        if (stretch.sample_rate_hz, stretch.centre_hz) == (first.sample_rate_hz, first.centre_hz)
    ]


def _gap(one: Stretch, other: Stretch) -> int:
    """Samples between two stretches, by their times; at least one, so that the seam is seen."""
    if not (one.time_is_known and other.time_is_known):
        return 1
    apart_s = (other.start_utc - one.start_utc).total_seconds()
    return max(1, round(apart_s * one.sample_rate_hz) - (one.samples or 0))
