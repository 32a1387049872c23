"""Files of bare samples, and the door that all recordings share: every bad file and its sentence."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from watcher.errors import RadioError
from watcher.radio import RawFacts, open_recording

START = datetime(2031, 5, 4, 3, 2, 1, tzinfo=UTC)
FACTS = RawFacts(sample_rate_hz=240_000, centre_hz=146_000_000, start_utc=START)
JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(range(200))


def sentence(path: Path | str, facts: RawFacts | None = None) -> str:
    """The one sentence with which a recording is refused."""
    with pytest.raises(RadioError) as caught:
        open_recording(path, facts=facts)
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("suffix", "dtype"),
    [(".cu8", "u1"), (".cs8", "i1"), (".ci8", "i1"), (".cs16", "<i2"), (".ci16", "<i2"), (".cf32", "<f4")],
)
def test_the_ending_tells_the_format(tmp_path: Path, suffix: str, dtype: str) -> None:
    path = tmp_path / f"night{suffix.upper()}"
    path.write_bytes(np.arange(8).astype(dtype).tobytes())
    source = open_recording(path, facts=FACTS)
    (stretch,) = source.stretches()
    assert (stretch.samples, stretch.sample_rate_hz, stretch.centre_hz) == (4, 240_000, 146_000_000)
    assert (stretch.start_utc, stretch.time_is_known, stretch.label) == (START, True, path.name)
    assert source.notes() == []


@pytest.mark.parametrize("datatype", ["ci16_le", "cs16"])
def test_the_option_wins_over_the_ending(tmp_path: Path, datatype: str) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(40))
    facts = RawFacts(datatype=datatype, sample_rate_hz=1000, centre_hz=0)
    assert open_recording(path, facts=facts).stretches()[0].samples == 10


def test_a_start_in_another_zone_becomes_utc(tmp_path: Path) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(4))
    local = START.astimezone(timezone(timedelta(hours=-6)))
    facts = RawFacts(sample_rate_hz=1, centre_hz=1, start_utc=local)
    (stretch,) = open_recording(path, facts=facts).stretches()
    assert stretch.start_utc.utcoffset() == timedelta(0)
    assert stretch.start_utc == START


def test_an_unknown_start_is_assumed_and_told(tmp_path: Path) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(4))
    source = open_recording(path, facts=RawFacts(sample_rate_hz=1, centre_hz=1))
    (stretch,) = source.stretches()
    assert (stretch.start_utc, stretch.time_is_known) == (datetime(1970, 1, 1, tzinfo=UTC), False)
    assert source.notes() == [
        f"{path}: does not say when it began; its times count from 1970-01-01T00:00:00.000Z "
        "and are no times of day: give --start"
    ]


@pytest.mark.parametrize(
    ("name", "size_bytes", "note"),
    [
        ("a.cu8", 5, "the last byte is left out; a cu8 sample takes 2"),
        ("a.cs16", 7, "the last 3 bytes are left out; a ci16_le sample takes 4"),
        ("a.cf32", 17, "the last byte is left out; a cf32_le sample takes 8"),
    ],
)
def test_odd_bytes_are_left_out_and_told(tmp_path: Path, name: str, size_bytes: int, note: str) -> None:
    path = tmp_path / name
    path.write_bytes(bytes(size_bytes))
    source = open_recording(path, facts=FACTS)
    assert source.notes() == [f"{path}: {note}"]
    assert sum(len(block.samples) for block in source.blocks(0)) == source.stretches()[0].samples


def test_too_short_and_empty_files(tmp_path: Path) -> None:
    short, empty = tmp_path / "short.cf32", tmp_path / "empty.cu8"
    short.write_bytes(b"1234567")
    empty.touch()
    assert sentence(short, FACTS) == f"{short}: has 7 bytes for samples; one cf32_le sample takes 8"
    assert sentence(empty, FACTS) == f"{empty}: is empty; a recording holds at least one sample"


@pytest.mark.parametrize(
    ("facts", "lacking"),
    [
        (None, "sample rate and centre frequency; give --rate-hz and --centre-mhz"),
        (RawFacts(centre_hz=1), "sample rate; give --rate-hz"),
        (RawFacts(sample_rate_hz=1), "centre frequency; give --centre-mhz"),
    ],
)
def test_missing_facts_are_named(tmp_path: Path, facts: RawFacts | None, lacking: str) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(10))
    assert sentence(path, facts) == f"{path}: does not say its {lacking}"


def test_wrong_facts_are_named(tmp_path: Path) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(10))
    assert sentence(path, RawFacts("cu9", 1, 1)) == (
        '--datatype: "cu9" is not known; it must be one of cu8, ci8, ci16_le, cf32_le'
    )
    with pytest.raises(RadioError) as caught:
        RawFacts(sample_rate_hz=0)
    assert str(caught.value) == "--rate-hz: the sample rate is 0 Hz; it must be between 1 and 1000000000"
    with pytest.raises(RadioError) as caught:
        RawFacts(centre_hz=-5)
    assert str(caught.value) == (
        "--centre-mhz: the centre frequency is -5 Hz; it must be between 0 and 1000000000000"
    )
    with pytest.raises(RadioError) as caught:
        RawFacts(start_utc=datetime(2031, 5, 4, 3, 2))  # noqa: DTZ001 - that is the mistake
    assert str(caught.value) == (
        "--start: 2031-05-04T03:02:00 has no time zone; give UTC, like 2031-05-04T03:02:00Z"
    )


def test_what_is_no_recording(tmp_path: Path) -> None:
    picture, fifo = tmp_path / "antenna.jpg", tmp_path / "pipe.cu8"
    picture.write_bytes(JPEG)
    os.mkfifo(fifo)
    assert sentence(picture) == (
        f"{picture}: is no kind of recording that is read; give SigMF (.sigmf-meta), WAV (.wav .rf64 .w64), "
        "or bare samples (.cu8 .cs8 .cs16 .cf32), or say with --datatype how its samples are stored"
    )
    assert sentence(tmp_path) == f"{tmp_path}: is a folder; give the file of a recording"
    assert sentence(fifo, FACTS) == f"{fifo}: is not a regular file; give the file of a recording"
    assert (
        sentence(str(tmp_path / "none.cu8"), FACTS)
        == f"{tmp_path}/none.cu8: there is no such file; check the name"
    )
    assert sentence(tmp_path / "none") == f"{tmp_path}/none: there is no such file; check the name"
    for suffix in (".sigmf", ".sigmf-collection"):
        packed = tmp_path / f"night{suffix}"
        packed.write_bytes(bytes(10))
        assert (
            sentence(packed)
            == f"{packed}: holds several files; unpack it and give each .sigmf-meta on its own"
        )


@pytest.mark.parametrize("name", ["night.cu8", "night.wav", "night.sigmf-meta"])
def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(bytes(10))
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read everything
        monkeypatch.setattr("watcher.radio.sample_file.FileIO", _refuse)
    assert sentence(path, FACTS) == f"{path}: may not be read; give yourself the right to read it"


def _refuse(path: Path, mode: str) -> None:
    raise PermissionError(13, "Permission denied", str(path))
