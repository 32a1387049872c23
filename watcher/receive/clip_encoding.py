"""Audio and facts to the bytes of one FLAC file, with the facts in the file's own tags.

References
----------
FLAC: RFC 9639. Tags: Vorbis comments, whose field names are free; ours are those of the log's
export where one exists. A fact that is not known has no tag.
"""

from __future__ import annotations

import io

import mutagen.flac
import numpy as np
import soundfile
from numpy.typing import NDArray

from watcher.plan.figures import write_mhz
from watcher.receive.records import Measured, Sign, Transmission
from watcher.utc import write_utc

AUDIO_RATE_HZ = 16_000
PART_TAG = "unfinished_name"
"""Ties a finished file to the unfinished one it was made from."""

_COMPRESSION = 0.5
"""Of the library's 0 to 1. A voice then takes 0.39 of its samples' size at 15 ns a frame; at 0 it takes 0.60
for a tenth less time. More than 0.5 makes nothing smaller."""


def encode_clip(
    audio: NDArray[np.int16], transmission: Transmission, *, program: str, unfinished_name: str
) -> bytes:
    """The whole file of one clip.

    Parameters
    ----------
    audio : ndarray of int16, shape (n,)
        16 kHz, one track.
    transmission : Transmission
    program : str
        Name and version of the program, for the tags.
    unfinished_name : str
        For the tag `PART_TAG`.
    """
    stream = io.BytesIO()
    with soundfile.SoundFile(
        stream, "w", AUDIO_RATE_HZ, 1, "PCM_16", format="FLAC", compression_level=_COMPRESSION
    ) as file:
        file.write(audio)
    stream.seek(0)
    flac = mutagen.flac.FLAC(stream)  # type: ignore[no-untyped-call]
    for name, value in clip_tags(transmission).items():
        flac[name] = value
    flac["program"] = program
    flac[PART_TAG] = unfinished_name
    stream.seek(0)
    flac.save(stream, padding=lambda _: 0)
    return stream.getvalue()


def read_back(content: bytes) -> tuple[str, int] | None:
    """The unfinished clip that a file was made from and its frames, or None where the file is not whole."""
    try:
        flac = mutagen.flac.FLAC(io.BytesIO(content))  # type: ignore[no-untyped-call]
        names = flac.get(PART_TAG)  # type: ignore[no-untyped-call]
        audio, _ = soundfile.read(io.BytesIO(content), dtype="int16")
    except (mutagen.MutagenError, soundfile.LibsndfileError):
        return None
    return (str(names[0]), len(audio)) if names else None


def clip_tags(transmission: Transmission) -> dict[str, str | list[str]]:
    """The tags that tell a transmission: units in the names, uncertainties under `…_sigma`."""
    tags: dict[str, str | list[str]] = {
        "title": (
            f"{transmission.channel}, {write_mhz(transmission.frequency_hz)} MHz, "
            f"{write_utc(transmission.start_utc)}"
        ),
        "date": write_utc(transmission.start_utc),
        "start_utc": write_utc(transmission.start_utc),
        "end_utc": write_utc(transmission.end_utc),
        "clip_start_utc": write_utc(transmission.clip_start_utc),
        "clip_end_utc": write_utc(transmission.clip_end_utc),
        "channel": transmission.channel,
        "frequency_hz": str(transmission.frequency_hz),
        "mode": transmission.mode,
        "ended_by": transmission.ended_by.value,
        "on_at_start": "yes" if transmission.on_at_start else "no",
        "piece": str(transmission.piece),
    }
    measured: dict[str, Measured | float | None] = {
        "snr_db": transmission.snr_db,
        "power_dbfs": transmission.power_dbfs,
        "frequency_error_hz": transmission.frequency_error_hz,
        "peak_deviation_hz": transmission.peak_deviation_hz,
        "rms_deviation_hz": transmission.rms_deviation_hz,
    }
    tone = transmission.tone
    if tone is not None:
        tags["ctcss"] = "none" if tone.tone_hz is None else f"{tone.tone_hz:.1f} Hz"
        measured |= {
            "ctcss_hz": tone.tone_hz,
            "ctcss_estimate_hz": tone.estimate_hz,
            "ctcss_deviation_hz": tone.deviation_hz,
            "ctcss_probability": tone.probability,
        }
    for name, value in measured.items():
        tags.update(_figure(name, value))
    code, kind = transmission.code, transmission.kind
    if code is not None:
        other = f" ({code.other_name})" if code.other_name else ""
        tags["dcs"] = "none" if code.code is None else f"{code.code}{other}"
        tags.update(_figure("dcs_probability", code.probability))
    if kind is not None:
        tags["kind"] = kind.kind.value
        tags.update(_figure("kind_probability", kind.probability))
        tags.update(_figure("speech_s", kind.speech_s))
    for finding in transmission.findings:
        said = tags.setdefault("heard", [])
        assert isinstance(said, list)
        said.append(f"{finding.start_s:.1f} s: {finding.words}")
    if same := transmission.texts(Sign.SAME):
        tags["same"] = list(same)
    if transmission.flags:
        tags["flag"] = list(transmission.flags)
    return tags


def _figure(name: str, value: Measured | float | None) -> dict[str, str]:
    if value is None:
        return {}
    if not isinstance(value, Measured):
        return {name: f"{value:.6g}"}
    sigma = {} if value.sigma is None else {f"{name}_sigma": f"{value.sigma:.3g}"}
    return {name: f"{value.value:.6g}", **sigma}
