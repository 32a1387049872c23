"""The one door for recordings: a path becomes a source of samples, whatever the format."""

from __future__ import annotations

from pathlib import Path

from watcher.errors import RadioError
from watcher.radio.facts import OPTIONS, RawFacts
from watcher.radio.raw_recording import open_raw
from watcher.radio.sample_formats import SUFFIX_FORMATS
from watcher.radio.sigmf_recording import metadata_path, open_sigmf
from watcher.radio.source import SampleSource
from watcher.radio.wav_recording import open_wav

WAV_SUFFIXES = frozenset({".wav", ".rf64", ".w64"})
_KINDS = "SigMF (.sigmf-meta), WAV (.wav .rf64 .w64), or bare samples (.cu8 .cs8 .cs16 .cf32)"


def open_recording(path: Path | str, *, facts: RawFacts | None = None) -> SampleSource:
    """The samples of one recording, in order of time and in bounded memory.

    Parameters
    ----------
    path : Path or str
        SigMF: either file or their common name. WAV, RF64, W64: two tracks, I and Q. Bare samples:
        the ending `.cu8`, `.cs8`, `.cs16` or `.cf32` says how they are stored, or `facts.datatype`.
    facts : RawFacts or None
        What the recording does not say. Where it says it itself, the recording is believed and a
        note tells so.

    Returns
    -------
    SampleSource
        Where nobody tells the start, `time_is_known` is False and times count from 1970.

    Raises
    ------
    RadioError
        The recording cannot be read, in one sentence that names the file and what would be right.
    """
    path = Path(path)
    given = facts or RawFacts()
    meta_path = metadata_path(path)
    suffix = path.suffix.lower()
    if meta_path is not None:
        return open_sigmf(meta_path, given)
    if path.is_dir():
        raise RadioError(f"{path}: is a folder; give the file of a recording")
    if suffix in (".sigmf", ".sigmf-collection"):
        raise RadioError(f"{path}: holds several files; unpack it and give each .sigmf-meta on its own")
    if suffix in WAV_SUFFIXES:
        return open_wav(path, given)
    if suffix in SUFFIX_FORMATS or given.datatype is not None:
        return open_raw(path, given)
    if not path.exists():
        raise RadioError(f"{path}: there is no such file; check the name")
    raise RadioError(
        f"{path}: is no kind of recording that is read; give {_KINDS}, "
        f"or say with {OPTIONS['datatype']} how its samples are stored"
    )
