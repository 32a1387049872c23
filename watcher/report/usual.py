"""What is usual on a channel at an hour of the day, by the log's own history."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta

from scipy.special import pdtrc

from watcher.log.spans import Spans
from watcher.report.exchanges import EXCHANGE_PAUSE_S
from watcher.report.local_time import LocalClock

LEAST_HISTORY_H = 5.0
"""Hours watched at the same time of other days before anything is called unusual (judgement, no source)."""

UNUSUAL_CHANCE = 0.01
"""So seldom would calls that come by chance, as often as before, be as many (judgement, no source)."""

_Place = tuple[date, int]  # a local day and its hour


class UsualActivity:
    """How many exchanges each hour of the past brought.

    Parameters
    ----------
    heard : mapping of str to iterable of (datetime, datetime)
        For each channel start and end of its transmissions, in order of start.
    watched : mapping of str to Spans
        For each channel the time in which it was watched.
    clock : LocalClock
        Whose hours count.
    """

    def __init__(
        self,
        heard: Mapping[str, Iterable[tuple[datetime, datetime]]],
        watched: Mapping[str, Spans],
        clock: LocalClock,
    ) -> None:
        self._clock = clock
        self._exchanges = {name: self._count(times) for name, times in heard.items()}
        self._hours = {name: self._spread(spans) for name, spans in watched.items()}
        self._said: dict[tuple[str, _Place], str | None] = {}  # an hour of many exchanges is judged once

    def surprise(self, channel: str, when: datetime) -> str | None:
        """Why the hour around an instant is unusual, in words; None where it is not, or too little is known.

        Notes
        -----
        Were exchanges to come by chance as often as at this hour of other days, their number would follow
        Poisson's law; half an exchange is added to what was heard, so that silence does not mean "never".
        """
        place = self._place(when)
        key = (channel, place)
        if key not in self._said:
            self._said[key] = self._judged(channel, place)
        return self._said[key]

    def _judged(self, channel: str, place: _Place) -> str | None:
        hours = self._hours.get(channel, {})
        others_h = sum(h for (day, hour), h in hours.items() if hour == place[1] and day != place[0])
        if others_h < LEAST_HISTORY_H:
            return None
        counts = self._exchanges.get(channel, {})
        now = counts.get(place, 0)
        before = sum(n for (day, hour), n in counts.items() if hour == place[1] and day != place[0])
        expected = (before + 0.5) / others_h * max(hours.get(place, 0.0), 1e-9)
        if now == 0 or float(pdtrc(now - 1, expected)) > UNUSUAL_CHANCE:
            return None
        heard = f"{now} exchange{'' if now == 1 else 's'}"
        earlier = "none was" if before == 0 else f"{before} {'was' if before == 1 else 'were'}"
        return f"unusual for this hour: {heard}, where {earlier} heard in {others_h:.0f} such hours"

    def _place(self, instant: datetime) -> _Place:
        local = self._clock.local(instant)
        return local.date(), local.hour

    def _count(self, times: Iterable[tuple[datetime, datetime]]) -> dict[_Place, int]:
        counts: dict[_Place, int] = {}
        reached: datetime | None = None
        pause = timedelta(seconds=EXCHANGE_PAUSE_S)
        for start, end in times:
            if reached is None or start - reached > pause:
                place = self._place(start)
                counts[place] = counts.get(place, 0) + 1
            reached = end if reached is None else max(reached, end)
        return counts

    def _spread(self, spans: Spans) -> dict[_Place, float]:
        hours: dict[_Place, float] = {}
        for span in spans:
            for hour in self._clock.hours(self._clock.days([span]), span):
                place = self._place(hour.start_utc)
                hours[place] = hours.get(place, 0.0) + (hour.stop_utc - hour.start_utc).total_seconds() / 3600
        return hours
