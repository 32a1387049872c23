"""The latest week against the four weeks before it, channel by channel."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import bdtr, bdtrc

from watcher.report.intervals import microseconds, seconds_within
from watcher.report.periods import weeks_before
from watcher.report.summary import ActivitySummary, ChannelSummary
from watcher.report.usual import LEAST_HISTORY_H, UNUSUAL_CHANCE

WEEKS = 4


@dataclass(frozen=True, slots=True)
class Compared:
    """One channel now and before.

    `before_shares` is the occupancy of each earlier week, the earliest first, None where it was not watched;
    `chance` is how seldom exchanges that come by chance as often as before differ as much, None where too
    little was watched to say.
    """

    channel: str
    exchanges: int
    watched_h: float
    before_exchanges: int
    before_watched_h: float
    before_shares: tuple[float | None, ...]
    chance: float | None

    @property
    def words(self) -> str:
        """What it comes to, as one phrase."""
        if self.chance is None:
            when = (
                "not watched now" if self.watched_h <= 0 else f"under {LEAST_HISTORY_H:.0f} h watched before"
            )
            return f"unknown: {when}"
        if self.chance > UNUSUAL_CHANCE:
            return "no difference beyond chance"
        more = self.exchanges * self.before_watched_h > self.before_exchanges * self.watched_h
        return "busier than before" if more else "quieter than before"


def compare(now: ActivitySummary, before: ActivitySummary) -> tuple[Compared, ...]:
    """The channels of `now` against the same in `before`, whose span ends where that of `now` begins.

    A channel counts as the same by its name.
    """
    earlier = {one.name: one for one in before.channels}
    counts, before_counts = _exchanges(now), _exchanges(before)
    weeks = weeks_before(now.span, WEEKS)
    starts = microseconds(week.start_utc for week in weeks)
    stops = microseconds(week.stop_utc for week in weeks)
    found = []
    for one in now.channels:
        then: ChannelSummary | None = earlier.get(one.name)
        shares: tuple[float | None, ...] = (None,) * WEEKS
        if then is not None:
            heard_s = seconds_within(then.account.heard, starts, stops)
            watched_s = seconds_within(then.account.watched, starts, stops)
            shares = tuple(
                float(heard / watched) if watched > 0 else None
                for heard, watched in zip(heard_s, watched_s, strict=True)
            )
        watched_h = one.occupancy.watched_s / 3600
        before_h = 0.0 if then is None else then.occupancy.watched_s / 3600
        count, before_count = counts.get(one.name, 0), before_counts.get(one.name, 0)
        enough = watched_h > 0 and before_h >= LEAST_HISTORY_H
        found.append(
            Compared(
                channel=one.name,
                exchanges=count,
                watched_h=watched_h,
                before_exchanges=before_count,
                before_watched_h=before_h,
                before_shares=shares,
                chance=chance_of_difference(count, watched_h, before_count, before_h) if enough else None,
            )
        )
    return tuple(found)


def chance_of_difference(count: int, hours: float, before: int, before_hours: float) -> float:
    """How seldom two counts of chance at one rate lie as far apart, both ways: 0 to 1.

    Of all that came, each lay in the later time with the chance that its share of the hours gives (the
    conditional test for two Poisson rates, Przyborowski and Wilenski, Biometrika 31, 1940; from memory); the
    smaller tail is doubled.

    Raises
    ------
    ValueError
        A count is negative or hours are not positive.
    """
    if min(count, before) < 0 or min(hours, before_hours) <= 0:
        raise ValueError(
            f"counts are {count} and {before}, hours {hours} and {before_hours}; counts must be 0 or more "
            "and hours above 0"
        )
    total, share = count + before, hours / (hours + before_hours)
    more = 1.0 if count == 0 else float(bdtrc(count - 1, total, share))
    fewer = float(bdtr(count, total, share))
    return min(1.0, 2 * min(more, fewer))


def _exchanges(summary: ActivitySummary) -> dict[str, int]:
    counts: dict[str, int] = {}
    for one in summary.exchanges:
        counts[one.channel] = counts.get(one.channel, 0) + 1
    return counts
