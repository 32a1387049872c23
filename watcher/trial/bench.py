"""The receiver bench: what this trade measures a receiver by, beside the standard and beside theory."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from watcher.trial import bench_audio, bench_squelch, bench_tones
from watcher.trial.bench_lab import NARROW, WIDE, Bench, Service
from watcher.trial.bench_rows import Plot, Row
from watcher.trial.page import Picture
from watcher.trial.plotting import plot_png
from watcher.trial.sheet import UNKNOWN, Grid, Sheet

SEED = 603

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Effort:
    """How long the bench measures: longer is steadier."""

    seconds: float  # of audio for the sensitivity
    shorter_s: float  # for each of the many other points
    carriers: int  # a level of the squelch
    noise_s: float  # for the operating curves
    stations: int  # a channel and level for tones and codes
    levels: tuple[float, ...]
    services: tuple[Service, ...] = (NARROW, WIDE)


FULL = Effort(16.0, 4.0, 40, 300.0, 12, bench_tones.LEVELS_DB)
QUICK = Effort(4.0, 2.0, 8, 60.0, 2, (-2.0, 0.0, 3.0))


@dataclass(slots=True)
class BenchFigures:
    """All that a run measured."""

    seed: int
    is_quick: bool
    rows: list[Row] = field(default_factory=list)
    plots: list[Plot] = field(default_factory=list)


def run_bench(
    seed: int = SEED,
    *,
    quick: bool = False,
    effort: Effort | None = None,
    progress: Progress = lambda what, share: None,
) -> BenchFigures:
    """Measure the receiver of this program; the same seed gives the same figures.

    Parameters
    ----------
    seed : int
    quick : bool
        Shorter signals: half a minute instead of several, and figures that scatter more.
    effort : Effort, optional
        In place of the one that `quick` chooses.
    progress : callable
        Told what is measured next, and the share done.
    """
    work = effort or (QUICK if quick else FULL)
    found = BenchFigures(seed, quick)
    steps: list[tuple[str, Callable[[], None]]] = []
    for service in work.services:
        bench = Bench(service, seed, work.seconds)
        steps += [(f"{what}, {service.name}", step) for what, step in _steps(bench, work, found)]
    steps.append(("tones and codes", lambda: _add(found, *_tones(seed, work))))
    for number, (what, step) in enumerate(steps):
        progress(what, number / len(steps))
        step()
    progress("done", 1.0)
    return found


def _steps(bench: Bench, work: Effort, found: BenchFigures) -> list[tuple[str, Callable[[], None]]]:
    short = work.shorter_s
    return [
        ("sensitivity", lambda: _add(found, list(bench_audio.sensitivity(bench)))),
        ("SINAD", lambda: _add(found, [], bench_audio.sinad_curve(bench, short))),
        ("selectivity", lambda: _add(found, list(bench_audio.selectivity(bench, short)))),
        ("intermodulation", lambda: _add(found, list(bench_audio.intermodulation(bench, short)))),
        ("fidelity", lambda: _add(found, list(bench_audio.fidelity(bench, short)))),
        ("response", lambda: _add(found, *bench_audio.response(bench, short))),
        ("squelch", lambda: _add(found, *bench_squelch.points(bench, work.carriers))),
        ("squelch times", lambda: _add(found, list(bench_squelch.times(bench)))),
        ("operating curves", lambda: _add(found, *bench_squelch.operating_curves(bench, work.noise_s))),
    ]


def _tones(seed: int, work: Effort) -> tuple[list[Row], Plot]:
    return bench_tones.tones_and_codes(seed, work.stations, work.levels)


def _add(found: BenchFigures, rows: list[Row], plot: Plot | None = None) -> None:
    found.rows += rows
    found.plots += [] if plot is None else [plot]


def bench_tree(found: BenchFigures, program: str) -> dict[str, Any]:
    """The figures as values that JSON knows."""
    return {
        "midwatch_bench": 1,
        "program": program,
        "seed": found.seed,
        "quick": found.is_quick,
        "figures": [
            {
                "what": row.what,
                "channel": row.service,
                "value": row.value,
                "unit": row.unit,
                "limit": None if row.limit is None else row.limit.value,
                "limit_is": None if row.limit is None else ("at least" if row.limit.at_least else "at most"),
                "limit_source": None if row.limit is None else row.limit.source,
                "met": row.is_met,
                "theory": row.theory,
                "theory_words": row.theory_words,
                "note": row.note,
            }
            for row in found.rows
        ],
        "curves": [
            {
                "title": plot.title,
                "x": plot.x_label,
                "y": plot.y_label,
                "lines": [
                    {"name": curve.name, "theory": curve.is_theory, "x": list(curve.x), "y": list(curve.y)}
                    for curve in plot.curves
                ],
            }
            for plot in found.plots
        ],
    }


def bench_sheet(found: BenchFigures, program: str) -> Sheet:
    """The figures as a table, each with the source of its limit."""
    judged = [row.is_met for row in found.rows if row.is_met is not None]
    grid = Grid(
        "Figures",
        ("figure", "channel", "measured", "standard", "met", "theory", "source and method"),
        tuple(_cells(row) for row in found.rows),
        "No radio is in these figures: they are what this program adds or spoils behind one.",
    )
    return Sheet(
        title="Receiver bench",
        headline=f"{sum(judged)} of {len(judged)} figures that a standard bounds are within its bounds.",
        facts=(
            ("program", program),
            ("seed", str(found.seed)),
            ("signals", "short, figures scatter" if found.is_quick else "full length"),
        ),
        grids=(grid,),
    )


def bench_pictures(found: BenchFigures) -> list[Picture]:
    """The plots for a page."""
    return [
        Picture(plot_png(plot), f"{plot.title}: {plot.y_label} over {plot.x_label}") for plot in found.plots
    ]


def _cells(row: Row) -> tuple[str, ...]:
    limit = ""
    if row.limit is not None:
        limit = f"{'at least' if row.limit.at_least else 'at most'} {_number(row.limit.value)} {row.unit}"
    met = {None: "", True: "yes", False: "no"}[row.is_met]
    theory = "" if row.theory is None else f"{_number(row.theory)} {row.unit}"
    words = [
        *([row.limit.source] if row.limit is not None else []),
        *([f"theory: {row.theory_words}"] if row.theory_words else []),
        *([row.note] if row.note else []),
    ]
    measured = UNKNOWN if row.value is None else f"{_number(row.value)} {row.unit}"
    return row.what, row.service, measured, limit, met, theory, "; ".join(words)


def _number(value: float) -> str:
    return f"{value:.3g}".replace("-", "−") if abs(value) < 100 else f"{value:.1f}".replace("-", "−")
