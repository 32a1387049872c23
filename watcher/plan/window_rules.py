"""What the keys of a `[[window]]` table must be, each rule with the end of a sentence for who wrote another.

Cron expressions are checked here and taken apart: which times of the day they name, and which days.
APScheduler's cron trigger does the reading. It is asked in UTC, which has no clock changes: what a clock
change does to a local time is decided in one place for all windows, `watcher.plan.windows`.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache

from apscheduler.triggers.cron import CronTrigger

from watcher.plan.rules import Wrong

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")  # in the order of date.weekday()
_LEAP_YEAR = 2024
_CRON_RIGHT = (
    "it must be five fields in quotes (minute, hour, day of the month, month, day of the week), "
    'like "0 */3 * * *" or "30 7 * * sat,sun"'
)


def as_clock_times(written: object) -> tuple[time, ...]:
    """Local times in ascending order from a list of texts like "07:00"."""
    right = 'it must be a list of local times in quotes, like ["07:00", "10:00"]'
    if not isinstance(written, list | tuple) or not written:
        raise Wrong(right)
    return tuple(sorted({_clock_time(each, right) for each in written}))


def _clock_time(written: object, right: str) -> time:
    if isinstance(written, str) and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", written):
        return time.fromisoformat(written)
    if isinstance(written, time) and not (written.second or written.microsecond or written.tzinfo):
        return written
    shown = f'"{written}"' if isinstance(written, str) and len(written) <= 20 else "one of its entries"
    raise Wrong(f"{right}, and {shown} is none")


def as_days(written: object) -> tuple[str, ...]:
    """Days of the week in the order of the week, from a list of texts like "sat"."""
    if not isinstance(written, list | tuple) or not written:
        raise Wrong('it must be a list of days in quotes, like ["sat", "sun"]')
    for each in written:
        if each not in DAYS:
            shown = f'"{each}"' if isinstance(each, str) and len(each) <= 20 else "one of its entries"
            raise Wrong(f"it must hold days of {', '.join(DAYS)} in quotes, and {shown} is none")
    return tuple(day for day in DAYS if day in written)


def check_month_day(written: str) -> str:
    """A day of the year as "MM-DD"; 29 February is one."""
    try:
        if not re.fullmatch(r"\d\d-\d\d", written):
            raise ValueError("not two digits twice")
        date.fromisoformat(f"{_LEAP_YEAR}-{written}")
    except ValueError:
        raise Wrong('it must be a month and a day in quotes, like "05-01"') from None
    return written


def check_cron(expression: str) -> str:
    """A cron expression that means the same here as everywhere, and that ever comes true."""
    fields = expression.lower().split()
    if len(fields) != 5:
        raise Wrong(_CRON_RIGHT)
    if re.search(r"\d", fields[4]):
        # APScheduler counts days of the week from Monday, cron from Sunday: a number is read both ways.
        raise Wrong("it must name days of the week (mon, tue, …), because their numbers are read in two ways")
    if fields[2] != "*" and fields[4] != "*":
        # cron opens on either, APScheduler on both together.
        raise Wrong("it must name days of the month or days of the week, not both")
    try:
        never = _day_trigger(" ".join(fields)).get_next_fire_time(None, _leap_new_year()) is None
        _time_trigger(" ".join(fields))
    except ValueError:
        raise Wrong(_CRON_RIGHT) from None
    if never:
        raise Wrong("it must name a date that exists")
    return " ".join(fields)


@lru_cache(maxsize=64)
def cron_clock_times(expression: str) -> tuple[time, ...]:
    """The times of a day that a checked expression names, ascending."""
    trigger = _time_trigger(expression)
    midnight = _leap_new_year()
    times = []
    at: datetime | None = trigger.get_next_fire_time(None, midnight)
    while at is not None and at < midnight + timedelta(days=1):
        times.append(at.time())
        at = trigger.get_next_fire_time(None, at + timedelta(seconds=1))
    return tuple(times)


@lru_cache(maxsize=4096)
def cron_names_day(expression: str, day: date) -> bool:
    """Whether a checked expression names this day."""
    midnight = datetime.combine(day, time.min, UTC)
    return bool(_day_trigger(expression).get_next_fire_time(None, midnight) == midnight)


def season_holds(from_date: str | None, to_date: str | None, day: date) -> bool:
    """Whether a day lies from `from_date` to `to_date`, both included; the season may pass over New Year."""
    if from_date is None or to_date is None:
        return True
    month_day = f"{day:%m-%d}"
    if from_date <= to_date:
        return from_date <= month_day <= to_date
    return month_day >= from_date or month_day <= to_date


def _leap_new_year() -> datetime:
    return datetime(_LEAP_YEAR, 1, 1, tzinfo=UTC)


@lru_cache(maxsize=64)
def _time_trigger(expression: str) -> CronTrigger:
    minute, hour, *_ = expression.split()
    return CronTrigger(minute=minute, hour=hour, timezone=UTC)


@lru_cache(maxsize=64)
def _day_trigger(expression: str) -> CronTrigger:
    _, _, day, month, day_of_week = expression.split()
    return CronTrigger(minute=0, hour=0, day=day, month=month, day_of_week=day_of_week, timezone=UTC)
