"""What a plan supposes of those who call for help: the `[callers]` table, for the outlook alone.

Nothing in it changes what the watch does. Every default is an assumption and is printed as one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from watcher.plan.names import folded
from watcher.plan.power_rules import Uncertain, uncertain
from watcher.plan.rules import Wrong, as_real, as_whole

FirstCall = Literal["next-hour", "at-once"]

DETECTION = ((0.0, 0.0), (3.0, 0.99))
"""Carrier-to-noise ratio in the channel, dB, and the chance that a key-down of half a second or more is
found.

Cautious: the receiver is built and tested to open at 3 dB; below 0 dB nothing is counted on, and in between a
straight line."""


def _points(written: object) -> tuple[tuple[float, float], ...]:
    right = (
        "it must be a list of pairs of dB and a rate between 0 and 1, both rising, like [[0, 0], [3, 0.99]]"
    )
    if isinstance(written, tuple):
        return written
    if not isinstance(written, list) or not written:
        raise Wrong(right)
    try:
        points = tuple((as_real(ratio), as_real(rate)) for ratio, rate in written)
    except (TypeError, ValueError):
        raise Wrong(right) from None
    ratios, rates = zip(*points, strict=True)
    rising = all(a < b for a, b in pairwise(ratios))
    if not rising or list(rates) != sorted(rates) or rates[0] < 0 or rates[-1] > 1:
        raise Wrong(right)
    return points


def _shares(written: object) -> tuple[tuple[str, float], ...]:
    right = 'it must be a table of channel names and shares above 0 and up to 1, like { "2 m calling" = 0.5 }'
    if isinstance(written, tuple):
        return written
    if not isinstance(written, Mapping) or not written:
        raise Wrong(right)
    try:
        shares = tuple((str(name), as_real(share)) for name, share in written.items())
    except ValueError:
        raise Wrong(right) from None
    if any(not 0 < share <= 1 for _, share in shares):
        raise Wrong(right)
    total = sum(Decimal(str(share)) for _, share in shares)
    if total > 1:
        raise Wrong(f"it must hold shares of together at most 1, and they come to {total}")
    return shares


class CallerRules(BaseModel):
    """The habit of a caller, as wilderness callers are taught it (common practice, no source).

    Parameters
    ----------
    call_minutes, listen_minutes : float
        Calls are repeated for so long, then the caller listens; both `rounds` times, then the radio is
        off until the top of the next hour of the caller's own clock.
    over_seconds, pause_seconds : float
        One key-down while calling, and the pause after it.
    clock_error_minutes : Uncertain
        Mean and standard deviation of how much late the caller acts, normally distributed; one error a
        caller.
    first_call : {"next-hour", "at-once"}
        Whether the first calls are made when the trouble begins, or at the top of the next hour.
    lasts_hours : Uncertain
        From the beginning of the trouble until the caller gives up or the battery is empty, normally
        distributed.
    channels : tuple of (str, float)
        The chance that the caller uses each channel of the plan; what is missing to 1 calls where nobody
        watches. Empty: the calling channels share it evenly, or where there are none all that keep every
        clip.
    cn_db : Uncertain
        Carrier-to-noise ratio at the watch, in the channel's width; one draw of a normal law a caller.
    detection : tuple of (float, float)
        See :data:`DETECTION`.
    outage_share : float
        Of the time, how much the radio or the computer is down.
    outage_hours : float
        How long an outage lasts in the mean, exponentially distributed.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    call_minutes: Annotated[float, BeforeValidator(as_real)] = Field(
        default=2.0, ge=0.1, le=60, description="a number of minutes between 0.1 and 60"
    )
    listen_minutes: Annotated[float, BeforeValidator(as_real)] = Field(
        default=3.0, ge=0, le=60, description="a number of minutes between 0 and 60"
    )
    rounds: Annotated[int, BeforeValidator(as_whole)] = Field(
        default=2, ge=1, le=30, description="a whole number between 1 and 30"
    )
    over_seconds: Annotated[float, BeforeValidator(as_real)] = Field(
        default=10.0, ge=1, le=120, description="a number of seconds between 1 and 120"
    )
    pause_seconds: Annotated[float, BeforeValidator(as_real)] = Field(
        default=5.0, ge=0, le=120, description="a number of seconds between 0 and 120"
    )
    clock_error_minutes: Annotated[Uncertain, BeforeValidator(uncertain(-30, 30))] = Uncertain(0.0, 3.0)
    first_call: FirstCall = Field(default="next-hour", description='"next-hour" or "at-once"')
    lasts_hours: Annotated[Uncertain, BeforeValidator(uncertain(0.1, 240))] = Uncertain(24.0, 8.0)
    channels: Annotated[tuple[tuple[str, float], ...], BeforeValidator(_shares)] = ()
    cn_db: Annotated[Uncertain, BeforeValidator(uncertain(-30, 60))] = Uncertain(10.0, 8.0)
    detection: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_points)] = DETECTION
    outage_share: Annotated[float, BeforeValidator(as_real)] = Field(
        default=0.0, ge=0, lt=1, description="a share from 0 to below 1"
    )
    outage_hours: Annotated[float, BeforeValidator(as_real)] = Field(
        default=6.0, ge=0.1, le=1000, description="a number of hours between 0.1 and 1000"
    )


def caller_contradictions(callers: CallerRules, names: Sequence[str], file: str) -> list[str]:
    """What `[callers]` says that cannot be, beside this plan's channels, one problem each."""
    problems = []
    minutes = callers.rounds * (callers.call_minutes + callers.listen_minutes)
    if minutes > 60:
        problems.append(
            f"{file}: callers: rounds is {callers.rounds}, which takes {minutes:g} minutes of calling and "
            "listening; it must fit into the hour"
        )
    known = {folded(name) for name in names}
    problems += [
        f'{file}: callers: channels names "{name}"; it must be the name of a channel of this plan'
        for name, _ in callers.channels
        if folded(name) not in known
    ]
    return problems
