"""SigMF recordings: a JSON file of facts beside a file of samples.

Each capture is a stretch of its own, even where it continues the one before without a break. The
dataset is never hashed: that would read hours of samples before the first is heard.

References
----------
SigMF specification 1.2 (core namespace): captures, non-conforming datasets, `core:offset`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from watcher.errors import RadioError
from watcher.radio.facts import (
    RawFacts,
    check_centre,
    check_sample_rate,
    missing_facts,
    note_unknown_start,
    note_unused,
    start_or_unknown,
)
from watcher.radio.raw_recording import format_of_option, note_odd_bytes, too_short
from watcher.radio.sample_file import Part, SampleFile, closed_on_failure, open_samples
from watcher.radio.sample_formats import DATATYPE_NAMES, SIGMF_FORMATS, SampleFormat
from watcher.radio.sigmf_metadata import Metadata, Scope, read_metadata
from watcher.radio.source import Stretch
from watcher.utc import instant_of_sample, read_utc

META_SUFFIX = ".sigmf-meta"
DATA_SUFFIX = ".sigmf-data"


@dataclass(frozen=True, slots=True)
class _Capture:
    """One capture with its place in the file; `samples` counts whole ones."""

    scope: Scope
    first_index: int  # in the dataset, `core:offset` taken off
    stream_index: int  # in the stream it was cut from
    first_byte: int
    samples: int


def metadata_path(path: Path) -> Path | None:
    """The metadata file that belongs to any of a recording's three names, or None if it is no such name."""
    for suffix in (META_SUFFIX, DATA_SUFFIX):
        if path.name.lower().endswith(suffix):
            return path.with_name(path.name[: -len(suffix)] + META_SUFFIX) if suffix == DATA_SUFFIX else path
    beside = path.with_name(path.name + META_SUFFIX)
    return beside if beside.is_file() else None


def open_sigmf(meta_path: Path, facts: RawFacts) -> SampleFile:
    """The samples of a SigMF recording.

    Parameters
    ----------
    meta_path : Path
        The `.sigmf-meta` file.
    facts : RawFacts
        Fills what the metadata leaves out: the centre frequency of captures without one, and the
        start of the first capture.

    Raises
    ------
    RadioError
        A file is missing or not readable, the metadata is wrong or does not fit the dataset, or the
        samples are stored in a way that is not read. The sentence names file, key and value.
    """
    metadata = read_metadata(meta_path)
    notes: list[str] = []
    sample_format = _sample_format(metadata.globals, facts, notes)
    data_path = _dataset(meta_path, metadata.globals)
    file, size_bytes = open_samples(data_path)
    with closed_on_failure(data_path, file):
        sample_rate_hz = _sample_rate(metadata.globals, facts, notes)
        captures = _captures(metadata, data_path, size_bytes, sample_format, notes)
        stretches = _stretches(meta_path, captures, sample_rate_hz, facts, notes)
    parts = [
        Part(stretch, capture.first_byte, sample_format)
        for stretch, capture in zip(stretches, captures, strict=True)
    ]
    return SampleFile(data_path, file, parts, notes)


def _sample_format(scope: Scope, facts: RawFacts, notes: list[str]) -> SampleFormat:
    tracks = scope.whole("core:num_channels", 1)
    if tracks != 1:
        raise scope.wrong("core:num_channels", "it must be 1: one radio a recording")
    datatype = scope.text("core:datatype")
    if datatype is None:
        if facts.datatype is None:
            raise missing_facts(scope.path, ["datatype"])
        return format_of_option(facts.datatype)
    if datatype not in SIGMF_FORMATS:
        raise scope.wrong("core:datatype", f"it must be one of {DATATYPE_NAMES}")
    if facts.datatype is not None and format_of_option(facts.datatype) != SIGMF_FORMATS[datatype]:
        notes.append(note_unused(scope.path, "datatype"))
    return SIGMF_FORMATS[datatype]


def _dataset(meta_path: Path, scope: Scope) -> Path:
    """The file that holds the samples; a non-conforming dataset is named in the metadata."""
    named = scope.text("core:dataset")
    if named is not None:
        if named in ("", ".", "..") or Path(named).name != named:
            raise scope.wrong("core:dataset", "it must be the name of a file in the same folder")
        return meta_path.with_name(named)
    data_path = meta_path.with_name(meta_path.name[: -len(META_SUFFIX)] + DATA_SUFFIX)
    if not data_path.exists():
        if scope.yes_or_no("core:metadata_only"):
            raise RadioError(
                f"{meta_path}: is metadata only; a recording needs its samples in {data_path.name}"
            )
        raise RadioError(f"{meta_path}: its samples are missing; {data_path.name} must stand beside it")
    return data_path


def _sample_rate(scope: Scope, facts: RawFacts, notes: list[str]) -> int:
    rate_hz = scope.number("core:sample_rate")
    if rate_hz is None:
        if facts.sample_rate_hz is None:
            raise missing_facts(scope.path, ["sample_rate_hz"])
        return facts.sample_rate_hz
    check_sample_rate(rate_hz, scope.trail("core:sample_rate"))
    whole_hz = round(rate_hz)
    if whole_hz != rate_hz:
        notes.append(f"{scope.trail('core:sample_rate')}: {rate_hz} Hz is read as {whole_hz} Hz")
    if facts.sample_rate_hz not in (None, whole_hz):
        notes.append(note_unused(scope.path, "sample_rate_hz"))
    return whole_hz


def _captures(
    metadata: Metadata, data_path: Path, size_bytes: int, sample_format: SampleFormat, notes: list[str]
) -> list[_Capture]:
    """Every capture with its bytes; refuses captures that do not fit the dataset."""
    scopes = metadata.captures or [metadata.implied_capture()]
    stop_byte = size_bytes - metadata.globals.whole("core:trailing_bytes", 0)
    offset = metadata.globals.whole("core:offset", 0)
    indices = [scope.whole("core:sample_start", None) - offset for scope in scopes]
    firsts: list[int] = []
    header_bytes = 0
    for position, (scope, index) in enumerate(zip(scopes, indices, strict=True)):
        if index < 0:
            raise scope.wrong("core:sample_start", f"it must not be under core:offset, {offset}")
        if position and index <= indices[position - 1]:
            raise scope.wrong("core:sample_start", "it must be above that of the capture before")
        header_bytes += scope.whole("core:header_bytes", 0)
        firsts.append(index * sample_format.sample_bytes + header_bytes)
        if firsts[-1] + sample_format.sample_bytes > stop_byte:
            held = max(0, stop_byte - header_bytes)
            if position == 0 and index == 0:
                raise too_short(data_path, held, sample_format)
            raise scope.wrong(
                "core:sample_start",
                f"{data_path.name} holds {held // sample_format.sample_bytes} samples: it is cut short",
            )
    if indices[0] > 0:
        notes.append(f"{data_path}: the first {indices[0]} samples belong to no capture and are left out")
    last_samples, odd_bytes = divmod(stop_byte - firsts[-1], sample_format.sample_bytes)
    if odd_bytes:
        notes.append(note_odd_bytes(data_path, odd_bytes, sample_format))
    lengths = [*(later - earlier for earlier, later in pairwise(indices)), last_samples]
    return [
        _Capture(scope, index, scope.whole("core:global_index", index + offset), first_byte, samples)
        for scope, index, first_byte, samples in zip(scopes, indices, firsts, lengths, strict=True)
    ]


def _stretches(
    meta_path: Path, captures: list[_Capture], sample_rate_hz: int, facts: RawFacts, notes: list[str]
) -> list[Stretch]:
    """Every capture with its centre and start.

    A capture without a time of its own starts where the stream's own count puts it after the capture
    before; the first one where the user says, or at an assumed instant that is marked as such.
    """
    stretches: list[Stretch] = []
    for position, capture in enumerate(captures):
        centre_hz = _centre(capture.scope, facts, notes)
        start_utc, time_is_known = _start(capture.scope, notes), True
        if start_utc is None and position:
            before = stretches[-1]
            passed = capture.stream_index - captures[position - 1].stream_index
            start_utc = instant_of_sample(before.start_utc, passed, sample_rate_hz)
            time_is_known = before.time_is_known
        elif start_utc is None:
            start_utc, time_is_known = start_or_unknown(facts.start_utc)
            if not time_is_known:
                notes.append(note_unknown_start(meta_path))
        elif facts.start_utc not in (None, start_utc) and not position:
            notes.append(note_unused(meta_path, "start_utc"))
        if stretches and start_utc < stretches[-1].start_utc:
            raise capture.scope.wrong("core:datetime", "it must not be before that of the capture before")
        label = meta_path.name[: -len(META_SUFFIX)]
        stretches.append(Stretch(start_utc, time_is_known, sample_rate_hz, centre_hz, capture.samples, label))
    return stretches


def _centre(scope: Scope, facts: RawFacts, notes: list[str]) -> int:
    centre_hz = scope.number("core:frequency")
    if centre_hz is None:
        if facts.centre_hz is None:
            raise missing_facts(scope.path, ["centre_hz"])
        return facts.centre_hz
    check_centre(centre_hz, scope.trail("core:frequency"))
    whole_hz = round(centre_hz)
    if whole_hz != centre_hz:
        notes.append(f"{scope.trail('core:frequency')}: {centre_hz} Hz is read as {whole_hz} Hz")
    unused = note_unused(scope.path, "centre_hz")
    if facts.centre_hz not in (None, whole_hz) and unused not in notes:
        notes.append(unused)
    return whole_hz


def _start(scope: Scope, notes: list[str]) -> datetime | None:
    text = scope.text("core:datetime")
    if text is None:
        return None
    try:
        instant = datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError as error:
        raise scope.wrong("core:datetime", "it must be UTC like 2031-05-04T03:02:01.250Z") from error
    if instant.tzinfo is None:
        notes.append(
            f"{scope.trail('core:datetime')}: {text} has no Z and is read as UTC, the only zone SigMF has"
        )
        return instant.replace(tzinfo=UTC)
    return read_utc(text)
