"""Which heard transmission is which true one, on one channel: one to one, the most overlap in all.

Spans are pairs of seconds from any common instant, half-open. Nothing here knows what they are of.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

SpanS = tuple[float, float]

MOSTLY = 0.5
"""A second true transmission counts as merged into a heard one that holds this share of it (our choice)."""


@dataclass(frozen=True, slots=True)
class Matching:
    """What belongs to what, by place in the two lists.

    Parameters
    ----------
    pairs : tuple of (true, heard)
        Each true and each heard one at most once; in order of the true.
    merged : tuple of (true, heard)
        True ones without a heard one of their own, most of which another's heard one holds.
    parts : tuple of (true, heard)
        Heard ones beyond the first that hold nothing but parts of a true one: it was split.
    missed : tuple of int
        True ones that nothing was heard of, or too little.
    false : tuple of int
        Heard ones that share no instant with any true one.
    """

    pairs: tuple[tuple[int, int], ...]
    merged: tuple[tuple[int, int], ...]
    parts: tuple[tuple[int, int], ...]
    missed: tuple[int, ...]
    false: tuple[int, ...]


def match(true: Sequence[SpanS], heard: Sequence[SpanS]) -> Matching:
    """Pair true and heard spans so that the shared time of all pairs together is as long as can be.

    Parameters
    ----------
    true, heard : sequence of (start, stop)
        In any order.

    Notes
    -----
    Time falls apart into clumps that share no instant; in each the assignment is solved exactly (Hungarian
    method, H. W. Kuhn, 1955). Cost grows with the largest clump, not with the length of the watch.
    """
    shared = _shared(true, heard)
    pairs = []
    for trues, ones in _clumps(shared):
        gain = np.zeros((len(trues), len(ones)))
        for row, t in enumerate(trues):
            for column, h in enumerate(ones):
                gain[row, column] = shared.get((t, h), 0.0)
        for row, column in zip(*linear_sum_assignment(gain, maximize=True), strict=True):
            if gain[row, column] > 0:
                pairs.append((trues[row], ones[column]))
    paired_true, paired_heard = {t for t, _ in pairs}, {h for _, h in pairs}
    most_of_true: dict[int, tuple[float, int]] = {}
    most_of_heard: dict[int, tuple[float, int]] = {}
    for (t, h), length in shared.items():
        most_of_true[t] = max(most_of_true.get(t, (0.0, -1)), (length, h))
        most_of_heard[h] = max(most_of_heard.get(h, (0.0, -1)), (length, t))
    merged, missed = [], []
    for t, span in enumerate(true):
        if t in paired_true:
            continue
        most, h = most_of_true.get(t, (0.0, -1))
        if most > 0 and most >= MOSTLY * (span[1] - span[0]):
            merged.append((t, h))
        else:
            missed.append(t)
    unpaired = [h for h in range(len(heard)) if h not in paired_heard]
    parts = [(most_of_heard[h][1], h) for h in unpaired if h in most_of_heard]
    false = [h for h in unpaired if h not in most_of_heard]
    return Matching(tuple(sorted(pairs)), tuple(merged), tuple(parts), tuple(missed), tuple(false))


def _shared(true: Sequence[SpanS], heard: Sequence[SpanS]) -> dict[tuple[int, int], float]:
    """Seconds that each true and heard one share, where they do: a sweep along time."""
    edges = sorted(
        [(start, 1, True, n) for n, (start, _) in enumerate(true)]
        + [(stop, 0, True, n) for n, (_, stop) in enumerate(true)]
        + [(start, 1, False, n) for n, (start, _) in enumerate(heard)]
        + [(stop, 0, False, n) for n, (_, stop) in enumerate(heard)]
    )
    up: dict[bool, set[int]] = {True: set(), False: set()}
    found: dict[tuple[int, int], float] = {}
    for _, begins, is_true, n in edges:
        if not begins:
            up[is_true].discard(n)
            continue
        up[is_true].add(n)
        for other in up[not is_true]:
            t, h = (n, other) if is_true else (other, n)
            length = min(true[t][1], heard[h][1]) - max(true[t][0], heard[h][0])
            if length > 0:
                found[t, h] = length
    return found


def _clumps(shared: dict[tuple[int, int], float]) -> list[tuple[list[int], list[int]]]:
    """Groups of true and heard ones that hang together by shared time."""
    ones_of: dict[int, list[int]] = {}
    trues_of: dict[int, list[int]] = {}
    for t, h in shared:
        ones_of.setdefault(t, []).append(h)
        trues_of.setdefault(h, []).append(t)
    seen: set[int] = set()
    clumps = []
    for first in ones_of:
        if first in seen:
            continue
        trues, ones, waiting = {first}, set[int](), [first]
        while waiting:
            for h in ones_of[waiting.pop()]:
                if h not in ones:
                    ones.add(h)
                    fresh = set(trues_of[h]) - trues
                    trues |= fresh
                    waiting += fresh
        seen |= trues
        clumps.append((sorted(trues), sorted(ones)))
    return clumps
