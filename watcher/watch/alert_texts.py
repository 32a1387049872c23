"""What an alert says: what was heard, when, where, how sure, and what to do next. It never claims more.

Nobody has listened when it is written: it tells of a signal, not of an emergency.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from zoneinfo import ZoneInfo

from watcher.plan.duties import Alert
from watcher.plan.figures import write_mhz
from watcher.receive.records import (
    ALERT_TONE,
    BEACON,
    LONG_TONE,
    SAME,
    UNMODULATED,
    Finding,
    Sign,
    Transmission,
)

CALLING = "calling"
"""Stands beside the flags: heard on a channel that the plan marks as a calling channel."""

NEXT = "Next: listen to the clip, then follow your own emergency plan and local procedures."
NOBODY_LISTENED = "A program found this; nobody has listened yet."

MOST_SEVERE = 4
"""Of a digital alert: what the table of events calls a warning or an emergency."""

SHORTEST_CALL_S = 1.0
"""Nobody says a name in less; shorter carriers are mostly buttons touched (common practice, no source)."""

MOST_TOLD = 10
"""Of one message; more would not fit a short text service, and the log has them all."""

_WHAT = {
    LONG_TONE: "a key tone (zero) held three seconds or more, by amateur custom a call for help",
    BEACON: "the falling sweep of an emergency locator",
    SAME: "a digital alert",
    ALERT_TONE: "the warning tone of weather radio",
    UNMODULATED: "a bare carrier: a key held, and nothing said",
    CALLING: "somebody on a calling channel",
}
_SIGNS = {
    LONG_TONE: Sign.LONG_TONE,
    BEACON: Sign.BEACON,
    SAME: Sign.SAME,
    ALERT_TONE: Sign.ALERT_TONE,
}


@dataclass(frozen=True, slots=True)
class Item:
    """A transmission to tell of.

    `reasons` are flags, the gravest first; `distress` if one asks for help; `goes_on` where it is still on
    the air and `heard` is what is known so far.
    """

    heard: Transmission
    clip: PurePosixPath | None
    reasons: tuple[str, ...]
    distress: bool
    goes_on: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """What is sent."""

    title: str
    body: str


def item_for(
    alert: Alert, heard: Transmission, clip: PurePosixPath | None, calling: Collection[str]
) -> Item | None:
    """What this alert has to tell of a transmission; None where that is nothing.

    Parameters
    ----------
    alert : Alert
    heard : Transmission
    clip : PurePosixPath or None
    calling : collection of str
        Names of the calling channels. A later piece of a split transmission is no new call.
    """
    severity = severity_of(heard)
    told: list[str] = [
        flag
        for flag in heard.flags
        if flag in alert.flags and (flag != SAME or severity >= alert.least_severity)
    ]
    first = heard.piece == 1 and heard.seconds >= SHORTEST_CALL_S
    if alert.calling and first and heard.channel in calling:
        told.append(CALLING)
    if not told:
        return None
    reasons = tuple(flag for flag in _WHAT if flag in told)
    distress = any(flag in {LONG_TONE, BEACON} for flag in told) or (SAME in told and severity >= MOST_SEVERE)
    return Item(heard, clip, reasons, distress)


def asked_for_help(item: Item) -> frozenset[tuple[Sign, float]]:
    """What in a transmission asks for help: the signs of its reasons, and when each began."""
    signs = {_SIGNS[reason] for reason in item.reasons if reason in _SIGNS}
    return frozenset((each.sign, each.start_s) for each in item.heard.findings if each.sign in signs)


def severity_of(heard: Transmission) -> int:
    """Of the gravest digital alert in it, 0 to 4; 0 without one."""
    found = [each.figures.get("severity", 0.0) for each in heard.findings if each.sign is Sign.SAME]
    return round(max(found, default=0.0))


def message(station: str, zone: ZoneInfo, items: Sequence[Item], untold: int = 0) -> Message:
    """One message of one transmission or of several.

    Parameters
    ----------
    station : str
        Who tells.
    zone : ZoneInfo
        In which local time is told beside UTC.
    items : sequence of Item
        At least one, in order of hearing. Calls for help come first, and at most `MOST_TOLD` are told one by
        one.
    untold : int
        How many others are in the log and were not told.
    """
    ordered = sorted(items, key=lambda item: not item.distress)
    first, told = ordered[0], ordered[:MOST_TOLD]
    title = f"{station}: {_WHAT[first.reasons[0]].partition(':')[0].partition(',')[0]}, {first.heard.channel}"
    if len(ordered) > 1:
        title += f", and {len(ordered) - 1} more"
    parts = [_paragraph(item, zone) for item in told]
    if len(ordered) > len(told):
        parts.append(f"And {len(ordered) - len(told)} more, in the log.")
    if untold:
        were = "1 other was" if untold == 1 else f"{untold} others were"
        parts.append(
            f"Since the last message {were} not told, for quiet hours or the limit; the log has them."
        )
    parts.append(f"{NOBODY_LISTENED}\n{NEXT}")
    return Message(title, "\n\n".join(parts))


def trial_message(station: str, zone: ZoneInfo, now_utc: datetime) -> Message:
    """The text of a test, which nobody can take for something heard."""
    return Message(
        f"{station}: test of the alert, nothing was heard",
        f"This is a test, sent {write_times(now_utc, zone)}. Nothing was heard and nothing has to be done.",
    )


def write_times(instant: datetime, zone: ZoneInfo) -> str:
    """`2031-05-04 03:02:01 MDT (09:02:01 UTC)`; the date is told twice where the two differ."""
    local, utc = instant.astimezone(zone), instant.astimezone(ZoneInfo("UTC"))
    form = "%H:%M:%S UTC" if local.date() == utc.date() else "%Y-%m-%d %H:%M:%S UTC"
    if local.utcoffset() == utc.utcoffset():
        return f"{utc:%Y-%m-%d %H:%M:%S UTC}"
    return f"{local:%Y-%m-%d %H:%M:%S %Z} ({utc.strftime(form)})"


def _paragraph(item: Item, zone: ZoneInfo) -> str:
    heard = item.heard
    lines = [f"Heard: {'; '.join(_what(heard, reason) for reason in item.reasons)}"]
    lasted = f"still on the air after {heard.seconds:.0f} s" if item.goes_on else f"for {heard.seconds:.1f} s"
    lines.append(f"When: {write_times(heard.start_utc, zone)}, {lasted}")
    snr = "SNR unknown" if heard.snr_db is None else f"SNR {heard.snr_db.value:.0f} dB".replace("-", "−")
    lines.append(f"Where: {heard.channel}, {write_mhz(heard.frequency_hz)} MHz, {snr}")
    lines.append(f"How sure: {'; '.join(_how_sure(heard, reason) for reason in item.reasons)}")
    missing = "it is being recorded" if item.goes_on else "none was kept"
    lines.append(f"Clip: {missing if item.clip is None else item.clip}")
    return "\n".join(lines)


def _findings(heard: Transmission, reason: str) -> list[Finding]:
    return [each for each in heard.findings if each.sign is _SIGNS.get(reason)]


def _what(heard: Transmission, reason: str) -> str:
    words = list(dict.fromkeys(each.words for each in _findings(heard, reason)))
    return f"{_WHAT[reason]} ({'; '.join(words)})" if words else _WHAT[reason]


def _how_sure(heard: Transmission, reason: str) -> str:
    if reason in {CALLING, UNMODULATED}:
        if heard.kind is None:
            return "what sort of transmission it is, is unknown"
        return f"probably {heard.kind.kind.value} ({write_probability(heard.kind.probability)})"
    known = [each.probability for each in _findings(heard, reason) if each.probability is not None]
    return f"{write_probability(max(known))} by the decoder's own reckoning" if known else "unknown"


def write_probability(probability: float) -> str:
    """Rounded down, so that nothing is called surer than it is: `98 %`, `99.9 %`, `over 99.9 %`."""
    if probability > 0.999:
        return "over 99.9 %"
    per_mille = int(probability * 1000 + 1e-9)
    return f"{per_mille / 10:.1f} %" if per_mille > 990 else f"{per_mille // 10} %"
