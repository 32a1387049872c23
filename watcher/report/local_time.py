"""Instants as the clock on the station's wall shows them: days, hours, summer time and its changes.

A day may have 23, 24 or 25 hours, and an hour may come twice or not at all; every written time names its
zone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from watcher.log.spans import Span


@dataclass(frozen=True, slots=True)
class Hour:
    """An hour of the local clock, or the part of it that lies in the report's span.

    `label` is how the hour begins on the wall (`02`, or `01:30` where a change of clocks cuts an hour);
    `zone` is the zone's short name then, which tells the two runs of a repeated hour apart.
    """

    start_utc: datetime
    stop_utc: datetime
    day: date
    label: str
    zone: str


class LocalClock:
    """Writes instants in one zone.

    Parameters
    ----------
    name : str
        IANA name. One that is not known here is replaced by UTC, and `unknown_name` keeps it.
    """

    def __init__(self, name: str) -> None:
        self.unknown_name: str | None = None
        try:
            self.zone = ZoneInfo(name)
            self.name = name
        except (ZoneInfoNotFoundError, ValueError, OSError):
            self.zone = ZoneInfo("UTC")
            self.name = "UTC"
            self.unknown_name = name

    def local(self, instant: datetime) -> datetime:
        """The instant on the wall; refuses one without a time zone."""
        if instant.tzinfo is None:
            raise ValueError("the instant has no time zone; give an aware datetime")
        return instant.astimezone(self.zone)

    def short_zone(self, instant: datetime) -> str:
        """`MDT`, or `UTC+03` where the zone has no short name."""
        name = self.local(instant).tzname() or "UTC"
        return f"UTC{name}" if name[0] in "+-" else name

    def day(self, instant: datetime) -> str:
        """`Sun 4 May 2031`."""
        return write_day(self.local(instant).date())

    def clock(self, instant: datetime) -> str:
        """`03:02:01 MDT`."""
        return f"{self.local(instant):%H:%M:%S} {self.short_zone(instant)}"

    def full(self, instant: datetime) -> str:
        """`Sun 4 May 2031, 03:02:01 MDT`."""
        return f"{self.day(instant)}, {self.clock(instant)}"

    def midnight(self, day: date) -> datetime:
        """The first instant of a local day; where clocks jump over midnight, the jump."""
        return datetime(day.year, day.month, day.day, tzinfo=self.zone)

    def days(self, spans: Iterable[Span]) -> list[date]:
        """The local days that share time with the spans, in order."""
        found: set[date] = set()
        for span in spans:
            day = self.local(span.start_utc).date()
            last = self.local(max(span.start_utc, span.stop_utc - timedelta(microseconds=1))).date()
            while day <= last:
                found.add(day)
                day += timedelta(days=1)
        return sorted(found)

    def hours(self, days: Iterable[date], within: Span) -> list[Hour]:
        """The hours of these days, cut to `within`, in order and without overlap."""
        return [hour for day in days for hour in self._hours_of_day(day, within)]

    def _hours_of_day(self, day: date, within: Span) -> list[Hour]:
        start = self.midnight(day).astimezone(UTC)
        end = self.midnight(day + timedelta(days=1)).astimezone(UTC)
        found = []
        while start < end:
            local = self.local(start)
            into_hour = timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
            stop = min(start + timedelta(hours=1) - into_hour, end)
            label = f"{local:%H:%M}" if local.minute else f"{local:%H}"
            cut_start, cut_stop = max(start, within.start_utc), min(stop, within.stop_utc)
            if cut_start < cut_stop:
                found.append(Hour(cut_start, cut_stop, day, label, self.short_zone(start)))
            start = stop
        return found


def write_day(day: date) -> str:
    """`Sun 4 May 2031`, in English whatever the machine speaks."""
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    return f"{names[day.weekday()]} {day.day} {months[day.month - 1]} {day.year}"
