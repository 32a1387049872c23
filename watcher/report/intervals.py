"""Sets of time as arrays, for logs of a hundred thousand transmissions: what `watcher.log.spans` means, at
once.

A set is an int64 array of shape (n, 2): starts and stops in microseconds since 1970, half-open, in order,
disjoint, with no two that touch and none empty.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from watcher.log.spans import Span

Intervals = NDArray[np.int64]
Instants = NDArray[np.int64]
Seconds = NDArray[np.float64]

NOTHING: Intervals = np.zeros((0, 2), np.int64)
NOTHING.flags.writeable = False

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def microseconds(instants: Iterable[datetime]) -> Instants:
    """Instants as whole microseconds since 1970, shape (n,)."""
    return np.array([(instant - _EPOCH) // _MICROSECOND for instant in instants], np.int64)


def instant(microseconds_since_1970: int) -> datetime:
    """The inverse of :func:`microseconds` for one instant, in UTC."""
    return _EPOCH + timedelta(microseconds=microseconds_since_1970)


def intervals(spans: Iterable[Span]) -> Intervals:
    """The set of these spans, which may overlap and come in any order."""
    listed = list(spans)
    starts = microseconds(span.start_utc for span in listed)
    stops = microseconds(span.stop_utc for span in listed)
    return merged(starts, stops)


def merged(starts: Instants, stops: Instants, reach: int = 0) -> Intervals:
    """The set of spans from each start to its stop, which may overlap and come in any order.

    What lies no more than `reach` microseconds apart is put together.
    """
    filled = stops > starts
    order = np.argsort(starts[filled], kind="stable")
    starts, stops = starts[filled][order], stops[filled][order]
    if len(starts) == 0:
        return NOTHING
    reached = np.maximum.accumulate(stops)
    begins = np.concatenate(([True], starts[1:] > reached[:-1] + reach))
    ends = np.concatenate((begins[1:], [True]))
    return np.stack((starts[begins], reached[ends]), axis=1)


def spans_of(these: Intervals) -> list[Span]:
    """The set as spans."""
    return [Span(instant(int(start)), instant(int(stop))) for start, stop in these]


def either(these: Intervals, those: Intervals) -> Intervals:
    """What lies in one of the two or in both."""
    edges, here, there = _overlay(these, those)
    return _kept(edges, here | there)


def common(these: Intervals, those: Intervals) -> Intervals:
    """What lies in both."""
    edges, here, there = _overlay(these, those)
    return _kept(edges, here & there)


def without(these: Intervals, those: Intervals) -> Intervals:
    """What lies in the first and not in the second."""
    edges, here, there = _overlay(these, those)
    return _kept(edges, here & ~there)


def total_s(these: Intervals) -> float:
    """How long they are together, seconds."""
    return float(np.sum(these[:, 1] - these[:, 0])) / 1e6


def seconds_before(these: Intervals, instants: Instants) -> Seconds:
    """How many seconds of the set lie before each instant.

    Parameters
    ----------
    these : ndarray of int64, shape (n, 2)
    instants : ndarray of int64, shape (k,)
        Microseconds since 1970.

    Returns
    -------
    ndarray of float64, shape (k,)
    """
    if len(these) == 0:
        return np.zeros(len(instants))
    starts, stops = these[:, 0], these[:, 1]
    before = np.concatenate(([0], np.cumsum(stops - starts)))
    index = np.searchsorted(starts, instants, side="right") - 1
    begun = np.maximum(index, 0)
    within = np.clip(instants - starts[begun], 0, stops[begun] - starts[begun])
    return np.where(index < 0, 0, before[begun] + within) / 1e6


def seconds_within(these: Intervals, starts: Instants, stops: Instants) -> Seconds:
    """How many seconds of the set lie within each bin from a start to its stop."""
    return seconds_before(these, stops) - seconds_before(these, starts)


def _overlay(these: Intervals, those: Intervals) -> tuple[Instants, NDArray[np.bool_], NDArray[np.bool_]]:
    """Every edge of both, and for the stretch after each edge whether it lies in the one and in the other."""
    edges = np.sort(np.concatenate((these.ravel(), those.ravel())))  # np.unique hashes, which takes longer
    if len(edges):
        edges = edges[np.concatenate(([True], edges[1:] != edges[:-1]))]
    return edges, _covers(these, edges), _covers(those, edges)


def _covers(these: Intervals, instants: Instants) -> NDArray[np.bool_]:
    if len(these) == 0:
        return np.zeros(len(instants), np.bool_)
    index = np.searchsorted(these[:, 0], instants, side="right") - 1
    covered: NDArray[np.bool_] = (index >= 0) & (instants < these[np.maximum(index, 0), 1])
    return covered


def _kept(edges: Instants, kept: NDArray[np.bool_]) -> Intervals:
    """The stretches after the kept edges, with those that touch put together. The last edge is never kept."""
    if not kept.any():
        return NOTHING
    begins = kept & ~np.concatenate(([False], kept[:-1]))
    stops = ~kept & np.concatenate(([False], kept[:-1]))
    return np.stack((edges[begins], edges[stops]), axis=1)
