"""Spectra beside a log: which files are taken, and rows joined without moving any."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.log.spans import Span
from watcher.log.spectra import MOST_JOINED_ROWS, rows_within, spectra_files, spectra_within
from watcher.receive.spectrum_file import SPECTRA_FOLDER, Chunk, ChunkFacts, FileName, encode_chunk

BEGAN = datetime(2031, 5, 4, 9, tzinfo=UTC)
RATE_HZ, CENTRE_HZ = 240_000, 146_520_000


def chunk(start_s: float, rows: int, *, slices: int = 10, reference_dbfs: float = -90.0) -> Chunk:
    facts = ChunkFacts(
        *(BEGAN + timedelta(seconds=start_s), slices * 48_000, RATE_HZ, CENTRE_HZ, float(CENTRE_HZ), 2000.0),
        *(40, rows, slices, 16, 1, reference_dbfs),
    )
    mean = np.random.default_rng(round(start_s * 7)).integers(60, 180, (rows, 40), dtype=np.uint8)
    return Chunk(facts, mean, mean + np.uint8(3))


def keep(folder: Path, *chunks: Chunk) -> None:
    folder = folder / SPECTRA_FOLDER
    folder.mkdir(exist_ok=True, parents=True)
    name = FileName(BEGAN.date(), CENTRE_HZ, RATE_HZ).written()
    (folder / name).write_bytes(b"".join(map(encode_chunk, chunks)))


def as_rows(chunks: list[Chunk]) -> list[tuple[datetime, float, list[float], list[float]]]:
    """Every row with its instant, its length and its powers in dBFS."""
    told = []
    for each in chunks:
        facts = each.facts
        for number in range(facts.rows):
            at = facts.start_utc + timedelta(seconds=number * facts.row_s)
            mean, peak = (
                (facts.reference_dbfs + facts.step_db * part[number]).tolist()
                for part in (each.mean, each.peak)
            )
            told.append((at, facts.row_s, mean, peak))
    return told


@given(
    st.lists(
        st.tuples(
            st.integers(1, 9),
            st.sampled_from([10, 50]),
            st.integers(-12, 12),
            st.sampled_from([0.0, 0.0, 7.5]),
        ),
        min_size=1,
        max_size=12,
    )
)
@settings(max_examples=30, deadline=None)
def test_joined_rows_stand_where_they_stood(
    tmp_path_factory: object, parts: list[tuple[int, int, int, float]]
) -> None:
    folder: Path = tmp_path_factory.mktemp("w")  # type: ignore[attr-defined]
    chunks, at_s = [], 0.0
    for rows, slices, steps, pause_s in parts:
        at_s += pause_s
        chunks.append(chunk(at_s, rows, slices=slices, reference_dbfs=-90 + steps / 2))
        at_s += chunks[-1].facts.rows * chunks[-1].facts.row_s
    keep(folder, *chunks)
    joined = list(rows_within(folder))
    assert as_rows(joined) == as_rows(chunks)
    assert len(joined) <= len(chunks)


def test_what_follows_without_a_break_is_one_and_never_too_long(tmp_path: Path) -> None:
    keep(tmp_path, *(chunk(60 * n, 30) for n in range(20)))
    assert [each.facts.rows for each in rows_within(tmp_path)] == [390, 210]
    assert MOST_JOINED_ROWS == 400


def test_a_scale_that_lies_far_away_keeps_its_own(tmp_path: Path) -> None:
    keep(tmp_path, chunk(0, 30), chunk(60, 30, reference_dbfs=-50.0))
    assert [each.facts.reference_dbfs for each in rows_within(tmp_path)] == [-90.0, -50.0]


def test_only_what_shares_time_is_read(tmp_path: Path) -> None:
    keep(tmp_path, *(chunk(60 * n, 30) for n in range(5)))
    minute = timedelta(minutes=1)
    found = spectra_within(tmp_path, Span(BEGAN + minute, BEGAN + 3 * minute))
    assert [each.facts.start_utc for each in found] == [BEGAN + minute, BEGAN + 2 * minute]
    assert list(spectra_within(tmp_path, Span(BEGAN + timedelta(days=3), BEGAN + timedelta(days=4)))) == []


def test_what_is_none_of_ours_is_left_alone(tmp_path: Path) -> None:
    assert spectra_files(tmp_path) == []
    keep(tmp_path, chunk(0, 3))
    folder = tmp_path / SPECTRA_FOLDER
    (folder / "9999-12-31_146.520000MHz_240000Sps.spectra").write_bytes(b"x")
    (folder / "2031-05-05_146.520000MHz_240000Sps.spectra").mkdir()
    (folder / "2031-05-06_146.520000MHz_240000Sps.spectra").symlink_to("/etc/hostname")
    (folder / "notes.txt").write_text("x")
    assert [each.name.day for each in spectra_files(tmp_path)] == [BEGAN.date()]
    assert len(list(rows_within(tmp_path, Span(BEGAN, BEGAN + timedelta(days=1))))) == 1
