"""What to hear first: exchanges in order of simple reasons that anybody can check.

Nothing here understands a word. The reasons are measured facts and what the watch plan says; the points only
put them in an order, and the report prints both. All points are judgement, no source: what says "help" in
itself counts most, what may be a call for help next, what is only easily missed least.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from watcher.log.reading import LoggedTransmission
from watcher.plan.model import Channel
from watcher.receive.records import ALERT_TONE, BEACON, LONG_TONE, SAME, UNMODULATED, Sign
from watcher.report.exchanges import Exchange, WholeTransmission
from watcher.report.usual import UsualActivity

FLAG_REASONS: Mapping[str, tuple[int, str]] = {
    LONG_TONE: (10, "a zero held three seconds or more, by amateur custom a call for help"),
    BEACON: (10, "the falling sweep of an emergency locator"),
    ALERT_TONE: (6, "the warning tone of weather radio"),
    UNMODULATED: (2, "a bare carrier: somebody held the key and said nothing"),
}
OTHER_FLAG_POINTS = 3
SAME_POINTS_PER_SEVERITY = 2  # of 0 to 4
CALLING_POINTS = 4
PRIORITY_POINTS = 2
UNANSWERED_POINTS = 5
ALONE_POINTS = 2
TONE_POINTS = 2
UNUSUAL_POINTS = 2
WEAK_ON_CALLING_POINTS = 3
WEAK_POINTS = 1
LONG_POINTS = 1
WORDS_POINTS = 1

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

UNANSWERED_CALLS = 3
UNANSWERED_PAUSE = timedelta(minutes=15)
"""Somebody who calls in the blind calls, listens for some minutes and calls again (common practice, no
source)."""


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
    found: Iterable[Exchange],
    channels: Mapping[str, Channel],
    busy_channels: frozenset[str] = frozenset(),
    usual: UsualActivity | None = None,
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
    usual : UsualActivity or None
        What the log's own history says of each hour; None where there is none.
    """
    exchanges = list(found)
    unanswered = _unanswered(exchanges, busy_channels)
    every = []
    for one in exchanges:
        channel, mostly_busy = channels.get(one.channel), one.channel in busy_channels
        reasons = [
            *_flag_reasons(one),
            *_channel_reasons(one, channel, mostly_busy, unanswered.get(id(one), 0)),
            *_hour_reasons(one, mostly_busy, usual),
            *_word_reasons(one),
        ]
        every.append(Ranked(one, tuple(reasons), _begin_with(one)))
    return sorted(
        (one for one in every if one.reasons),
        key=lambda one: (-one.points, one.exchange.start_utc, one.exchange.channel),
    )


def in_order_of_hearing(
    rank: Iterable[Ranked], transmissions: Iterable[WholeTransmission]
) -> Iterator[LoggedTransmission]:
    """Every log entry: those of ranked exchanges first, in their order, then the rest in order of start."""
    told: set[int] = set()
    ordered = [one for each in rank for one in each.exchange.transmissions]
    for one in (*ordered, *transmissions):
        for piece in one.pieces:
            if piece.entry_id not in told:
                told.add(piece.entry_id)
                yield piece


def _flag_reasons(exchange: Exchange) -> Iterator[Reason]:
    for flag in dict.fromkeys(flag for one in exchange.transmissions for flag in one.flags):
        if flag == SAME:
            yield _alert_reason(exchange)
        else:
            points, words = FLAG_REASONS.get(flag, (OTHER_FLAG_POINTS, f"flagged: {flag}"))
            yield Reason(points, words)


def _alert_reason(exchange: Exchange) -> Reason:
    alerts = [
        (finding.figures.get("severity", 0.0), finding.words)
        for one in exchange.transmissions
        for finding in one.findings
        if finding.sign in {Sign.SAME, Sign.SAME_UNSURE}
    ]
    severity, words = max(alerts, key=lambda alert: alert[0], default=(0.0, "alert"))
    return Reason(SAME_POINTS_PER_SEVERITY * round(severity), f"alert: {words}")


def _channel_reasons(
    exchange: Exchange, channel: Channel | None, mostly_busy: bool, unanswered: int
) -> Iterator[Reason]:
    goes_on_and_on = mostly_busy or not any(one.start_seen or one.end_seen for one in exchange.transmissions)
    calling = channel is not None and channel.calling
    if calling:
        yield Reason(CALLING_POINTS, "on a calling channel")
    if channel is not None and channel.priority == 1:
        yield Reason(PRIORITY_POINTS, "on a channel of priority 1")
    if unanswered:
        yield Reason(UNANSWERED_POINTS, f"one of {unanswered} calls minutes apart that nobody answered")
    elif not goes_on_and_on and _is_alone(exchange):
        yield Reason(ALONE_POINTS, "nobody else was heard with it")
    if tone := _tone_words(exchange, channel):
        yield Reason(TONE_POINTS, tone)
    weakest = min((one.snr_db.value for one in exchange.transmissions if one.snr_db), default=None)
    if weakest is not None and weakest <= WEAK_SNR_DB:
        if calling:
            yield Reason(WEAK_ON_CALLING_POINTS, f"weak, and on a calling channel: {weakest:.0f} dB")
        else:
            yield Reason(WEAK_POINTS, f"weak: {weakest:.0f} dB")
    longest = max(one.seconds for one in exchange.transmissions)
    if not goes_on_and_on and longest >= LONG_S:
        yield Reason(LONG_POINTS, f"long: {longest:.0f} s without a break")


def _hour_reasons(exchange: Exchange, mostly_busy: bool, usual: UsualActivity | None) -> Iterator[Reason]:
    words = None if usual is None or mostly_busy else usual.surprise(exchange.channel, exchange.start_utc)
    if words is not None:
        yield Reason(UNUSUAL_POINTS, words)


def _word_reasons(exchange: Exchange) -> Iterator[Reason]:
    """A guess may only raise an exchange; that there is none says nothing."""
    words = dict.fromkeys(
        phrase
        for one in exchange.transmissions
        for piece in one.pieces
        for phrase, _ in piece.possible_words or ()
    )
    if words:
        guessed = ", ".join(f"{word}?" for word in words)
        yield Reason(WORDS_POINTS, f"possible words: {guessed} (a guess; it misses half and is often wrong)")


def _unanswered(exchanges: Sequence[Exchange], busy_channels: frozenset[str]) -> dict[int, int]:
    """By identity of the exchange: how many lone calls its run has, of those long enough to be one."""
    runs: list[list[Exchange]] = []
    latest: dict[str, list[Exchange]] = {}
    for one in sorted(exchanges, key=lambda each: each.start_utc):
        run = latest.get(one.channel)
        if one.channel in busy_channels or not _is_alone(one):
            latest.pop(one.channel, None)  # somebody answered, or it is no call
        elif run is not None and one.start_utc - run[-1].end_utc <= UNANSWERED_PAUSE:
            run.append(one)
        else:
            latest[one.channel] = run = [one]
            runs.append(run)
    return {id(one): len(run) for run in runs if len(run) >= UNANSWERED_CALLS for one in run}


def _is_alone(exchange: Exchange) -> bool:
    return len(exchange.transmissions) == 1 and exchange.transmissions[0].seconds >= SHORTEST_CALL_S


def _tone_words(exchange: Exchange, channel: Channel | None) -> str | None:
    """How tones or codes differ from the expected one; None where they do not, nobody looked, or none is
    expected."""
    if channel is None or channel.expects is None:
        return None
    heard = {_carried(one) for one in exchange.transmissions if one.tone is not None or one.code is not None}
    if others := sorted(carried for carried in heard if carried not in (None, channel.expects)):
        return f"{', '.join(map(str, others))} where {channel.expects} is expected"
    if None in heard:
        sort = "tone" if channel.expect_code is None else "code"
        return f"no {sort} where {channel.expects.removeprefix(sort + ' ')} is expected"
    return None


def _carried(one: WholeTransmission) -> str | None:
    if one.code is not None and one.code.code is not None:
        return f"code {one.code.code}"
    return None if one.tone is None or one.tone.tone_hz is None else f"tone {one.tone.tone_hz:.1f} Hz"


def _begin_with(exchange: Exchange) -> WholeTransmission:
    """The first that is flagged, else the first: a call opens with who calls whom."""
    return next((one for one in exchange.transmissions if one.flags), exchange.transmissions[0])
