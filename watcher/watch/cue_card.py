"""What a person at the radio does next within an attended window.

This program only receives: the card says when to call, the person holds the key. The order is a common
calling practice, no standard: listen to the first four minutes, call for anybody with traffic, listen half a
minute, call once more, listen half a minute. A window that is longer goes on with listening.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

LISTEN_S = 240.0
ANSWER_S = 30.0

CALL_S = 15.0
"""A short call takes five to ten seconds (common practice, no source)."""

NEVER_TRANSMITS = "This program never transmits: you call, on a channel you may use."


@dataclass(frozen=True, slots=True)
class Cue:
    """One thing to do; `start_s` and `stop_s` are seconds since the start of the window, without its lead."""

    start_s: float
    stop_s: float
    todo: str


def cues(length_s: float) -> tuple[Cue, ...]:
    """What there is to do in a window of this length, without a hole from its start to its end.

    The first listening gives way where the window is too short for all of it.
    """
    rest = (
        (
            CALL_S,
            "Call for traffic: say who you are, ask for anybody who needs help, then let go of the key.",
        ),
        (ANSWER_S, "Listen for an answer."),
        (CALL_S, "Call again."),
        (ANSWER_S, "Listen for an answer."),
    )
    at_s = max(0.0, min(LISTEN_S, length_s - sum(seconds for seconds, _ in rest)))
    found = [Cue(0.0, at_s, "Listen. Do not call yet: somebody weak may be calling.")]
    for seconds, todo in rest:
        found.append(Cue(at_s, at_s + seconds, todo))
        at_s += seconds
    found.append(Cue(at_s, math.inf, "Listen on until the window closes."))
    return tuple(
        Cue(cue.start_s, min(cue.stop_s, length_s), cue.todo)
        for cue in found
        if cue.start_s < min(cue.stop_s, length_s)
    )


def card(start_utc: datetime, length: timedelta, now_utc: datetime) -> tuple[str, ...]:
    """The card as lines: what to do now with the seconds left, what comes then.

    Parameters
    ----------
    start_utc : datetime
        Of the window, after its lead.
    length : timedelta
    now_utc : datetime

    Returns
    -------
    tuple of str
        One line before the window and after it.
    """
    now_s, length_s = (now_utc - start_utc).total_seconds(), length.total_seconds()
    if now_s < 0:
        return (f"{_left(-now_s)} until the window. Be ready to listen.",)
    ahead = [cue for cue in cues(length_s) if cue.stop_s > now_s]
    if not ahead:
        return ("The window is over.",)
    lines = [f"NOW   {_left(ahead[0].stop_s - now_s)}  {ahead[0].todo}"]
    lines += [f"then  {_left(cue.stop_s - cue.start_s)}  {cue.todo}" for cue in ahead[1:]]
    return (*lines, NEVER_TRANSMITS)


def _left(seconds: float) -> str:
    """Rounded up, so that nothing ends before it says zero: `4:00`, `0:01`."""
    minutes, rest = divmod(math.ceil(seconds - 1e-6), 60)
    return f"{minutes}:{rest:02d}"
