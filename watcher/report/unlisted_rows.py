"""Kept spectra as `watcher.report.unlisted` goes through them: many rows of one kind at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.span_activity import LEAST_COLUMNS
from watcher.log.spans import Span
from watcher.log.spectra import rows_within
from watcher.receive.spectrum_file import Chunk, ChunkFacts

ROWS_TOGETHER = 256  # a few megabytes at 1200 columns

Tuning = tuple[int, int, int]  # centre it was tuned to, rate, columns


@dataclass(frozen=True, slots=True, eq=False)
class ManyRows:
    """Rows of many chunks of one kind, each over a reference of its own: `facts` are the first chunk's.

    `start_s` is when each row begins; `spans` are the chunks'. Seconds since 1970.
    """

    facts: ChunkFacts
    start_s: NDArray[np.float64]
    mean: NDArray[np.uint8]
    peak: NDArray[np.uint8]
    spans: list[tuple[float, float]]


def many_rows(folder: Path, span: Span | None) -> Iterable[ManyRows]:
    """The kept rows, many together, also those of windows that do not follow each other."""
    waiting: list[Chunk] = []
    for chunk in rows_within(folder, span):
        if chunk.facts.columns < LEAST_COLUMNS:
            continue
        full = sum(each.facts.rows for each in waiting) >= ROWS_TOGETHER
        if waiting and (full or _kind(chunk.facts) != _kind(waiting[0].facts)):
            yield _together(waiting)
            waiting = []
        waiting.append(chunk)
    if waiting:
        yield _together(waiting)


def _kind(facts: ChunkFacts) -> tuple[Tuning, float, int, int]:
    return tuning_of(facts), facts.middle_hz, facts.slices, facts.row_samples


def _together(chunks: Sequence[Chunk]) -> ManyRows:
    begins = [(each.facts.start_utc.timestamp(), each.facts) for each in chunks]
    return ManyRows(
        chunks[0].facts,
        np.concatenate([begin + np.arange(facts.rows) * facts.row_s for begin, facts in begins]),
        np.concatenate([each.mean for each in chunks]),
        np.concatenate([each.peak for each in chunks]),
        [(begin, begin + facts.rows * facts.row_s) for begin, facts in begins],
    )


def tuning_of(facts: ChunkFacts) -> Tuning:
    return facts.tuned_hz, facts.sample_rate_hz, facts.columns
