"""SigMF recordings: captures, what metadata may leave out, and what it may not say."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from watcher.errors import RadioError
from watcher.radio import RawFacts, open_recording
from watcher.radio import sigmf_metadata as metadata_module

START = datetime(2031, 5, 4, 3, 2, 1, 250_000, tzinfo=UTC)
GLOBAL: dict[str, Any] = {"core:datatype": "cu8", "core:sample_rate": 240_000, "core:version": "1.2.0"}
CAPTURE: dict[str, Any] = {
    "core:sample_start": 0,
    "core:frequency": 146_000_000,
    "core:datetime": "2031-05-04T03:02:01.25Z",
}


def without(mapping: dict[str, Any], key: str) -> dict[str, Any]:
    return {name: value for name, value in mapping.items() if name != key}


def write(
    folder: Path,
    globals_: dict[str, Any] = GLOBAL,
    captures: Any = (CAPTURE,),
    raw: bytes | None = bytes(range(200)),
    name: str = "night",
) -> Path:
    """A recording of 100 samples, unless said otherwise; returns the metadata's path."""
    meta_path = folder / f"{name}.sigmf-meta"
    captures = list(captures) if isinstance(captures, tuple) else captures
    meta_path.write_text(json.dumps({"global": globals_, "captures": captures, "annotations": []}))
    if raw is not None:
        (folder / f"{name}.sigmf-data").write_bytes(raw)
    return meta_path


def sentence(path: Path, facts: RawFacts | None = None) -> str:
    """The one sentence with which a recording is refused."""
    with pytest.raises(RadioError) as caught:
        open_recording(path, facts=facts)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("given", ["night.v2.sigmf-meta", "night.v2.sigmf-data", "night.v2"])
def test_any_of_the_three_names_opens_it(tmp_path: Path, given: str) -> None:
    write(tmp_path, name="night.v2")
    source = open_recording(tmp_path / given)
    (stretch,) = source.stretches()
    assert (stretch.samples, stretch.sample_rate_hz, stretch.centre_hz) == (100, 240_000, 146_000_000)
    assert (stretch.start_utc, stretch.time_is_known, stretch.label) == (START, True, "night.v2")
    assert source.notes() == []
    (block,) = source.blocks(0)
    numbers = (np.arange(200) - 127.5) / 127.5
    np.testing.assert_allclose(block.samples, numbers[0::2] + 1j * numbers[1::2], atol=1e-6)


@pytest.mark.parametrize(
    ("datatype", "samples"),
    [("cu8", 100), ("cu8_le", 100), ("ci8", 100), ("ci8_be", 100), ("ci16_le", 50), ("cf32_le", 25)],
)
def test_the_datatypes_that_are_read(tmp_path: Path, datatype: str, samples: int) -> None:
    path = write(tmp_path, {**GLOBAL, "core:datatype": datatype}, raw=bytes(200))
    assert open_recording(path).stretches()[0].samples == samples


def test_each_capture_is_a_stretch(tmp_path: Path) -> None:
    captures = (
        CAPTURE,
        {**CAPTURE, "core:sample_start": 30, "core:datetime": "2031-05-04T03:02:01.250125Z"},  # no break
        {
            **CAPTURE,
            "core:sample_start": 50,
            "core:frequency": 462_000_000.0,
            "core:datetime": "2031-05-04T04:00:00Z",
        },
    )
    source = open_recording(write(tmp_path, captures=captures))
    stretches = source.stretches()
    assert [stretch.samples for stretch in stretches] == [30, 20, 50]
    assert [stretch.centre_hz for stretch in stretches] == [146_000_000, 146_000_000, 462_000_000]
    assert [stretch.start_utc for stretch in stretches] == [
        START,
        START + timedelta(microseconds=125),  # 30 samples of 240 kS/s
        datetime(2031, 5, 4, 4, tzinfo=UTC),
    ]
    for position, first_number in enumerate((0, 60, 100)):
        (block,) = source.blocks(position)
        assert block.first_sample == 0
        assert block.samples[0].real == pytest.approx((first_number - 127.5) / 127.5)


def test_a_capture_without_time_follows_the_one_before(tmp_path: Path) -> None:
    captures = (
        CAPTURE,
        {"core:sample_start": 24, "core:frequency": 1},
        # 96 samples were lost before the third: the stream's own count goes on while the file's does not
        {"core:sample_start": 48, "core:frequency": 1, "core:global_index": 48 + 96},
    )
    starts = [stretch.start_utc for stretch in open_recording(write(tmp_path, captures=captures)).stretches()]
    assert starts == [START, START + timedelta(microseconds=100), START + timedelta(microseconds=600)]


def test_no_time_at_all_is_assumed_or_given(tmp_path: Path) -> None:
    path = write(tmp_path, captures=(without(CAPTURE, "core:datetime"), {**CAPTURE, "core:sample_start": 24}))
    source = open_recording(path)
    assert [stretch.time_is_known for stretch in source.stretches()] == [False, True]
    assert source.notes()[0].startswith(
        f"{path}: does not say when it began; its times count from 1970-01-01"
    )
    first, _ = open_recording(path, facts=RawFacts(start_utc=START - timedelta(hours=1))).stretches()
    assert (first.start_utc, first.time_is_known) == (START - timedelta(hours=1), True)


def test_a_following_capture_shares_the_doubt(tmp_path: Path) -> None:
    captures = (without(CAPTURE, "core:datetime"), {"core:sample_start": 50, "core:frequency": 1})
    source = open_recording(write(tmp_path, captures=captures))
    assert [stretch.time_is_known for stretch in source.stretches()] == [False, False]


def test_no_captures_mean_one(tmp_path: Path) -> None:
    facts = RawFacts(centre_hz=146_000_000, start_utc=START)
    (stretch,) = open_recording(write(tmp_path, captures=[]), facts=facts).stretches()
    assert (stretch.samples, stretch.centre_hz, stretch.start_utc) == (100, 146_000_000, START)


def test_options_fill_what_is_missing_and_replace_nothing(tmp_path: Path) -> None:
    bare = {"core:version": "1.2.0"}
    facts = RawFacts("ci8", 48_000, 99, START)
    (stretch,) = open_recording(write(tmp_path, bare, []), facts=facts).stretches()
    assert (stretch.samples, stretch.sample_rate_hz, stretch.centre_hz) == (100, 48_000, 99)
    path = write(tmp_path)
    source = open_recording(path, facts=RawFacts("ci8", 48_000, 99, datetime(2030, 1, 1, tzinfo=UTC)))
    (stretch,) = source.stretches()
    assert (stretch.sample_rate_hz, stretch.centre_hz, stretch.start_utc) == (240_000, 146_000_000, START)
    assert source.notes() == [
        f"{path}: says its own datatype; --datatype is not used for it",
        f"{path}: says its own sample rate; --rate-hz is not used for it",
        f"{path}: says its own centre frequency; --centre-mhz is not used for it",
        f"{path}: says its own start; --start is not used for it",
    ]
    same = RawFacts("cu8", 240_000, 146_000_000, START)
    assert open_recording(path, facts=same).notes() == []


def test_offset_counts_from_an_earlier_file(tmp_path: Path) -> None:
    captures = ({**CAPTURE, "core:sample_start": 1000}, {**CAPTURE, "core:sample_start": 1060})
    source = open_recording(write(tmp_path, {**GLOBAL, "core:offset": 1000}, captures))
    assert [stretch.samples for stretch in source.stretches()] == [60, 40]
    implied = open_recording(
        write(tmp_path, {**GLOBAL, "core:offset": 1000}, []), facts=RawFacts(centre_hz=1)
    )
    assert implied.stretches()[0].samples == 100


def test_samples_of_no_capture_are_left_out_and_told(tmp_path: Path) -> None:
    source = open_recording(write(tmp_path, captures=({**CAPTURE, "core:sample_start": 10},)))
    assert source.stretches()[0].samples == 90
    assert source.notes() == [
        f"{tmp_path / 'night.sigmf-data'}: the first 10 samples belong to no capture and are left out"
    ]


def test_a_dataset_with_headers_and_a_footer(tmp_path: Path) -> None:
    """SigMF calls it non-conforming: another name, bytes before each capture, bytes at the end."""
    (tmp_path / "dump.bin").write_bytes(b"HEAD" + bytes([10] * 20) + b"HD" + bytes([20] * 6) + b"FOOTER!")
    globals_ = {**GLOBAL, "core:dataset": "dump.bin", "core:trailing_bytes": 7}
    captures = (
        {**CAPTURE, "core:header_bytes": 4},
        {**CAPTURE, "core:sample_start": 10, "core:header_bytes": 2},
    )
    source = open_recording(write(tmp_path, globals_, captures, raw=None))
    assert [stretch.samples for stretch in source.stretches()] == [10, 3]
    for position, number in enumerate((10, 20)):
        (block,) = source.blocks(position)
        np.testing.assert_allclose(block.samples, (1 + 1j) * (number - 127.5) / 127.5, atol=1e-6)


def test_odd_numbers_are_read_to_the_whole_and_told(tmp_path: Path) -> None:
    capture = {**CAPTURE, "core:frequency": 146_000_000.4, "core:datetime": "2031-05-04T03:02:01.250000999"}
    path = write(tmp_path, {**GLOBAL, "core:sample_rate": 240_000.5}, (capture,), bytes(201))
    source = open_recording(path)
    (stretch,) = source.stretches()
    assert (stretch.sample_rate_hz, stretch.centre_hz, stretch.start_utc) == (240_000, 146_000_000, START)
    assert source.notes() == [
        f"{path}: global: core:sample_rate: 240000.5 Hz is read as 240000 Hz",
        f"{tmp_path / 'night.sigmf-data'}: the last byte is left out; a cu8 sample takes 2",
        f"{path}: captures[0]: core:frequency: 146000000.4 Hz is read as 146000000 Hz",
        f"{path}: captures[0]: core:datetime: 2031-05-04T03:02:01.250000999 has no Z and is read as UTC, "
        "the only zone SigMF has",
    ]


@pytest.mark.parametrize(
    ("globals_", "captures", "expected"),
    [
        (
            {**GLOBAL, "core:datatype": "rf32_le"},
            (CAPTURE,),
            'global: core:datatype is "rf32_le"; it must be one of cu8, ci8, ci16_le, cf32_le',
        ),
        ({**GLOBAL, "core:datatype": 8}, (CAPTURE,), "global: core:datatype is 8; it must be a text"),
        (without(GLOBAL, "core:datatype"), (CAPTURE,), "does not say its datatype; give --datatype"),
        (without(GLOBAL, "core:sample_rate"), (CAPTURE,), "does not say its sample rate; give --rate-hz"),
        (
            {**GLOBAL, "core:sample_rate": "2M"},
            (CAPTURE,),
            'global: core:sample_rate is "2M"; it must be a number',
        ),
        (
            {**GLOBAL, "core:sample_rate": 0},
            (CAPTURE,),
            "global: core:sample_rate: the sample rate is 0 Hz; it must be between 1 and 1000000000",
        ),
        (
            {**GLOBAL, "core:sample_rate": float("nan")},
            (CAPTURE,),
            "global: core:sample_rate is NaN; it must be a number",
        ),
        (
            {**GLOBAL, "core:num_channels": 2},
            (CAPTURE,),
            "global: core:num_channels is 2; it must be 1: one radio a recording",
        ),
        (
            {**GLOBAL, "core:dataset": "../night.bin"},
            (CAPTURE,),
            'global: core:dataset is "../night.bin"; it must be the name of a file in the same folder',
        ),
        (
            GLOBAL,
            (without(CAPTURE, "core:frequency"),),
            "does not say its centre frequency; give --centre-mhz",
        ),
        (
            GLOBAL,
            ({**CAPTURE, "core:frequency": -1},),
            "captures[0]: core:frequency: the centre frequency is -1 Hz; "
            "it must be between 0 and 1000000000000",
        ),
        (
            GLOBAL,
            ({**CAPTURE, "core:datetime": "last night"},),
            'captures[0]: core:datetime is "last night"; it must be UTC like 2031-05-04T03:02:01.250Z',
        ),
        (
            GLOBAL,
            (CAPTURE, {**CAPTURE, "core:sample_start": 9, "core:datetime": "2031-05-04T03:02:01Z"}),
            'captures[1]: core:datetime is "2031-05-04T03:02:01Z"; '
            "it must not be before that of the capture before",
        ),
        (
            GLOBAL,
            ({"core:frequency": 1},),
            "captures[0]: core:sample_start is missing; it must be a whole number from 0",
        ),
        (
            GLOBAL,
            ({**CAPTURE, "core:sample_start": -3},),
            "captures[0]: core:sample_start is -3; it must be a whole number from 0",
        ),
        (
            GLOBAL,
            (CAPTURE, CAPTURE),
            "captures[1]: core:sample_start is 0; it must be above that of the capture before",
        ),
        (
            {**GLOBAL, "core:offset": 5},
            (CAPTURE,),
            "captures[0]: core:sample_start is 0; it must not be under core:offset, 5",
        ),
        (
            GLOBAL,
            (CAPTURE, {**CAPTURE, "core:sample_start": 100}),
            "captures[1]: core:sample_start is 100; night.sigmf-data holds 100 samples: it is cut short",
        ),
        (GLOBAL, {"core:sample_start": 0}, '"captures" must be a list of objects'),
        (GLOBAL, [7], '"captures" must be a list of objects'),
    ],
)
def test_wrong_metadata_is_named(
    tmp_path: Path, globals_: dict[str, Any], captures: Any, expected: str
) -> None:
    path = write(tmp_path, globals_, captures)
    assert sentence(path) == f"{path}: {expected}"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "is no SigMF metadata, which is JSON (it is not UTF-8 text)"),
        (b"Dear diary", "is no SigMF metadata, which is JSON (line 1, column 1: Expecting value)"),
        (b"[" * 100_000, "is no SigMF metadata, which is JSON (it is nested too deep)"),
        (b"[]", 'is no SigMF metadata; it must be a JSON object with an object "global"'),
        (b'{"global": 1}', 'is no SigMF metadata; it must be a JSON object with an object "global"'),
        (b"", "is empty; a recording holds at least one sample"),
    ],
)
def test_what_is_no_metadata(tmp_path: Path, content: bytes, expected: str) -> None:
    path = tmp_path / "night.sigmf-meta"
    path.write_bytes(content)
    assert sentence(path) == f"{path}: {expected}"


def test_long_values_are_shown_short(tmp_path: Path) -> None:
    path = write(tmp_path, {**GLOBAL, "core:datatype": ["x" * 500]})
    assert len(sentence(path)) < len(str(path)) + 120


def test_missing_halves(tmp_path: Path) -> None:
    path = write(tmp_path, raw=None)
    lonely = tmp_path / "lonely.sigmf-data"
    lonely.write_bytes(bytes(4))
    assert sentence(path) == f"{path}: its samples are missing; night.sigmf-data must stand beside it"
    assert sentence(lonely) == f"{tmp_path / 'lonely.sigmf-meta'}: there is no such file; check the name"
    write(tmp_path, {**GLOBAL, "core:metadata_only": True}, raw=None)
    assert sentence(path) == f"{path}: is metadata only; a recording needs its samples in night.sigmf-data"
    write(tmp_path, {**GLOBAL, "core:metadata_only": True})
    assert open_recording(path).stretches()  # the samples are there after all


def test_empty_and_short_datasets(tmp_path: Path) -> None:
    path, samples = write(tmp_path, raw=b""), tmp_path / "night.sigmf-data"
    assert sentence(path) == f"{samples}: is empty; a recording holds at least one sample"
    write(tmp_path, raw=b"1")
    assert sentence(path) == f"{samples}: has 1 byte for samples; one cu8 sample takes 2"


def test_samples_given_for_metadata(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metadata_module, "MAX_METADATA_BYTES", 100)
    path = write(tmp_path, {**GLOBAL, "core:description": "x" * 100})
    size_bytes = path.stat().st_size
    assert (
        sentence(path) == f"{path}: has {size_bytes} bytes and metadata at most 100; are these the samples?"
    )
