"""Files of bare samples: what the name does not say, the user must."""

from __future__ import annotations

from pathlib import Path

from watcher.errors import RadioError
from watcher.radio.facts import OPTIONS, RawFacts, missing_facts, note_unknown_start, start_or_unknown
from watcher.radio.sample_file import Part, SampleFile, closed_on_failure, open_samples
from watcher.radio.sample_formats import DATATYPE_NAMES, SIGMF_FORMATS, SUFFIX_FORMATS, SampleFormat
from watcher.radio.source import Stretch


def open_raw(path: Path, facts: RawFacts) -> SampleFile:
    """The samples of a file without a header.

    Their datatype comes from the option if there is one, else from the ending of the name.

    Raises
    ------
    RadioError
        The file cannot be opened or holds no sample, or a fact is missing or wrong.
    """
    file, size_bytes = open_samples(path)
    with closed_on_failure(path, file):
        sample_format = _format_of(path, facts)
        lacking = [name for name in ("sample_rate_hz", "centre_hz") if getattr(facts, name) is None]
        if sample_format is None:
            lacking.insert(0, "datatype")
        if sample_format is None or facts.sample_rate_hz is None or facts.centre_hz is None:
            raise missing_facts(path, lacking)
        samples, odd_bytes = divmod(size_bytes, sample_format.sample_bytes)
        notes = [note_odd_bytes(path, odd_bytes, sample_format)] if odd_bytes else []
        if samples == 0:
            raise too_short(path, size_bytes, sample_format)
        start_utc, time_is_known = start_or_unknown(facts.start_utc)
        if not time_is_known:
            notes.append(note_unknown_start(path))
        stretch = Stretch(start_utc, time_is_known, facts.sample_rate_hz, facts.centre_hz, samples, path.name)
    return SampleFile(path, file, [Part(stretch, 0, sample_format)], notes)


def note_odd_bytes(path: Path, odd_bytes: int, sample_format: SampleFormat) -> str:
    """The note for the bytes after the last whole sample."""
    words = "byte is" if odd_bytes == 1 else f"{odd_bytes} bytes are"
    takes = f"a {sample_format.name} sample takes {sample_format.sample_bytes}"
    return f"{path}: the last {words} left out; {takes}"


def too_short(path: Path, size_bytes: int, sample_format: SampleFormat) -> RadioError:
    """The sentence for a file without a whole sample."""
    return RadioError(
        f"{path}: has {size_bytes} byte{'s' * (size_bytes != 1)} for samples; "
        f"one {sample_format.name} sample takes {sample_format.sample_bytes}"
    )


def _format_of(path: Path, facts: RawFacts) -> SampleFormat | None:
    if facts.datatype is None:
        return SUFFIX_FORMATS.get(path.suffix.lower())
    return format_of_option(facts.datatype)


def format_of_option(datatype: str) -> SampleFormat:
    """The format a user names, by its SigMF name or by the ending such files have."""
    named = SIGMF_FORMATS.get(datatype) or SUFFIX_FORMATS.get(f".{datatype}")
    if named is None:
        raise RadioError(
            f'{OPTIONS["datatype"]}: "{datatype}" is not known; it must be one of {DATATYPE_NAMES}'
        )
    return named
