"""Two-track sound files: the sound library is the judge of what they hold."""

from __future__ import annotations

import os
import shutil
import struct
import wave
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from watcher.errors import RadioError
from watcher.radio import RawFacts, open_recording

FACTS = RawFacts(centre_hz=146_000_000, start_utc=datetime(2031, 5, 4, tzinfo=UTC))
SPAN = 1 << 32


def sentence(path: Path, facts: RawFacts | None = FACTS) -> str:
    """The one sentence with which a recording is refused."""
    with pytest.raises(RadioError) as caught:
        open_recording(path, facts=facts)
    return str(caught.value)


def write_plain_wav(path: Path, stated_bytes: int, present_bytes: int, tail: bytes = b"") -> None:
    """A 16-bit two-track WAV whose size may lie; its samples are a hole in the file, but for the tail."""
    header = struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        *(b"RIFF", min(stated_bytes + 36, SPAN - 1), b"WAVE"),
        *(b"fmt ", 16, 1, 2, 2_400_000, 9_600_000, 4, 16),
        *(b"data", stated_bytes),
    )
    with path.open("wb") as file:
        file.write(header)
        file.truncate(len(header) + present_bytes)
        file.seek(len(header) + present_bytes - len(tail))
        file.write(tail)


@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64", "W64"])
@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "FLOAT"])
def test_every_kind_reads_as_the_sound_library_reads_it(
    tmp_path: Path, rng: np.random.Generator, kind: str, subtype: str
) -> None:
    path = tmp_path / "night.wav"
    soundfile.write(path, rng.uniform(-1, 1, (40_001, 2)), 240_000, format=kind, subtype=subtype)
    tracks, rate_hz = soundfile.read(path, dtype="float64")
    if subtype == "PCM_U8":
        # libsndfile takes 128 for zero, a converter's two middle codes lie half a step to either side of it
        tracks = (tracks * 128 + 0.5) / 127.5
    source = open_recording(path, facts=FACTS)
    (stretch,) = source.stretches()
    assert (stretch.samples, stretch.sample_rate_hz, stretch.centre_hz) == (40_001, rate_hz, 146_000_000)
    assert stretch.time_is_known
    samples = np.concatenate([block.samples for block in source.blocks(0)])
    np.testing.assert_allclose(samples, tracks[:, 0] + 1j * tracks[:, 1], atol=1e-6)
    assert source.notes() == []


def test_a_wav_of_the_standard_library_reads(tmp_path: Path) -> None:
    path = tmp_path / "night.WAV"
    with wave.open(str(path), "wb") as file:
        file.setparams((2, 2, 48_000, 0, "NONE", ""))
        file.writeframes(np.array([[16384, -16384], [0, 8192]], "<i2").tobytes())
    (block,) = open_recording(path, facts=FACTS).blocks(0)
    np.testing.assert_array_equal(block.samples, np.array([0.5 - 0.5j, 0.25j], np.complex64))


def test_chunks_before_and_behind_the_samples_are_no_samples(tmp_path: Path) -> None:
    path = tmp_path / "titled.wav"
    chunk = b"LIST" + struct.pack("<I", 3) + b"abc\x00"  # odd length, hence padded
    samples = b"data" + struct.pack("<I", 8) + struct.pack("<4h", 1, 2, 3, 4)
    fmt = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, 48_000, 192_000, 4, 16)
    body = b"WAVE" + fmt + chunk + samples + chunk
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    (block,) = open_recording(path, facts=FACTS).blocks(0)
    np.testing.assert_allclose(block.samples * 32768, [1 + 2j, 3 + 4j])


@pytest.mark.parametrize("kind", ["WAV", "RF64", "W64"])
def test_a_recording_whose_recorder_was_killed_reads_to_its_end(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "killed.wav"
    with soundfile.SoundFile(path, "w", 240_000, 2, "PCM_16", format=kind) as file:
        file.write(np.full((1000, 2), 64, np.int16))
        file.flush()
        shutil.copy(path, tmp_path / "left.wav")  # as it stands before anything closes it
    source = open_recording(tmp_path / "left.wav", facts=FACTS)
    assert source.stretches()[0].samples == 1000
    assert source.notes() == []


def test_a_recording_cut_short_reads_to_its_end_and_tells(tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    write_plain_wav(path, 4000, 2001)
    source = open_recording(path, facts=FACTS)
    assert source.stretches()[0].samples == 500
    assert source.notes() == [
        f"{path}: ends 1999 bytes before its header says; what is there is read, "
        "copy it again if more was recorded",
        f"{path}: the last byte is left out; a ci16_le sample takes 4",
    ]


OVERSIZE = (
    "is a plain WAV beyond 4 GiB, which its header cannot say; its size tells how far to read: "
    "record to RF64 or W64"
)


@pytest.mark.parametrize(
    ("stated_bytes", "present_bytes", "read_bytes", "note"),
    [
        (SPAN - 1, SPAN + 400_000, SPAN + 400_000, OVERSIZE),  # what libsndfile writes
        (SPAN - 37, 3 * SPAN, 3 * SPAN, OVERSIZE),
        (400_000, SPAN + 400_000, SPAN + 400_000, OVERSIZE),  # the size began again from 0
        (400_000, 2 * SPAN + 401_000, 2 * SPAN + 400_000, OVERSIZE),  # and a chunk stands behind
        (SPAN - 500_000, SPAN - 499_000, SPAN - 500_000, None),  # just fits, with a chunk behind
        (SPAN - 500_000, SPAN + 100_000, SPAN - 500_000, None),
        (
            *(4_000_000_000, SPAN + 40_000_000, 4_000_000_000),
            f"is a plain WAV beyond 4 GiB whose header accounts for 4000000000 of {SPAN + 40_000_000} bytes; "
            "what lies past them cannot be read: record to RF64 or W64",
        ),
    ],
)
def test_a_plain_wav_beyond_4_gib_reads_as_far_as_it_can_be_told(
    tmp_path: Path, stated_bytes: int, present_bytes: int, read_bytes: int, note: str | None
) -> None:
    path = tmp_path / "long.wav"
    write_plain_wav(path, stated_bytes, present_bytes)
    source = open_recording(path, facts=FACTS)
    assert source.stretches()[0].samples == read_bytes // 4
    assert source.notes() == ([f"{path}: {note}"] if note else [])


@pytest.mark.slow
def test_the_samples_past_4_gib_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "long.wav"
    tail = np.arange(1, 2001, dtype="<i2")
    write_plain_wav(path, SPAN - 1, SPAN + 1_000_000, tail.tobytes())
    really_read = os.preadv

    def skip_the_hole(descriptor: int, rooms: list[memoryview], position: int) -> int:
        """The system takes seconds to read 4 GiB of nothing."""
        if position + len(rooms[0]) < SPAN:
            return len(rooms[0])
        return really_read(descriptor, rooms, position)

    monkeypatch.setattr(os, "preadv", skip_the_hole)
    samples = 0
    for block in open_recording(path, facts=FACTS).blocks(0):
        samples += len(block.samples)
    assert samples == (SPAN + 1_000_000) // 4
    np.testing.assert_array_equal(block.samples[-1000:].view(np.float32) * 32768, tail)


def test_what_cannot_be_iq(tmp_path: Path) -> None:
    mono, many, law, other = (tmp_path / name for name in ("mono.wav", "many.wav", "law.wav", "flac.wav"))
    soundfile.write(mono, np.zeros(10), 48_000)
    soundfile.write(many, np.zeros((10, 4)), 48_000)
    soundfile.write(law, np.zeros((10, 2)), 48_000, subtype="ULAW")
    soundfile.write(other, np.zeros((10, 2)), 48_000, format="FLAC")
    assert sentence(mono) == f"{mono}: has one track; it needs two, I on the left and Q on the right"
    assert sentence(many) == f"{many}: has 4 tracks; it needs two, I on the left and Q on the right"
    assert sentence(law) == (
        f"{law}: stores its samples as ULAW; they must be PCM of 8, 16 or 24 bits, or 32-bit float"
    )
    assert sentence(other) == f"{other}: is a FLAC file; it must be WAV, RF64 or W64"


@pytest.mark.parametrize("content", [b"\xff\xd8\xff\xe0 no sound", b"RIFF", b"plain text\n" * 99])
def test_what_is_no_sound_file(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "photo.wav"
    path.write_bytes(content)
    assert sentence(path) == f"{path}: is not a WAV, RF64 or W64 file, or its header is broken"


def test_broken_headers(tmp_path: Path, rng: np.random.Generator) -> None:
    """Whatever bytes of a header are wrong, the answer is samples or one sentence."""
    path = tmp_path / "broken.wav"
    for kind in ("WAV", "RF64", "W64"):
        soundfile.write(path, np.zeros((50, 2)), 48_000, format=kind)
        whole = path.read_bytes()
        for _ in range(60):
            broken = bytearray(whole)
            broken[rng.integers(0, 120)] = rng.integers(0, 256)
            path.write_bytes(broken[: rng.integers(8, len(whole))])
            try:
                source = open_recording(path, facts=FACTS)
            except RadioError as error:
                assert str(error).startswith(str(path)) and "\n" not in str(error)
            else:
                list(source.blocks(0))
                source.close()


def test_empty_and_missing_facts(tmp_path: Path) -> None:
    path = tmp_path / "night.wav"
    soundfile.write(path, np.zeros((0, 2)), 48_000)
    assert sentence(path) == f"{path}: has 0 bytes for samples; one ci16_le sample takes 4"
    soundfile.write(path, np.zeros((5, 2)), 48_000)
    assert sentence(path, None) == f"{path}: does not say its centre frequency; give --centre-mhz"


def test_the_header_knows_its_rate_better(tmp_path: Path) -> None:
    path = tmp_path / "night.wav"
    soundfile.write(path, np.zeros((5, 2)), 48_000)
    source = open_recording(
        path, facts=RawFacts("cu8", sample_rate_hz=96_000, centre_hz=1, start_utc=FACTS.start_utc)
    )
    assert source.stretches()[0].sample_rate_hz == 48_000
    assert source.notes() == [
        f"{path}: says its own datatype; --datatype is not used for it",
        f"{path}: says its own sample rate; --rate-hz is not used for it",
    ]
