"""Spans of time and their algebra: what was watched, minus what was heard, within what was asked.

Spans are half-open: the start belongs to them and the stop does not, so that neighbours meet without
sharing an instant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """From one instant up to, not including, another; both aware.

    Raises
    ------
    ValueError
        An instant has no time zone, or the stop lies before the start.
    """

    start_utc: datetime
    stop_utc: datetime

    def __post_init__(self) -> None:
        if self.start_utc.tzinfo is None or self.stop_utc.tzinfo is None:
            raise ValueError("an instant of the span has no time zone; give aware datetimes in UTC")
        if self.stop_utc < self.start_utc:
            raise ValueError(f"the span stops at {self.stop_utc} before it starts at {self.start_utc}")

    @property
    def seconds(self) -> float:
        """How long it is."""
        return (self.stop_utc - self.start_utc).total_seconds()

    def holds(self, instant: datetime) -> bool:
        """Whether the instant lies in it."""
        return self.start_utc <= instant < self.stop_utc


@dataclass(frozen=True, slots=True, init=False)
class Spans:
    """Any set of instants made of spans: kept in order, disjoint, with no two that touch and none empty.

    Two sets of the same instants are equal however they were put together.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> six, seven, eight = (datetime(2031, 5, 4, hour, tzinfo=UTC) for hour in (6, 7, 8))
    >>> whole = Spans([Span(six, seven), Span(seven, eight)])
    >>> len(whole.parts), (whole - Spans([Span(six, seven)])).seconds
    (1, 3600.0)
    """

    parts: tuple[Span, ...]

    def __init__(self, spans: Iterable[Span] = ()) -> None:
        object.__setattr__(self, "parts", tuple(_merged(spans)))

    def __iter__(self) -> Iterator[Span]:
        return iter(self.parts)

    def __len__(self) -> int:
        return len(self.parts)

    def __or__(self, other: Spans) -> Spans:
        """What lies in either."""
        return Spans((*self.parts, *other.parts))

    def __and__(self, other: Spans) -> Spans:
        """What lies in both."""
        return Spans(_common(self.parts, other.parts))

    def __sub__(self, other: Spans) -> Spans:
        """What lies in this one and not in the other."""
        if not self.parts:
            return self
        return self & other.outside(Span(self.parts[0].start_utc, self.parts[-1].stop_utc))

    def outside(self, whole: Span) -> Spans:
        """What of `whole` lies not in these spans."""
        edges = [whole.start_utc]
        for part in _common(self.parts, (whole,)):
            edges += [part.start_utc, part.stop_utc]
        edges.append(whole.stop_utc)
        return Spans(Span(start, stop) for start, stop in zip(edges[::2], edges[1::2], strict=True))

    def holds(self, instant: datetime) -> bool:
        """Whether the instant lies in any of them."""
        return any(part.holds(instant) for part in self.parts)

    @property
    def total(self) -> timedelta:
        """How long they are together, exactly."""
        return sum((part.stop_utc - part.start_utc for part in self.parts), timedelta())

    @property
    def seconds(self) -> float:
        """How long they are together."""
        return self.total.total_seconds()


def _merged(spans: Iterable[Span]) -> Iterator[Span]:
    start = stop = None
    for span in sorted(spans):
        if span.start_utc == span.stop_utc:
            continue
        if start is None or stop is None:
            start, stop = span.start_utc, span.stop_utc
        elif span.start_utc <= stop:
            stop = max(stop, span.stop_utc)
        else:
            yield Span(start, stop)
            start, stop = span.start_utc, span.stop_utc
    if start is not None and stop is not None:
        yield Span(start, stop)


def _common(these: tuple[Span, ...], those: tuple[Span, ...]) -> Iterator[Span]:
    """One walk along both, each in order and disjoint."""
    here = there = 0
    while here < len(these) and there < len(those):
        one, other = these[here], those[there]
        start, stop = max(one.start_utc, other.start_utc), min(one.stop_utc, other.stop_utc)
        if start < stop:
            yield Span(start, stop)
        if one.stop_utc <= other.stop_utc:
            here += 1
        else:
            there += 1
