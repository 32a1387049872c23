"""Numbers to samples, and files to blocks: scale, limits, holes, memory."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.blocks import IqBlock
from watcher.errors import RadioError
from watcher.radio import RawFacts, SampleSource, open_recording
from watcher.radio.sample_file import block_samples
from watcher.radio.sample_formats import CF32, CI8, CI16, CI24, CU8, SampleFormat, to_samples, unusable_span

FACTS = RawFacts(sample_rate_hz=240_000, centre_hz=146_000_000)


def in_one_piece(source: SampleSource, stretch: int = 0) -> np.ndarray:
    """Every sample of a stretch that loses none."""
    blocks = list(source.blocks(stretch))
    assert not any(block.lost_before for block in blocks)
    return np.concatenate([block.samples for block in blocks])


@pytest.mark.parametrize(
    ("sample_format", "numbers", "expected"),
    [
        # (u - 127.5) / 127.5: the two middle numbers stand equally far from zero, the outermost at ±1.
        (CU8, np.array([0, 255, 127, 128], "u1"), [-1 + 1j, -1 / 255 + 1j / 255]),
        (CI8, np.array([-128, 127, 0, 64], "i1"), [-1 + 127j / 128, 0.5j]),
        (CI16, np.array([-32768, 32767, 16384, -1], "<i2"), [-1 + 32767j / 32768, 0.5 - 1j / 32768]),
        (CI24, np.frombuffer(b"\x00\x00\x80\xff\xff\x7f\x00\x00\x40\xff\xff\xff", "u1"), [-1 + 1j, 0.5 + 0j]),
        (CF32, np.array([0.25, -3.5, 1.0, 0.0], "<f4"), [0.25 - 3.5j, 1.0]),
    ],
)
def test_full_scale_is_one(sample_format: SampleFormat, numbers: np.ndarray, expected: list[complex]) -> None:
    samples, _ = to_samples(numbers.view(np.uint8), sample_format)
    assert samples.dtype == np.complex64
    np.testing.assert_allclose(samples, expected, atol=2e-7)  # 24 bits are more than float32 keeps


@pytest.mark.parametrize(
    ("sample_format", "low", "high"),
    [(CU8, 0, 255), (CI8, -128, 127), (CI16, -32768, 32767)],
)
@given(at_limit=st.lists(st.sampled_from(["none", "I low", "Q high", "both"]), min_size=1, max_size=40))
def test_a_sample_at_the_limits_counts_once(
    sample_format: SampleFormat, low: int, high: int, at_limit: list[str]
) -> None:
    dtype = {CU8.name: "u1", CI8.name: "i1", CI16.name: "<i2"}[sample_format.name]
    pairs = {"none": (low + 1, high - 1), "I low": (low, 1), "Q high": (1, high), "both": (high, low)}
    numbers = np.array([pairs[kind] for kind in at_limit], dtype)
    _, clipped = to_samples(numbers.reshape(-1).view(np.uint8), sample_format)
    assert clipped == sum(kind != "none" for kind in at_limit)


def test_24_bits_at_the_limits_count() -> None:
    raw = np.frombuffer(
        b"\x00\x00\x80" + bytes(3) + bytes(3) + b"\xff\xff\x7f" + b"\xfe\xff\x7f" * 2, np.uint8
    )
    assert to_samples(raw, CI24)[1] == 2


@given(
    bad=st.lists(
        st.tuples(st.integers(0, 99), st.sampled_from([np.nan, np.inf, -np.inf, 3e38, -1e10])), max_size=5
    )
)
def test_unusable_samples_are_spanned(bad: list[tuple[int, float]]) -> None:
    samples = np.ones(50, np.complex64)
    for place, value in bad:
        samples.view(np.float32)[place] = value
    places = sorted(place // 2 for place, _ in bad)
    assert unusable_span(samples) == ((places[0], places[-1] + 1) if places else None)


def test_strong_but_finite_floats_are_samples() -> None:
    assert unusable_span(np.full(1 << 18, 32768 + 32768j, np.complex64)) is None  # unscaled 16-bit numbers
    assert unusable_span(np.empty(0, np.complex64)) is None


@pytest.mark.parametrize(
    ("sample_rate_hz", "samples"), [(2_400_000, 262_144), (240_000, 32_768), (1, 1), (10, 1), (11, 2)]
)
def test_a_block_lasts_a_tenth_of_a_second_or_up_to_two(sample_rate_hz: int, samples: int) -> None:
    assert block_samples(sample_rate_hz) == samples
    assert samples == 1 or 0.1 <= samples / sample_rate_hz < 0.2


def test_blocks_join_and_are_read_only(tmp_path: Path, rng: np.random.Generator) -> None:
    numbers = rng.integers(0, 256, 2 * 100_001, dtype=np.uint8)
    path = tmp_path / "night.cu8"
    path.write_bytes(numbers.tobytes())
    source = open_recording(path, facts=FACTS)
    blocks = list(source.blocks(0))
    assert [len(block.samples) for block in blocks] == [32_768, 32_768, 32_768, 100_001 - 3 * 32_768]
    assert [block.first_sample for block in blocks] == [0, 32_768, 65_536, 98_304]
    assert not any(block.samples.flags.writeable for block in blocks)
    assert not np.shares_memory(blocks[0].samples, blocks[1].samples)
    whole = (numbers.astype(np.float64) - 127.5) / 127.5
    np.testing.assert_allclose(
        np.concatenate([block.samples for block in blocks]), whole[0::2] + 1j * whole[1::2], atol=1e-6
    )
    assert {(block.sample_rate_hz, block.centre_hz) for block in blocks} == {(240_000, 146_000_000)}


def test_a_stretch_can_be_read_again_and_by_turns(tmp_path: Path, rng: np.random.Generator) -> None:
    path = tmp_path / "night.cs16"
    path.write_bytes(rng.integers(-9, 9, 2 * 70_000, dtype=np.int16).tobytes())
    source = open_recording(path, facts=FACTS)
    first = source.blocks(0)
    head = next(first)
    again = in_one_piece(source)
    np.testing.assert_array_equal(again, np.concatenate([head.samples, *(block.samples for block in first)]))


def _with_holes(tmp_path: Path, holes: list[slice], samples: int = 80_000) -> SampleSource:
    written = np.arange(samples, dtype=np.float32).astype(np.complex64)
    for hole in holes:
        written[hole] = complex(np.nan, 0)
    path = tmp_path / "holes.cf32"
    path.write_bytes(written.tobytes())
    return open_recording(path, facts=FACTS)


@pytest.mark.parametrize(
    "holes",
    [
        [slice(5, 6)],
        [slice(0, 3)],
        [slice(0, 40_000)],  # a whole block and some of the next
        [slice(32_000, 33_000)],  # across a seam
        [slice(79_000, 80_000)],
        [slice(10, 20), slice(79_999, 80_000)],
        [slice(0, 80_000)],
    ],
)
def test_what_is_no_number_is_lost_and_told(tmp_path: Path, holes: list[slice]) -> None:
    source = _with_holes(tmp_path, holes)
    lost, position = 0, 0
    for block in source.blocks(0):
        assert np.isfinite(block.samples).all()
        assert block.first_sample - block.lost_before == position  # no sample is unaccounted for
        np.testing.assert_array_equal(block.samples.real, np.arange(block.first_sample, block.stop_sample))
        lost, position = lost + block.lost_before, block.stop_sample
    assert position == 80_000
    assert lost == sum(hole.stop - hole.start for hole in holes)
    assert source.notes()[-1] == (
        f"{tmp_path / 'holes.cf32'}: {lost} samples are not finite numbers and count as lost; "
        "check the datatype if they are many"
    )
    list(source.blocks(0))
    assert f" {lost} samples" in source.notes()[-1]  # read twice, counted once


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    def resident_bytes() -> int:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")

    path = tmp_path / "long.cu8"
    with path.open("wb") as file:
        file.truncate(100_000_000)  # no disk is used for zeros
    source = open_recording(path, facts=RawFacts(sample_rate_hz=2_400_000, centre_hz=1))
    blocks = source.blocks(0)
    next(blocks)
    before, samples = resident_bytes(), 262_144
    for block in blocks:
        samples += len(block.samples)
    assert samples == 50_000_000
    assert resident_bytes() - before < 20_000_000


def test_a_file_that_shrinks_is_an_error_after_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "growing.cu8"
    path.write_bytes(bytes(200_000))
    source = open_recording(path, facts=FACTS)
    blocks = source.blocks(0)
    assert len(next(blocks).samples) == 32_768
    os.truncate(path, 100_000)
    with pytest.raises(RadioError) as caught:
        list(blocks)
    assert str(caught.value) == (
        f"{path}: ends at byte 100000, sooner than when it was opened; "
        "leave a recording alone while it is read"
    )


def test_a_disk_that_fails_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "worn.cu8"
    path.write_bytes(bytes(200_000))
    source = open_recording(path, facts=FACTS)

    def failing(*_: object) -> int:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "preadv", failing)
    with pytest.raises(
        RadioError, match=r"worn.cu8: cannot be read \(Input/output error\); copy it to a sound disk"
    ):
        next(source.blocks(0))


@pytest.fixture
def open_files() -> Iterator[None]:
    """Fails a test that leaves files open."""
    before = set(Path("/proc/self/fd").iterdir())
    yield
    assert set(Path("/proc/self/fd").iterdir()) <= before


@pytest.mark.usefixtures("open_files")
def test_close_gives_the_file_back(tmp_path: Path) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(100))
    source = open_recording(path, facts=FACTS)
    source.close()
    with pytest.raises(ValueError, match="closed"):
        next(source.blocks(0))
    with pytest.raises(RadioError):
        open_recording(path)


def test_a_source_fits_the_protocol(tmp_path: Path) -> None:
    path = tmp_path / "night.cu8"
    path.write_bytes(bytes(100))
    source: SampleSource = open_recording(path, facts=FACTS)
    (stretch,) = source.stretches()
    assert stretch.samples == 50
    assert isinstance(next(source.blocks(0)), IqBlock)
