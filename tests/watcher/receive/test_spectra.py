"""The kept spectra: what is written can be read, stands at its place and time, and never stops the watch."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.channelizer import cell_powers
from dsp.filter_bank_design import CELL_BINS, shape_for_rate
from dsp.modulate import Unmodulated
from dsp.spectrum_rows import ColumnGrid
from tests.on_the_air import BEGAN_UTC, CENTRE_HZ, call, cut, listed, receive, scene
from watcher.receive.spectra import COARSE_ROW_S, FINE_FOR_S, FINE_ROW_S, SpectrumStore
from watcher.receive.spectrum_file import (
    SPECTRA_FOLDER,
    Chunk,
    ChunkFacts,
    FileName,
    chunks_in,
    encode_chunk,
)

RATE_HZ = 240_000
LISTED, UNLISTED = listed(30_000), listed(-60_000)


def chunk(rows: int, columns: int, seed: int, start: datetime = BEGAN_UTC) -> Chunk:
    rng = np.random.default_rng(seed)
    facts = ChunkFacts(
        *(start, 480_000, RATE_HZ, CENTRE_HZ, CENTRE_HZ + 12.5, 2000.0),
        *(columns, rows, 10, 16, 1, -90.5),
    )
    mean = rng.integers(0, 200, (rows, columns), dtype=np.uint8)
    return Chunk(facts, mean, mean + rng.integers(0, 56, (rows, columns), dtype=np.uint8))


def written(folder: Path) -> list[Chunk]:
    """All chunks of a watch's folder in order of time."""
    found = []
    for path in sorted((folder / SPECTRA_FOLDER).iterdir()):
        assert FileName.read(path.name) is not None
        found += [each.unpack() for each in chunks_in(path.read_bytes())]
    whole = [each for each in found if each is not None]
    assert len(whole) == len(found)
    return sorted(whole, key=lambda each: each.facts.start_utc)


def same(one: Chunk, other: Chunk) -> bool:
    return (
        one.facts == other.facts
        and np.array_equal(one.mean, other.mean)
        and np.array_equal(one.peak, other.peak)
    )


@given(st.integers(1, 12), st.integers(1, 70), st.integers(0, 1000))
@settings(max_examples=40)
def test_a_chunk_is_read_as_it_was_written(rows: int, columns: int, seed: int) -> None:
    made = chunk(rows, columns, seed)
    (found,) = chunks_in(encode_chunk(made))
    back = found.unpack()
    assert back is not None and same(back, made)


@given(st.integers(0, 2000), st.integers(1, 255))
@settings(max_examples=60)
def test_a_damaged_byte_costs_its_own_chunk_only(at: int, change: int) -> None:
    first, second, third = (encode_chunk(chunk(4, 40, seed)) for seed in range(3))
    content = bytearray(first + second + third)
    content[at % len(content)] ^= change
    sound = [found.unpack() for found in chunks_in(bytes(content))]
    kept = [
        made for made in (chunk(4, 40, seed) for seed in range(3)) if any(same(s, made) for s in sound if s)
    ]
    assert len(kept) >= 2 and len(sound) <= 3


@given(st.integers(0, 2000))
@settings(max_examples=40)
def test_what_a_kill_cut_off_leaves_what_went_before(length: int) -> None:
    first, second = (encode_chunk(chunk(4, 40, seed)) for seed in range(2))
    kept = list(chunks_in((first + second)[: length % (len(first + second) + 1)]))
    length %= len(first + second) + 1
    assert len(kept) == (length >= len(first)) + (length >= len(first + second))


@given(st.binary(max_size=400))
def test_nothing_else_is_taken_for_spectra(content: bytes) -> None:
    assert list(chunks_in(content)) == []


def test_a_name_says_day_tuning_and_rate() -> None:
    name = FileName(BEGAN_UTC.date(), CENTRE_HZ, RATE_HZ)
    assert name.written() == "2031-05-04_146.520000MHz_240000Sps.spectra"
    assert FileName.read(name.written()) == name
    for other in ("2031-13-04_146.520000MHz_240000Sps.spectra", "notes.txt", name.written() + ".tmp"):
        assert FileName.read(other) is None


def pictured(
    folder: Path, sizes: Sequence[int] = (65_536,), lost: Sequence[tuple[int, int]] = ()
) -> list[Chunk]:
    """A carrier of 4 s on an unlisted place, received with pictures; 15 dB over the noise in 11 kHz."""
    made = scene(RATE_HZ, 20, call(UNLISTED, 6, 10, 15, modulation=Unmodulated()))
    blocks = cut(made.render(np.random.default_rng(3)), RATE_HZ, sizes, lost)
    folder.mkdir(exist_ok=True)
    receive(blocks, [LISTED], sample_rate_hz=RATE_HZ, spectra=SpectrumStore(folder))
    return written(folder)


def test_a_signal_stands_at_its_frequency_and_time(tmp_path: Path) -> None:
    chunks = pictured(tmp_path)
    facts = chunks[0].facts
    assert facts.start_utc == BEGAN_UTC and facts.row_s == FINE_ROW_S
    mean = np.concatenate([each.mean for each in chunks]) * facts.step_db + facts.reference_dbfs
    noise_db = float(np.median(mean))
    column = int(np.argmax(mean.max(axis=0)))
    assert abs(facts.frequencies_hz()[column] - UNLISTED.frequency_hz) <= facts.column_hz
    around = 10 * np.log10((10 ** (mean[:, column - 1 : column + 2] / 10)).sum(axis=1))
    # 15 dB over the noise of 11 kHz is 15 + 10 log10(11 / 2) = 22.4 dB over that of one column of 2 kHz.
    lit = around - noise_db > 15
    assert list(np.flatnonzero(lit)) == [3, 4]
    assert around[3] - noise_db == pytest.approx(22.4, abs=0.8)


def test_blocks_of_any_size_give_the_same_picture(tmp_path: Path) -> None:
    whole = pictured(tmp_path / "a")
    for number, sizes in enumerate(([1_000], [7_777, 100_001], [240_000])):
        other = pictured(tmp_path / f"b{number}", sizes)
        assert len(other) == len(whole) and all(same(a, b) for a, b in zip(whole, other, strict=True))


def test_lost_samples_leave_a_hole_and_no_quiet(tmp_path: Path) -> None:
    chunks = pictured(tmp_path, lost=[(5 * RATE_HZ, 9 * RATE_HZ)])
    spans = [(each.facts.start_utc, each.facts.stop_utc) for each in chunks]
    seconds = [((a - BEGAN_UTC).total_seconds(), (b - BEGAN_UTC).total_seconds()) for a, b in spans]
    assert all(stop <= 5.01 or start >= 8.99 for start, stop in seconds)
    assert seconds[0][0] == 0 and max(stop for _, stop in seconds) == pytest.approx(20, abs=0.25)


def test_rows_are_fine_for_ten_minutes_of_an_hour_and_coarse_then(tmp_path: Path) -> None:
    store = SpectrumStore(tmp_path)
    at, lengths = datetime(2031, 5, 4, 3, 20, tzinfo=UTC), []
    while at < datetime(2031, 5, 4, 4, 1, tzinfo=UTC):
        lengths.append(store.row_s(at))
        at += timedelta(seconds=lengths[-1])
    fine = round(FINE_FOR_S / FINE_ROW_S)
    assert lengths[:fine] == [FINE_ROW_S] * fine
    assert lengths[fine] == COARSE_ROW_S and lengths[-1] == FINE_ROW_S


def test_a_full_disk_costs_the_picture_and_one_sentence(tmp_path: Path) -> None:
    told: list[str] = []
    full = SpectrumStore(tmp_path, least_free_gb=1.0, tell=told.append, free_bytes=lambda _: 10**8)
    made = scene(RATE_HZ, 130, call(LISTED, 6, 10, 15))
    heard = receive(made, [LISTED], spectra=full)
    assert len(heard.transmissions) == 1
    assert told == [
        "the picture of the spectrum is not kept: the disk has less than 1 GB free, the least_free_gb of "
        "[keep]; the watch goes on without it"
    ]
    (tmp_path / SPECTRA_FOLDER).rmdir()
    (tmp_path / SPECTRA_FOLDER).write_text("in the way")
    in_the_way = SpectrumStore(tmp_path, tell=told.append)
    assert len(receive(made, [LISTED], spectra=in_the_way).transmissions) == 1
    assert len(told) == 2


@pytest.mark.parametrize("rate_hz", [240_000, 3_200_000, 10_000_000])
def test_a_column_stands_in_the_middle_of_the_lines_that_fall_into_it(rate_hz: int) -> None:
    shape = shape_for_rate(rate_hz)
    grid = ColumnGrid.of(shape)
    bins = np.arange(shape.fft_length // 4, shape.fft_length // 4 + 3 * CELL_BINS * grid.cells)
    columns = []
    for number in bins:
        line = np.zeros((1, shape.fft_length), np.complex64)
        line[0, number] = 1.0
        columns.append(int(cell_powers(line)[0].reshape(grid.columns, grid.cells).sum(axis=1).argmax()))
    facts = ChunkFacts(
        *(BEGAN_UTC, 480_000, rate_hz, CENTRE_HZ, float(CENTRE_HZ), grid.column_hz),
        *(grid.columns, 1, 10, 16, grid.cells, -90.5),
    )
    whole = columns[len(columns) // 2]
    own_hz = CENTRE_HZ + bins[np.array(columns) == whole] * shape.bin_hz
    assert len(own_hz) == CELL_BINS * grid.cells
    assert facts.frequencies_hz()[whole] == pytest.approx(own_hz.mean(), abs=0.01)
