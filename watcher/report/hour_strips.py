"""The hours of a channel as cells of a strip: how much was heard, and how much of the hour was watched at
all."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.report.local_time import Hour, write_day
from watcher.report.periods import WEEKDAYS, WeekMap
from watcher.report.summary import ActivitySummary, HourShares
from watcher.report.wording import write_duration, write_share

STEPS = (0.0, 0.003, 0.01, 0.03, 0.10, 0.30)
"""Above each of these shares a bar is one step higher. About half a decade apart: voice channels are heard
for anything from seconds to most of an hour."""

ROUNDING_S = 0.002  # the log keeps milliseconds at both ends


@dataclass(frozen=True, slots=True)
class HourCell:
    """One hour of one channel.

    `step` is 0 for quiet to 6; `share` is short, `words` say everything; `part` is how long the channel was
    watched where that is not all of the hour, else empty.
    """

    label: str
    step: int
    watched: bool
    share: str
    part: str
    words: str


@dataclass(frozen=True, slots=True)
class DayStrip:
    """The hours of one local day, or of one night over two."""

    day: str
    cells: tuple[HourCell, ...]


def legend() -> tuple[tuple[int, str], ...]:
    """The steps above quiet with the shares they stand for."""
    under = [(step, f"under {100 * limit:g} %") for step, limit in enumerate(STEPS[1:], 1)]
    return (*under, (len(STEPS), f"{100 * STEPS[-1]:g} % or more"))


def day_strips(
    summary: ActivitySummary, most_cells: int, *, join_a_night: bool = False
) -> tuple[list[tuple[DayStrip, ...]], str]:
    """The strips of every channel of the summary, and a sentence about days left out (empty where none is).

    Parameters
    ----------
    summary : ActivitySummary
    most_cells : int
        Hours of all channels together that there is room for; the latest days are kept, at least one.
    join_a_night : bool
        Show at most 24 hours over a midnight as one strip.
    """
    days = sorted({hour.day for hour in summary.hours})
    per_day = 24 * max(1, len(summary.channels))
    room = max(1, most_cells // per_day)
    kept = set(days[-room:])
    note = ""
    if len(kept) < len(days):
        note = f"The last {len(kept)} of {len(days)} days with any watch are shown."
    a_night = join_a_night and len(days) == 2 and len(summary.hours) <= 24
    numbers: dict[object, list[int]] = {}
    for number, hour in enumerate(summary.hours):
        if hour.day in kept:
            numbers.setdefault(days[0] if a_night else hour.day, []).append(number)
    strips = [
        tuple(
            DayStrip(_days_words(summary.hours, of_day), _cells(of_day, summary.hours, one.hours))
            for of_day in numbers.values()
        )
        for one in summary.channels
    ]
    return strips, note


def week_strips(week: WeekMap, channels: int) -> tuple[DayStrip, ...]:
    """A strip for each weekday, its cells all channels together; `part` stays empty, for weeks add up."""
    if channels == 0:
        return ()
    return tuple(
        DayStrip(
            name,
            tuple(_week_cell(f"{name} {hour:02d}", week, weekday, hour) for hour in range(24)),
        )
        for weekday, name in enumerate(WEEKDAYS)
    )


def _week_cell(label: str, week: WeekMap, weekday: int, hour: int) -> HourCell:
    heard_s, watched_s = float(week.heard_s[weekday, hour]), float(week.watched_s[weekday, hour])
    return _cell(label, watched_s, heard_s, watched_s - heard_s)


def _days_words(hours: tuple[Hour, ...], numbers: list[int]) -> str:
    first, last = hours[numbers[0]].day, hours[numbers[-1]].day
    return write_day(first) if first == last else f"{write_day(first)} to {write_day(last)}"


def _cells(of_day: list[int], hours: tuple[Hour, ...], shares: HourShares) -> tuple[HourCell, ...]:
    labels = [hours[number].label for number in of_day]
    return tuple(
        _cell(
            # The repeated hour of a 25 h day carries its zone.
            f"{hour.label} {hour.zone}" if labels.count(hour.label) > 1 else hour.label,
            (hour.stop_utc - hour.start_utc).total_seconds(),
            float(shares.heard_s[number]),
            float(shares.quiet_s[number]),
        )
        for number in of_day
        for hour in [hours[number]]
    )


def _cell(label: str, whole_s: float, heard_s: float, quiet_s: float) -> HourCell:
    watched_s = heard_s + quiet_s
    if watched_s <= 0:
        return HourCell(label, 0, False, "–", "", f"{label}: not watched")
    share = heard_s / watched_s
    step = sum(1 for limit in STEPS if share > limit)
    part = "" if watched_s >= whole_s - ROUNDING_S else _short_duration(watched_s)
    watched = f"{write_duration(watched_s)} of {write_duration(whole_s)}" if part else write_duration(whole_s)
    words = f"{label}: heard {write_duration(heard_s)}, {write_share(share)}; watched {watched}"
    return HourCell(label, step, True, _short_share(share), part, words)


def _short_duration(seconds: float) -> str:
    """Whole minutes, cut off: what is missing must not look as if it were there."""
    return f"{seconds // 60:.0f} min" if seconds >= 60 else f"{seconds:.0f} s"


def _short_share(share: float) -> str:
    if share <= 0:
        return "quiet"
    return "<1 %" if share < 0.01 else f"{100 * share:.0f} %"
