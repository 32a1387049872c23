"""The fewest sets that hold every member: exact, and quick for stretches of a line with holes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def fewest_sets(sets: Sequence[int], within: Sequence[int]) -> list[int]:
    """The numbers of the fewest sets whose union is everything.

    Parameters
    ----------
    sets : sequence of int
        Each a set of members: bit i stands for member i.
    within : sequence of int
        For member i, those that any one set can hold which holds i and no member before i: as bits, i among
        them. A loose bound costs time, a wrong one the optimum.

    Raises
    ------
    ValueError
        Some member is in no set.

    Notes
    -----
    Search by layers: every solution holds a set with the first member still missing, so only those sets are
    tried; of the states so reached, one that misses a superset of what another misses is dropped; and so is
    one that cannot be finished in the number of sets allowed, by a count that ignores the holes. The number
    allowed grows from that count, so that the first solution found is optimal.
    """
    everything = (1 << len(within)) - 1
    largest = _largest(sets)
    holding: list[list[int]] = [
        [number for number in largest if sets[number] >> i & 1] for i in range(len(within))
    ]
    if not all(holding):
        raise ValueError("a member is in no set; every member must be in one")
    allowed = _least(everything, within)
    while True:
        found = _cover(everything, sets, holding, within, allowed)
        if found is not None:
            return found
        allowed += 1


def _cover(
    everything: int,
    sets: Sequence[int],
    holding: Sequence[Sequence[int]],
    within: Sequence[int],
    allowed: int,
) -> list[int] | None:
    """A cover of at most `allowed` sets, or None where there is none."""
    states: dict[int, tuple[int, ...]] = {everything: ()}
    for still in range(allowed, 0, -1):
        reached: dict[int, tuple[int, ...]] = {}
        for missing, chosen in states.items():
            for number in holding[_first(missing)]:
                left = missing & ~sets[number]
                if left not in reached:
                    reached[left] = (*chosen, number)
        if 0 in reached:
            return list(reached[0])
        states = {
            left: reached[left]
            for left in _undominated(left for left in reached if _least(left, within) <= still - 1)
        }
    return None


def _least(missing: int, within: Sequence[int]) -> int:
    """How many sets it takes at least."""
    count = 0
    while missing:
        missing &= ~within[_first(missing)]
        count += 1
    return count


def _first(members: int) -> int:
    return (members & -members).bit_length() - 1


def _undominated(states: Iterable[int]) -> list[int]:
    """The states that miss no superset of what another misses."""
    kept: list[int] = []
    for state in sorted(states, key=int.bit_count):
        if not any(other & ~state == 0 for other in kept):
            kept.append(state)
    return kept


def _largest(sets: Sequence[int]) -> list[int]:
    """The numbers of the sets that are no part of another, one of each that are equal."""
    kept: list[int] = []
    for number in sorted(range(len(sets)), key=lambda each: -sets[each].bit_count()):
        if not any(sets[number] & ~sets[other] == 0 for other in kept):
            kept.append(number)
    return kept
