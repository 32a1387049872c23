"""Every second of every channel within the windows: watched, or not watched and why.

The receiver tells what it watched and what samples it lost; the posts tell what each radio was doing. What is
left over of a window becomes gaps with the cause that held then, so that heard, quiet and gaps always add up
to the windows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from watcher.log.spans import Span, Spans
from watcher.receive.records import Gap, GapCause, Watched


@dataclass(slots=True)
class _Doing:
    """What one radio did from an instant on: streaming these channels, or nothing for a cause."""

    since_utc: datetime
    cause: GapCause | None  # None while it streams
    channels: frozenset[str]


class TimeAccount:
    """Account for the time of some channels.

    Parameters
    ----------
    channels : sequence of str
    begun_utc : datetime
        When the program began to account: what of a window lies before is a gap of its own.
    """

    def __init__(self, channels: Sequence[str], begun_utc: datetime) -> None:
        self._channels = tuple(channels)
        self._begun_utc = begun_utc
        self._settled: dict[str, datetime] = {}
        self._known: dict[str, list[Span]] = {name: [] for name in self._channels}
        self._doings: dict[int, list[_Doing]] = {}

    def radio_streams(self, radio: int, since_utc: datetime, channels: Iterable[str]) -> None:
        """From now on this radio hears these channels."""
        self._doings.setdefault(radio, []).append(_Doing(since_utc, None, frozenset(channels)))

    def radio_idles(self, radio: int, since_utc: datetime, cause: GapCause) -> None:
        """From now on this radio hears nothing, for this cause."""
        self._doings.setdefault(radio, []).append(_Doing(since_utc, cause, frozenset()))

    def take(self, record: Watched | Gap) -> None:
        """Time that the receiver itself has accounted for."""
        if record.channel in self._known and record.start_utc < record.stop_utc:
            self._known[record.channel].append(Span(record.start_utc, record.stop_utc))

    def settle(self, windows: Spans, until_utc: datetime) -> list[Gap]:
        """The gaps of all channels up to an instant; what was settled before is not told again.

        Parameters
        ----------
        windows : Spans
            When the watch was to be stood, from the last settled instant on at least.
        until_utc : datetime
            Everything the receiver has to say of the time before it has been taken.
        """
        gaps: list[Gap] = []
        for name in self._channels:
            since = self._settled.get(name, datetime.min.replace(tzinfo=until_utc.tzinfo))
            if until_utc <= since:
                continue
            missing = (windows & Spans([Span(since, until_utc)])) - Spans(self._known[name])
            for span in missing:
                gaps += self._causes(name, span)
            self._settled[name] = until_utc
            self._known[name] = [span for span in self._known[name] if span.stop_utc > until_utc]
        self._forget(until_utc)
        return gaps

    def _causes(self, name: str, span: Span) -> list[Gap]:
        """One span cut where the cause changes."""
        edges = {span.start_utc, span.stop_utc, self._begun_utc}
        edges |= {doing.since_utc for doings in self._doings.values() for doing in doings}
        inside = sorted(edge for edge in edges if span.start_utc <= edge <= span.stop_utc)
        gaps: list[Gap] = []
        for start, stop in pairwise(inside):
            cause = self._cause(name, start)
            joins = bool(gaps) and gaps[-1].cause is cause
            gaps.append(Gap(name, gaps.pop().start_utc if joins else start, stop, cause))
        return gaps

    def _cause(self, name: str, at: datetime) -> GapCause:
        if at < self._begun_utc:
            return GapCause.NOT_BEGUN
        doing = [found for each in self._doings.values() if (found := _at(each, at)) is not None]
        if any(one.cause is None and name in one.channels for one in doing):
            return GapCause.TUNING  # on the air, and the first or last samples of it
        if any(one.cause is None for one in doing):
            return GapCause.OTHER_TUNING
        causes = [one.cause for one in doing if one.cause is not None]
        return causes[0] if causes else GapCause.OPENING

    def _forget(self, until_utc: datetime) -> None:
        for doings in self._doings.values():
            while len(doings) > 1 and doings[1].since_utc <= until_utc:
                doings.pop(0)


def _at(doings: Sequence[_Doing], instant: datetime) -> _Doing | None:
    found = None
    for doing in doings:
        if doing.since_utc > instant:
            break
        found = doing
    return found
