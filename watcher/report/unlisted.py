"""Activity where no channel is listed, by the small spectra that were kept: frequency, times, occupancy.

Hints for the plan, never accounts: a column of 2 kHz and a row of seconds see a transmission, not its edges.
Where nothing was kept nothing is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dsp.span_activity import (
    Habits,
    LitRuns,
    lit_runs,
    places_in,
    row_floors,
    steady_lines,
)
from watcher.log.spans import Span
from watcher.plan.channel_lists import SHIPPED_LISTS, ListedChannel, read_channel_list
from watcher.plan.model import WatchPlan
from watcher.receive.spectrum_file import ChunkFacts
from watcher.report.occupancy import Occupancy, occupancy, runs_and_pauses
from watcher.report.summary import ActivitySummary
from watcher.report.unlisted_rows import ManyRows, Tuning, many_rows, tuning_of
from watcher.shipped import config_folder

EDGE_SHARE = 0.05  # of the span at either end: filters fall there, and what lies beyond folds back
SPIKE_HZ = 6_000.0  # around the centre, where cheap radios have a spike of their own
LEAST_ROWS = 3  # of a tuning, or there is no habit to compare with
APART_HZ = 4_000.0  # between what was seen of two signals; neighbours of 6.25 kHz are two
WIDEST_HZ = 9_000.0  # of the middles of one signal; more is a band in which several talk
PLACE_SHARE = 0.1  # of the time on the air of what hangs together: a station of its own
MOST_SHARE = 0.8  # of it in such places, or it is a band
VALLEY_SHARE = 0.5
LEAST_ON_S = 0.4
LEAST_SNR_DB = 1.0
# Of the time: no caller talks so much, but a carrier that drifts from column to column does.
ALWAYS_SHARE = 0.95
SURE_SNR_DB = 6.0  # a signal seen in one row only must be this strong
NEAR_LISTED_HZ = 2_500.0  # beyond a listed channel's half width
RASTERS_HZ = (12_500, 5_000, 6_250)  # channel steps in common use, the widest first
LEAST_SIGMA_HZ = 600.0  # a narrow carrier may lie anywhere in its column: 2 kHz over the root of 12
MOST_TOLD = 20

Place = tuple[int, int]  # frequency and width of a channel that is listed, Hz


@dataclass(frozen=True, slots=True)
class Unlisted:
    """A signal between the listed channels.

    Parameters
    ----------
    frequency_hz, sigma_hz : float
        Power-weighted middle, and its standard uncertainty: spread and column width, not the radio's error.
    width_hz : float
        Of the lit columns, median.
    occupancy : Occupancy
        Over the time for which spectra were kept.
    seen : int
        Stretches of rows in which it was on the air.
    snr_db : float
        Median at its busiest, in 11 kHz.
    first_utc, last_utc : datetime
    is_steady : bool
        It never stopped: mostly the radio's own, or a device near by.
    raster_hz : int or None
        The step on which a place lies within twice the uncertainty.
    known_as : tuple of str
        What shipped lists have there.
    """

    frequency_hz: float
    sigma_hz: float
    width_hz: float
    occupancy: Occupancy
    seen: int
    snr_db: float
    first_utc: datetime
    last_utc: datetime
    is_steady: bool
    raster_hz: int | None
    known_as: tuple[str, ...]

    @property
    def place_hz(self) -> int:
        """The frequency to listen to: on the raster where there is one, else to 100 Hz."""
        step = self.raster_hz or 100
        return round(self.frequency_hz / step) * step


@dataclass(frozen=True, slots=True)
class UnlistedActivity:
    """All of it, what is busiest first; `watched_s` is for how long spectra were kept, of any tuning."""

    watched_s: float
    signals: tuple[Unlisted, ...]


_SEEN = np.dtype([(name, np.float64) for name in ("start_s", "on_s", "row_s", "hz", "width_hz", "snr_db")])
"""One signal in one row."""


def unlisted_activity(folder: Path, listed: Sequence[Place], span: Span | None = None) -> UnlistedActivity:
    """What the spectra of a folder show between the listed channels.

    Parameters
    ----------
    folder : Path
    listed : sequence of (int, int)
        Frequency and bandwidth of every channel that is known, Hz.
    span : Span or None
        None for all.
    """
    habits: dict[Tuning, Habits] = {}
    facts_of: dict[Tuning, ChunkFacts] = {}
    kept: dict[Tuning, list[tuple[float, float]]] = {}
    rows: Counter[Tuning] = Counter()
    for some in many_rows(folder, span):
        key, facts = tuning_of(some.facts), some.facts
        if key not in habits:
            habits[key] = Habits(facts.columns)
        habits[key].add(some.mean, row_floors(some.mean), facts.slices)
        facts_of[key] = facts
        kept.setdefault(key, []).extend(some.spans)
        rows[key] += len(some.mean)
    usual = {key: known.usual_db() for key, known in habits.items() if rows[key] >= LEAST_ROWS}
    steady = list(_steady(usual, facts_of, kept, listed))
    # A station that never stops flickers at its rims: what comes and goes there is still that station.
    known_places = [*listed, *((round(one.frequency_hz), round(one.width_hz)) for one in steady)]
    seen = [np.empty(0, _SEEN)]
    for some in many_rows(folder, span):
        key, facts = tuning_of(some.facts), some.facts
        if key in usual:
            slice_s = facts.row_s / facts.slices
            runs = lit_runs(some.mean, some.peak, usual[key], facts.column_hz, slice_s)
            seen.append(_between(some, runs, known_places))
    parts = {key: part for key, part in kept.items() if key in usual}
    signals = _alone(list(_come_and_go(np.concatenate(seen), facts_of, parts)))
    signals.sort(key=lambda one: -one.occupancy.heard_s)
    watched_s = sum(stop - start for start, stop in _joined(each for part in parts.values() for each in part))
    return UnlistedActivity(watched_s, (*signals, *steady))


def listed_places(summary: ActivitySummary, plan: WatchPlan | None = None) -> list[Place]:
    """Every channel that the log's latest watches listed, or the plan lists."""
    channels = [one.plan for one in summary.channels if one.plan is not None]
    channels += plan.channels if plan is not None else ()
    places = [(one.frequency_hz, one.bandwidth_hz) for one in channels]
    unplanned = (one.frequency_hz for one in summary.channels if one.plan is None)
    return [*places, *((hz, 12_500) for hz in unplanned if hz is not None)]


def _inside(frequency_hz: NDArray[np.float64], facts: ChunkFacts) -> NDArray[np.bool_]:
    """Where a tuning can be trusted: neither at its edges nor on the spike at its centre."""
    away_hz = np.abs(frequency_hz - facts.middle_hz)
    usable: NDArray[np.bool_] = (away_hz < (0.5 - EDGE_SHARE) * facts.sample_rate_hz) & (
        np.abs(frequency_hz - facts.tuned_hz) > SPIKE_HZ
    )
    return usable


def _between(rows: ManyRows, runs: LitRuns, listed: Sequence[Place]) -> NDArray[np.void]:
    """What was lit where nothing is listed, of dtype `_SEEN`."""
    facts = rows.facts
    at_hz = facts.frequencies_hz()
    frequency_hz = np.interp(runs.middle, np.arange(facts.columns), at_hz)
    low_hz = at_hz[runs.first] - facts.column_hz / 2
    high_hz = at_hz[runs.stop - 1] + facts.column_hz / 2
    chosen = _inside(frequency_hz, facts)
    for place_hz, width_hz in listed:  # whatever touches a listed channel is that channel's
        chosen &= (high_hz < place_hz - width_hz / 4) | (low_hz > place_hz + width_hz / 4)
        chosen &= np.abs(frequency_hz - place_hz) > max(width_hz / 2, 5_000) + NEAR_LISTED_HZ
    seen = np.empty(int(chosen.sum()), _SEEN)
    seen["start_s"] = rows.start_s[runs.row[chosen]]
    seen["on_s"] = np.maximum(runs.duty[chosen], 1 / facts.slices) * facts.row_s
    seen["row_s"] = facts.row_s
    seen["hz"] = frequency_hz[chosen]
    seen["width_hz"] = (high_hz - low_hz)[chosen]
    seen["snr_db"] = runs.snr_db[chosen]
    return seen


def _come_and_go(
    seen: NDArray[np.void],
    facts_of: dict[Tuning, ChunkFacts],
    kept: dict[Tuning, list[tuple[float, float]]],
) -> Iterable[Unlisted]:
    if not len(seen):
        return
    for one in _by_frequency(seen[np.argsort(seen["hz"], kind="stable")]):
        rows = len(np.unique(one["start_s"]))
        if (
            one["on_s"].sum() < LEAST_ON_S
            or one["snr_db"].max() < LEAST_SNR_DB
            or (rows < 2 and one["snr_db"].max() < SURE_SNR_DB)
        ):
            continue
        weights = np.maximum(one["snr_db"], 0.0) + 1.0
        middle_hz = float(np.average(one["hz"], weights=weights))
        spread_hz = float(np.sqrt(np.average((one["hz"] - middle_hz) ** 2, weights=weights)))
        extent_hz = float(one["hz"][-1] - one["hz"][0])
        is_band = extent_hz > WIDEST_HZ and spread_hz > WIDEST_HZ / 4
        sigma_hz = spread_hz if is_band else float(np.hypot(spread_hz / np.sqrt(len(one)), LEAST_SIGMA_HZ))
        watched = _joined(
            part
            for key, parts in kept.items()
            if _inside(np.array([middle_hz]), facts_of[key])[0]
            for part in parts
        )
        begins, stops = _on_air(one)
        heard, pauses = runs_and_pauses(*_within(begins, stops, watched))
        share = occupancy(heard, pauses)
        yield Unlisted(
            middle_hz,
            sigma_hz,
            extent_hz if is_band else float(np.median(one["width_hz"])),
            share,
            len(heard),
            float(np.median(one["snr_db"])),
            _instant(float(begins[0])),
            _instant(float(stops[-1])),
            is_steady=(share.share or 0.0) >= ALWAYS_SHARE,
            raster_hz=None if is_band else _raster_of(middle_hz, sigma_hz),
            known_as=_known_at(middle_hz, sigma_hz),
        )


def _by_frequency(seen: NDArray[np.void]) -> Iterable[NDArray[np.void]]:
    """What was seen, in order of frequency, one signal at a time.

    What hangs together over more than a channel is taken apart where a few places hold most of it; the rest
    of it was seen while two of them spoke.
    """
    for one in np.split(seen, np.flatnonzero(np.diff(seen["hz"]) > APART_HZ) + 1):
        if one["hz"][-1] - one["hz"][0] <= WIDEST_HZ:
            yield one
            continue
        on_s = one["on_s"]
        total_s = on_s.sum()
        places = [p for p in places_in(one["hz"], on_s, APART_HZ) if on_s[p].sum() >= PLACE_SHARE * total_s]
        held_s = sum(on_s[place].sum() for place in places)
        if held_s >= MOST_SHARE * total_s and _stand_apart(one, places):
            yield from (one[place] for place in places)
        else:
            yield one


def _stand_apart(one: NDArray[np.void], places: Sequence[NDArray[np.intp]]) -> bool:
    """Whether less was seen half way between neighbours than at either; what drifts leaves no such valley."""
    middles = np.sort([np.median(one["hz"][place]) for place in places])

    def seen_s(at_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        near = np.abs(one["hz"][None] - at_hz[:, None]) <= APART_HZ / 4
        sums: NDArray[np.float64] = near @ one["on_s"]
        return sums

    peaks_s = seen_s(middles)
    valleys_s = seen_s((middles[1:] + middles[:-1]) / 2)
    return bool((valleys_s <= VALLEY_SHARE * np.minimum(peaks_s[1:], peaks_s[:-1])).all())


def _alone(signals: Sequence[Unlisted]) -> list[Unlisted]:
    """Without those that hold two others heard for longer: there two spoke at once."""
    return [
        one
        for one in signals
        if sum(
            abs(other.frequency_hz - one.frequency_hz) < one.width_hz / 2
            and other.occupancy.heard_s > one.occupancy.heard_s
            for other in signals
        )
        < 2
    ]


def _steady(
    usual: dict[Tuning, NDArray[np.float32]],
    facts_of: dict[Tuning, ChunkFacts],
    kept: dict[Tuning, list[tuple[float, float]]],
    listed: Sequence[Place],
) -> Iterable[Unlisted]:
    for key, usual_db in usual.items():
        facts = facts_of[key]
        at_hz = facts.frequencies_hz()
        parts = _joined(kept[key])
        watched_s = sum(stop - start for start, stop in parts)
        for line in steady_lines(usual_db):
            frequency_hz = float(np.interp(line.middle, np.arange(facts.columns), at_hz))
            width_hz = (line.stop - line.first) * facts.column_hz
            near = any(
                abs(frequency_hz - place) <= max(width / 2, 5_000) + NEAR_LISTED_HZ for place, width in listed
            )
            if near or not _inside(np.array([frequency_hz]), facts)[0]:
                continue
            yield Unlisted(
                frequency_hz,
                LEAST_SIGMA_HZ,
                width_hz,
                occupancy(np.array([watched_s]), np.array([0.0])),
                1,
                line.over_db,
                _instant(parts[0][0]),
                _instant(parts[-1][1]),
                is_steady=True,
                raster_hz=_raster_of(frequency_hz, LEAST_SIGMA_HZ),
                known_as=_known_at(frequency_hz, LEAST_SIGMA_HZ),
            )


def _joined(parts: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans in order and disjoint; what overlaps or meets within 0.3 s is one."""
    joined: list[tuple[float, float]] = []
    for start, stop in sorted(parts):
        if joined and start <= joined[-1][1] + 0.3:
            joined[-1] = joined[-1][0], max(joined[-1][1], stop)
        else:
            joined.append((start, stop))
    return joined


def _on_air(one: NDArray[np.void]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Stretches on the air: rows that follow each other are one, and only the last of them is partly on."""
    begins: list[float] = []
    stops: list[float] = []
    reached = -np.inf
    for start_s, on_s, row_s in np.sort(one, order="start_s")[["start_s", "on_s", "row_s"]].tolist():
        if start_s <= reached + 0.3:
            stops[-1] = max(stops[-1], start_s + on_s)
        else:
            begins.append(start_s)
            stops.append(start_s + on_s)
        reached = max(reached, start_s + row_s)
    return np.array(begins), np.array(stops)


def _within(
    begins: NDArray[np.float64], stops: NDArray[np.float64], watched: Sequence[tuple[float, float]]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """The same on a clock that runs only while spectra were kept, and how long that was."""
    edges = np.array(watched)
    before = np.concatenate([[0.0], np.cumsum(edges[:, 1] - edges[:, 0])])

    def clock(instants: NDArray[np.float64]) -> NDArray[np.float64]:
        at = np.clip(np.searchsorted(edges[:, 0], instants, side="right") - 1, 0, len(edges) - 1)
        inside: NDArray[np.float64] = before[at] + np.clip(
            instants - edges[at, 0], 0.0, edges[at, 1] - edges[at, 0]
        )
        return inside

    return clock(begins), np.maximum(clock(stops), clock(begins)), float(before[-1])


def _instant(seconds: float) -> datetime:
    return datetime.fromtimestamp(0, tz=UTC) + timedelta(seconds=seconds)


def _raster_of(frequency_hz: float, sigma_hz: float) -> int | None:
    """The channel step whose place fits within twice the uncertainty: the nearest, of equals the widest."""
    away = {step: abs(frequency_hz - round(frequency_hz / step) * step) for step in RASTERS_HZ}
    nearest = min(RASTERS_HZ, key=lambda step: (round(away[step]), RASTERS_HZ.index(step)))
    return nearest if away[nearest] <= min(2 * sigma_hz, nearest / 4) else None


def _known_at(frequency_hz: float, sigma_hz: float) -> tuple[str, ...]:
    names = []
    for listed in SHIPPED_LISTS:
        for row in _rows(listed):
            if abs(float(row.frequency_mhz) * 1e6 - frequency_hz) <= max(2 * sigma_hz, 1_000):
                names.append(f"{row.name} ({listed})")
    return tuple(names)


@cache
def _rows(listed: str) -> tuple[ListedChannel, ...]:
    return read_channel_list(config_folder() / f"channels_{listed}.csv")
