"""Parts of recordings looked at again after the watch: how strong a missed one was, and its IQ to keep."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol

import numpy as np

from dsp.blocks import ComplexSamples
from dsp.channelizer import ChannelCut, Channelizer
from dsp.detector import Detector
from watcher.errors import StorageError
from watcher.plan.model import Channel
from watcher.plan.names import file_part
from watcher.radio.sigmf_annotations import Annotation
from watcher.radio.sigmf_recording import META_SUFFIX
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.radio.source import SampleSource, Stretch
from watcher.receive.span import is_inside
from watcher.trial.scoring import Score, State, channel_of
from watcher.trial.truth import Sent
from watcher.utc import instant_of_sample, write_utc

AROUND_S = 1.0  # of IQ kept before and after
LONGEST_KEPT_S = 20.0  # of one failure, the margins aside: enough to see why
MOST_KEPT = 50  # failures whose IQ is kept: some hundred megabytes at 2.4 MS/s are in each
SETTLING_S = 1.5  # the noise floor is learned in about half a second
LONGEST_MEASURED_S = 10.0


@dataclass(frozen=True, slots=True)
class Part:
    """Samples of one stretch from one count up to another."""

    first: int
    stop: int


def part_of(stretch: Stretch, start: datetime, stop: datetime) -> Part | None:
    """The samples between two instants, cut to the stretch; None where it holds none of them."""
    rate_hz = stretch.sample_rate_hz
    microsecond = timedelta(microseconds=1)
    first = max(0, (start - stretch.start_utc) // microsecond * rate_hz // 1_000_000)
    last = min(stretch.samples or 0, (stop - stretch.start_utc) // microsecond * rate_hz // 1_000_000)
    return Part(first, last) if first < last else None


class Listener(Protocol):
    """Takes the samples of one part in order."""

    def take(self, samples: ComplexSamples) -> None:
        """The next samples."""
        ...

    def close(self) -> None:
        """The part is over, or the stretch is."""
        ...


def walk(source: SampleSource, number: int, wanted: Sequence[tuple[Part, Callable[[], Listener]]]) -> None:
    """Hand the samples of many parts of a stretch to their listeners, in one reading.

    A listener is made when its part begins and closed when it is over, so that few are alive at once.
    """
    waiting = sorted(wanted, key=lambda each: each[0].first, reverse=True)
    alive: list[tuple[Part, Listener]] = []
    try:
        for block in source.blocks(number) if waiting else ():
            while waiting and waiting[-1][0].first < block.stop_sample:
                part, make = waiting.pop()
                alive.append((part, make()))
            for part, listener in alive:
                low, high = max(part.first, block.first_sample), min(part.stop, block.stop_sample)
                if low < high:
                    listener.take(block.samples[low - block.first_sample : high - block.first_sample])
            for part, listener in [each for each in alive if each[0].stop <= block.stop_sample]:
                listener.close()
                alive.remove((part, listener))
            if not waiting and not alive:
                return
    finally:
        for _, listener in alive:
            listener.close()


class _Strength:
    """Carrier over noise of one transmission, by the receiver's own measure of power and noise floor."""

    def __init__(self, bank: Channelizer, skipped: int, tell: Callable[[float], None]) -> None:
        self._bank = bank
        self._detector = Detector(bank)
        self._skipped = skipped
        self._tell = tell
        self._ratios: list[float] = []

    def take(self, samples: ComplexSamples) -> None:
        """The next samples: first those that settle the floor, then the transmission's."""
        for piece in self._bank.push(samples):
            seen = self._detector.push(piece)
            self._ratios += (seen.measures.power[0] / seen.floor[0]).tolist()

    def close(self) -> None:
        """Tell what was measured; negative infinity where no energy stood over the floor."""
        if len(self._ratios) > self._skipped:
            over = float(np.mean(self._ratios[self._skipped :])) - 1
            self._tell(10 * float(np.log10(over)) if over > 0 else -np.inf)


def measure_cnr_db(
    sources: Sequence[SampleSource], wanted: Sequence[tuple[Sent, Channel]], ppm: float
) -> dict[Sent, float]:
    """Carrier over noise in the pass band of transmissions whose strength the truth does not tell.

    Measured while the truth says each was on; negative infinity where no energy stood over the floor.
    """
    found: dict[Sent, float] = {}
    for source in sources:
        for number, stretch in enumerate(source.stretches()):
            parts = []
            for sent, channel in wanted:
                if sent in found or not is_inside(channel, stretch.sample_rate_hz, stretch.centre_hz, ppm):
                    continue
                stop = min(sent.stop_utc, sent.start_utc + timedelta(seconds=LONGEST_MEASURED_S))
                part = part_of(stretch, sent.start_utc - timedelta(seconds=SETTLING_S), stop)
                own = part_of(stretch, sent.start_utc, stop)
                if part is None or own is None:
                    continue
                parts.append((part, _strength_of(stretch, channel, own.first - part.first, ppm, found, sent)))
            walk(source, number, parts)
    return found


def _strength_of(  # noqa: PLR0917 - one call, beside it
    stretch: Stretch, channel: Channel, settling: int, ppm: float, found: dict[Sent, float], sent: Sent
) -> Callable[[], Listener]:
    def make() -> Listener:
        offset_hz = channel.frequency_hz - stretch.centre_hz * (1 + ppm * 1e-6)
        bank = Channelizer(stretch.sample_rate_hz, [ChannelCut(offset_hz, channel.pass_band_hz)])
        skipped = -(-settling // bank.shape.hop_samples) + 1
        return _Strength(bank, skipped, lambda cnr_db: found.__setitem__(sent, cnr_db))

    return make


def keep_failures(
    folder: Path, score: Score, channels: Sequence[Channel], sources: Sequence[SampleSource]
) -> tuple[list[Path], int]:
    """Write the IQ around each miss and each false opening as SigMF with the truth as its annotation.

    Returns
    -------
    tuple
        The metadata files, and how many failures were left out because there were more than `MOST_KEPT`.

    Raises
    ------
    StorageError
        They cannot be written.
    """
    failures = list(_failures(score, channels))
    left, kept = failures[:MOST_KEPT], []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for source in sources:
            for number, stretch in enumerate(source.stretches()):
                parts = []
                for failure in list(left):
                    part = _around(failure, stretch)
                    if part is not None:
                        left.remove(failure)
                        base = folder / _file_name(failure)
                        kept.append(base.with_name(base.name + META_SUFFIX))
                        parts.append((part, lambda f=failure, s=stretch, p=part, b=base: _Kept(f, s, p, b)))
                walk(source, number, parts)
    except OSError as problem:
        raise StorageError(
            f"--keep-failures {folder} cannot be written ({problem.strerror}); give it room"
        ) from problem
    return kept, max(0, len(failures) - MOST_KEPT)


@dataclass(frozen=True, slots=True)
class _Failure:
    """One miss or false opening."""

    name: str
    channel: str
    frequency_hz: float
    width_hz: float
    start: datetime
    stop: datetime
    words: str
    facts: Mapping[str, object]

    @property
    def kept_stop(self) -> datetime:
        """Its end, or where so much of it is kept that one sees why."""
        return min(self.stop, self.start + timedelta(seconds=LONGEST_KEPT_S))


def _failures(score: Score, channels: Sequence[Channel]) -> Iterator[_Failure]:
    widths = {each.name: each for each in channels}
    for verdict in score.verdicts:
        sent = verdict.sent
        if verdict.state is not State.MISSED or verdict.cause is None:
            continue
        channel = channel_of(sent, channels)
        assert channel is not None  # else it were not listed
        facts = {
            "failure": "missed",
            "cause": str(verdict.cause.why),
            "frequency_hz": channel.frequency_hz,
            "snr_db": sent.cnr_db,
            "noise_width_hz": sent.noise_width_hz,
            **({"ctcss_hz": sent.tone_hz} if sent.tone_is_known else {}),
            **({"dcs": sent.code} if sent.code_is_known else {}),
        }
        yield _Failure(
            "missed",
            channel.name,
            sent.frequency_hz or channel.frequency_hz,
            channel.pass_band_hz,
            sent.start_utc,
            sent.stop_utc,
            verdict.cause.words,
            {key: value for key, value in facts.items() if value is not None or key in ("ctcss_hz", "dcs")},
        )
    for false in score.false_openings:
        yield _Failure(
            "false",
            false.channel,
            false.frequency_hz,
            widths[false.channel].pass_band_hz,
            false.start_utc,
            false.end_utc,
            "a false opening: the truth knows of no transmission here",
            {"failure": "false opening", "frequency_hz": false.frequency_hz},
        )


def _around(failure: _Failure, stretch: Stretch) -> Part | None:
    """The samples to keep; None where the stretch does not show them."""
    if abs(failure.frequency_hz - stretch.centre_hz) > stretch.sample_rate_hz / 2:
        return None
    margin = timedelta(seconds=AROUND_S)
    if part_of(stretch, failure.start, failure.kept_stop) is None:
        return None
    return part_of(stretch, failure.start - margin, failure.kept_stop + margin)


def _file_name(failure: _Failure) -> str:
    when = write_utc(failure.start).replace("-", "").replace(":", "")
    return f"{when}_{failure.name}_{file_part(failure.channel)}"


class _Kept:
    """The IQ of one failure on its way to the disk."""

    def __init__(self, failure: _Failure, stretch: Stretch, part: Part, base: Path) -> None:
        rate_hz = stretch.sample_rate_hz
        description = f"A failure of a trial: {failure.words}."
        self._writer = SigmfWriter(base, "cf32_le", rate_hz, description, None)
        self._writer.start_capture(
            stretch.centre_hz, instant_of_sample(stretch.start_utc, part.first, rate_hz)
        )
        own = part_of(stretch, failure.start, failure.kept_stop)
        assert own is not None  # else it were not kept
        self._annotation = Annotation(
            stretch=0,
            first_sample=own.first - part.first,
            samples=own.stop - own.first,
            lower_hz=failure.frequency_hz - failure.width_hz / 2,
            upper_hz=failure.frequency_hz + failure.width_hz / 2,
            label=failure.channel,
            comment=failure.words,
            facts=failure.facts,
        )

    def take(self, samples: ComplexSamples) -> None:
        """The next samples."""
        self._writer.write(samples)

    def close(self) -> None:
        """Finish the recording."""
        self._writer.annotate(self._annotation)
        self._writer.finish()
