"""Parts of recordings looked at again after the watch: how strong a missed one was, and its IQ to keep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from dsp.blocks import ComplexSamples
from dsp.channelizer import ChannelCut, Channelizer
from dsp.detector import Detector
from watcher.errors import StorageError
from watcher.plan.model import Channel
from watcher.plan.names import file_part
from watcher.radio.sigmf_annotations import Annotation
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


def pieces_of(
    source: SampleSource, number: int, parts: Sequence[Part]
) -> Iterator[tuple[int, ComplexSamples]]:
    """The samples of several parts in one reading: which part, and its next samples."""
    if not parts:
        return
    last = max(part.stop for part in parts)
    for block in source.blocks(number):
        for place, part in enumerate(parts):
            low, high = max(part.first, block.first_sample), min(part.stop, block.stop_sample)
            if low < high:
                yield place, block.samples[low - block.first_sample : high - block.first_sample]
        if block.first_sample >= last:
            return


def measure_cnr_db(
    sources: Sequence[SampleSource], wanted: Sequence[tuple[Sent, Channel]], ppm: float
) -> dict[Sent, float]:
    """Carrier over noise in the pass band of transmissions whose strength the truth does not tell.

    By the receiver's own measure of power and noise floor while the truth says it was on; negative infinity
    where no energy stood over the floor.
    """
    found: dict[Sent, float] = {}
    for source in sources:
        for number, stretch in enumerate(source.stretches()):
            for sent, channel in wanted:
                rate_hz = stretch.sample_rate_hz
                if sent in found or not is_inside(channel, rate_hz, stretch.centre_hz, ppm):
                    continue
                longest = timedelta(seconds=LONGEST_MEASURED_S)
                stop = min(sent.stop_utc, sent.start_utc + longest)
                part = part_of(stretch, sent.start_utc - timedelta(seconds=SETTLING_S), stop)
                own = part_of(stretch, sent.start_utc, stop)
                if part is None or own is None:
                    continue
                offset_hz = channel.frequency_hz - stretch.centre_hz * (1 + ppm * 1e-6)
                bank = Channelizer(rate_hz, [ChannelCut(offset_hz, channel.pass_band_hz)])
                detector = Detector(bank)
                ratios: list[float] = []
                for _, samples in pieces_of(source, number, [part]):
                    for piece in bank.push(samples):
                        seen = detector.push(piece)
                        ratios += (seen.measures.power[0] / seen.floor[0]).tolist()
                skipped = -(-(own.first - part.first) // bank.shape.hop_samples) + 1
                if len(ratios) > skipped:
                    over = float(np.mean(ratios[skipped:])) - 1
                    found[sent] = 10 * np.log10(over) if over > 0 else -np.inf
    return found


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
    kept: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for failure in failures[:MOST_KEPT]:
            kept += _keep(folder, failure, sources)
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


def _keep(folder: Path, failure: _Failure, sources: Sequence[SampleSource]) -> list[Path]:
    margin = timedelta(seconds=AROUND_S)
    stop = min(failure.stop, failure.start + timedelta(seconds=LONGEST_KEPT_S))
    for source in sources:
        for number, stretch in enumerate(source.stretches()):
            rate_hz = stretch.sample_rate_hz
            part = part_of(stretch, failure.start - margin, stop + margin)
            own = part_of(stretch, failure.start, stop)
            half_hz = rate_hz / 2
            if part is None or own is None or abs(failure.frequency_hz - stretch.centre_hz) > half_hz:
                continue
            when = write_utc(failure.start).replace("-", "").replace(":", "")
            base = folder / f"{when}_{failure.name}_{file_part(failure.channel)}"
            description = f"A failure of a trial: {failure.words}."
            with SigmfWriter(base, "cf32_le", rate_hz, description, None) as writer:
                writer.start_capture(
                    stretch.centre_hz, instant_of_sample(stretch.start_utc, part.first, rate_hz)
                )
                for _, samples in pieces_of(source, number, [part]):
                    writer.write(samples)
                writer.annotate(
                    Annotation(
                        stretch=0,
                        first_sample=own.first - part.first,
                        samples=own.stop - own.first,
                        lower_hz=failure.frequency_hz - failure.width_hz / 2,
                        upper_hz=failure.frequency_hz + failure.width_hz / 2,
                        label=failure.channel,
                        comment=failure.words,
                        facts=failure.facts,
                    )
                )
            return [base.with_name(base.name + ".sigmf-meta")]
    return []
