"""What to hear first: exchanges in order of simple reasons that anybody can check.

Nothing here understands a word. The reasons are measured facts and what the watch plan says; the points only
put them in an order, and the report prints both.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from watcher.plan.model import Channel
from watcher.report.exchanges import Exchange, WholeTransmission

# Points: what is flagged counts most, what may be a call for help next, what is only easily missed least
# (judgement, no source).
FLAG_POINTS = 3
PRIORITY_POINTS = 2
ALONE_POINTS = 2
TONE_POINTS = 2
WEAK_POINTS = 1
LONG_POINTS = 1

WEAK_SNR_DB = 10.0
"""At and under about this carrier-to-noise ratio an FM discriminator is below its threshold and words get
lost (the textbook FM threshold; from memory)."""

LONG_S = 30.0
"""Few speak longer at a stretch; a stuck button and somebody with much to tell both do (common practice, no
source)."""

SHORTEST_CALL_S = 1.0
"""Nobody says a name in less; shorter lone carriers are mostly buttons touched (common practice, no
source)."""

MOSTLY_BUSY_SHARE = 0.5
"""On a channel that is surely heard more than this share of the time, such as weather radio, being alone or
long means nothing (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why an exchange stands where it does: points, and words for a person."""

    points: int
    words: str


@dataclass(frozen=True, slots=True)
class Ranked:
    """An exchange with its reasons, and the transmission to begin with."""

    exchange: Exchange
    reasons: tuple[Reason, ...]
    begin_with: WholeTransmission

    @property
    def points(self) -> int:
        """The sum that orders the list."""
        return sum(reason.points for reason in self.reasons)


def ranked(
    found: Iterable[Exchange], channels: Mapping[str, Channel], busy_channels: frozenset[str] = frozenset()
) -> list[Ranked]:
    """The exchanges that have a reason, most points first, then the earlier one.

    Parameters
    ----------
    found : iterable of Exchange
    channels : mapping of str to Channel
        What the watch plan says of each channel; one that is not in it has no priority and expects no tone.
    busy_channels : frozenset of str
        Channels surely heard more than `MOSTLY_BUSY_SHARE` of their watched time: being alone or long is no
        reason there, nor for a carrier of which neither the beginning nor the end was seen.
    """
    every = [_rank(one, channels.get(one.channel), one.channel in busy_channels) for one in found]
    return sorted(
        (one for one in every if one.reasons),
        key=lambda one: (-one.points, one.exchange.start_utc, one.exchange.channel),
    )


def _rank(exchange: Exchange, channel: Channel | None, mostly_busy: bool) -> Ranked:
    reasons: list[Reason] = []
    goes_on_and_on = mostly_busy or not any(one.start_seen or one.end_seen for one in exchange.transmissions)
    for flag in dict.fromkeys(flag for one in exchange.transmissions for flag in one.flags):
        reasons.append(Reason(FLAG_POINTS, f"flagged: {flag}"))
    if channel is not None and channel.priority == 1:
        reasons.append(Reason(PRIORITY_POINTS, "on a channel of priority 1"))
    if not goes_on_and_on and _is_alone(exchange):
        reasons.append(Reason(ALONE_POINTS, "nobody else was heard with it"))
    tone = _tone_words(exchange, channel)
    if tone:
        reasons.append(Reason(TONE_POINTS, tone))
    weakest = min((one.snr_db.value for one in exchange.transmissions if one.snr_db), default=None)
    if weakest is not None and weakest <= WEAK_SNR_DB:
        reasons.append(Reason(WEAK_POINTS, f"weak: {weakest:.0f} dB"))
    longest = max(one.seconds for one in exchange.transmissions)
    if not goes_on_and_on and longest >= LONG_S:
        reasons.append(Reason(LONG_POINTS, f"long: {longest:.0f} s without a break"))
    return Ranked(exchange, tuple(reasons), _begin_with(exchange))


def _is_alone(exchange: Exchange) -> bool:
    return len(exchange.transmissions) == 1 and exchange.transmissions[0].seconds >= SHORTEST_CALL_S


def _tone_words(exchange: Exchange, channel: Channel | None) -> str | None:
    """How the tones differ from the expected one; None where they do not, nobody looked, or none is
    expected."""
    if channel is None or channel.expect_tone_hz is None:
        return None
    heard = {one.tone.tone_hz for one in exchange.transmissions if one.tone is not None}
    others = sorted(tone for tone in heard if tone is not None and abs(tone - channel.expect_tone_hz) > 0.05)
    if others:
        listed = ", ".join(f"{tone:.1f}" for tone in others)
        return f"tone {listed} Hz where {channel.expect_tone_hz:.1f} Hz is expected"
    if None in heard:
        return f"no tone where {channel.expect_tone_hz:.1f} Hz is expected"
    return None


def _begin_with(exchange: Exchange) -> WholeTransmission:
    """The first that is flagged, else the first: a call opens with who calls whom."""
    return next((one for one in exchange.transmissions if one.flags), exchange.transmissions[0])
