"""What is watched beyond the plan's windows after a call for help.

Who calls for help and gets no answer saves the battery and comes back near the top of an hour. So the watch
goes on until the channel has been quiet for a while, and opens again around the next hours' tops, as far as
the power budget of the day goes.

Minutes are granted in the order in which they come, to what is known by then: what is heard later never takes
back what was granted before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from watcher.plan.model import Window
from watcher.plan.stay_rules import FollowUpRules
from watcher.plan.windows import Span, local_midnight, merged, open_time, window_spans, without
from watcher.utc import write_utc

Reason = Literal["not quiet yet", "next hours"]
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Heard:
    """A transmission as far as following it up needs it.

    `stop_utc` of one that still lasts is the latest instant at which it did.
    """

    channel: str
    start_utc: datetime
    stop_utc: datetime
    calls_for_help: bool = False


@dataclass(frozen=True, slots=True)
class ExtraSpan:
    """Time watched beyond the plan's windows, and why.

    Parameters
    ----------
    start_utc, stop_utc : datetime
        Half-open, outside every window of the plan.
    reason : {"not quiet yet", "next hours"}
        The channel of the call was not quiet yet, or the caller may come back at the top of an hour.
    channel : str
        On which the call was heard.
    call_utc : datetime
        When it began.
    cut_short : bool
        The budget of the day ended it.
    """

    start_utc: datetime
    stop_utc: datetime
    reason: Reason
    channel: str
    call_utc: datetime
    cut_short: bool = False

    @property
    def said(self) -> str:
        """The reason as a sentence for the log."""
        call = f"the call on {self.channel} at {write_utc(self.call_utc)}"
        why = (
            f"kept open after {call}, until the channel is quiet"
            if self.reason == "not quiet yet"
            else f"opened at the top of the hour after {call}"
        )
        return f"{why}; cut short by the power budget of the day" if self.cut_short else why


def follow_up_spans(
    windows: Sequence[Window], zone: ZoneInfo, heard: Iterable[Heard], rules: FollowUpRules
) -> tuple[ExtraSpan, ...]:
    """The extra spans that follow from what was heard.

    Parameters
    ----------
    windows : sequence of Window
        As in the plan; a continuous watch needs nothing extra.
    zone : ZoneInfo
        The station's time zone: hours and days are its own.
    heard : iterable of Heard
        Calls for help, and whatever else was heard on their channels, in any order.
    rules : FollowUpRules

    Returns
    -------
    tuple of ExtraSpan
        Disjoint, in order. More heard later changes only what comes after it.
    """
    known = sorted(heard, key=lambda each: (each.start_utc, each.stop_utc))
    calls = [each for each in known if each.calls_for_help]
    wanted: dict[tuple[Span, Reason], Heard] = {}
    for call in calls:
        wanted.setdefault((_until_quiet(call, known, rules), "not quiet yet"), call)
        for span in _next_hours(call, zone, rules):
            wanted.setdefault((span, "next hours"), call)
    if not wanted:
        return ()
    whole = (min(span[0] for span, _ in wanted), max(span[1] for span, _ in wanted))
    taken = open_time(windows, zone, whole)
    extra = []
    in_order = sorted(
        wanted.items(), key=lambda item: (item[0][0][0], item[0][1] != "not quiet yet", item[0][0])
    )
    for (span, reason), call in in_order:
        pieces = without([span], taken)  # none before a piece of an earlier span
        taken = merged((*taken, *pieces))
        extra += [ExtraSpan(*piece, reason, call.channel, call.start_utc) for piece in pieces]
    return _within_budget(extra, zone, rules)


def _until_quiet(call: Heard, known: Sequence[Heard], rules: FollowUpRules) -> Span:
    """From the call until its channel has been quiet for the set time."""
    quiet = timedelta(minutes=rules.quiet_minutes)
    last = call.stop_utc
    for each in known:
        if each.channel == call.channel and call.start_utc <= each.start_utc < last + quiet:
            last = max(last, each.stop_utc)
    return call.start_utc, last + quiet


def _next_hours(call: Heard, zone: ZoneInfo, rules: FollowUpRules) -> list[Span]:
    """The spans around the next full hours of the local clock, cut at the call itself."""
    if not rules.hours:
        return []
    lead = timedelta(minutes=rules.lead_minutes)
    hourly = Window(every_hours=1, length_minutes=rules.length_minutes, lead_minutes=rules.lead_minutes)
    # Some zones change by more than an hour, or by half of one: look a little further.
    ahead = (call.start_utc, call.start_utc + timedelta(hours=rules.hours + 3))
    tops = [each for each in window_spans([hourly], zone, ahead) if each.start_utc + lead > call.start_utc]
    return [(max(each.start_utc, call.start_utc), each.stop_utc) for each in tops[: rules.hours]]


def _within_budget(extra: Iterable[ExtraSpan], zone: ZoneInfo, rules: FollowUpRules) -> tuple[ExtraSpan, ...]:
    """The spans as far as the budget of each local day goes, those that pass midnight cut there."""
    budget = timedelta(minutes=rules.most_extra_minutes_a_day)
    left: dict[date, timedelta] = {}
    granted = []
    for each in extra:
        start = each.start_utc
        while start < each.stop_utc:
            day = _day_of(start, zone)
            stop = min(each.stop_utc, local_midnight(day + _DAY, zone))
            affordable = min(stop - start, left.get(day, budget))
            if affordable > timedelta(0):
                left[day] = left.get(day, budget) - affordable
                granted.append(
                    ExtraSpan(
                        start,
                        start + affordable,
                        each.reason,
                        each.channel,
                        each.call_utc,
                        cut_short=start + affordable < stop,
                    )
                )
            start = stop
    return tuple(granted)


def _day_of(instant: datetime, zone: ZoneInfo) -> date:
    """The local day whose budget an instant takes from: the latest whose midnight is past.

    Not always the date on the wall: in some zones midnight has come twice.
    """
    day = instant.astimezone(zone).date() + _DAY
    while local_midnight(day, zone) > instant:
        day -= _DAY
    return day
