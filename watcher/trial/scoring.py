"""What was heard held against what was sent, channel by channel: found, missed and why, and how exactly."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.log.spans import Spans
from watcher.plan.model import Channel
from watcher.receive.records import Transmission
from watcher.trial.causes import Cause, Circumstances, cause_of, cnr_in_pass_band_db
from watcher.trial.matching import match
from watcher.trial.rates import Rate, Spread, per_hour, share, spread
from watcher.trial.truth import Sent, same_name

SAME_TONE_HZ = (
    0.6  # the truth may tell a tone to the whole hertz below; listed tones lie 1.9 Hz apart or more
)
EDGE_SEEN = timedelta(milliseconds=50)  # watched this long beyond an edge, the edge could be seen


class State(StrEnum):
    """What became of one true transmission."""

    HEARD = "heard"
    MERGED = "merged into another"
    MISSED = "missed"
    NOT_LISTED = "not listed"


class Told(StrEnum):
    """What was told of a tone or code, against the truth."""

    RIGHT = "right"
    WRONG = "wrong"
    MISSED = "missed"
    FALSE = "false"
    RIGHTLY_NONE = "rightly none"


@dataclass(frozen=True, slots=True)
class Verdict:
    """One true transmission and what became of it; errors are heard less true, in s and dB."""

    sent: Sent
    channel: str
    state: State
    heard: Transmission | None = None
    parts: int = 1
    start_error_s: float | None = None
    end_error_s: float | None = None
    snr_error_db: float | None = None
    tone: Told | None = None
    code: Told | None = None
    cause: Cause | None = None


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one channel, or of all together.

    `recall` counts one heard transmission for each true one; `caught` adds those that were heard within
    another's. `false_openings` are per hour of one watched channel.
    """

    sent: int
    heard: int
    merged: int
    split: int
    split_by_fading: int
    missed: int
    recall: Rate
    caught: Rate
    false_openings: Rate
    start_error_s: Spread | None
    end_error_s: Spread | None
    snr_error_db: Spread | None
    tones: Mapping[Told, int]
    codes: Mapping[Told, int]
    tone_right: Rate
    code_right: Rate


@dataclass(frozen=True, slots=True)
class Score:
    """Everything that one trial found out."""

    verdicts: tuple[Verdict, ...]
    false_openings: tuple[Transmission, ...]
    channels: Mapping[str, Figures]
    whole: Figures
    not_listed: int
    watched_hours: float
    causes: Mapping[str, int] = field(default_factory=dict)


def channel_of(sent: Sent, channels: Sequence[Channel]) -> Channel | None:
    """The listed channel a true transmission was on: by frequency where it is known, else by name.

    A frequency belongs to the channel whose pass band holds it; among several to the one of that name, then
    to the nearest.
    """
    if sent.frequency_hz is None:
        return next((each for each in channels if same_name(each.name, sent.label)), None)
    near = [
        (not same_name(each.name, sent.label), abs(each.frequency_hz - sent.frequency_hz), number)
        for number, each in enumerate(channels)
        if abs(each.frequency_hz - sent.frequency_hz) <= each.pass_band_hz / 2
    ]
    return channels[min(near)[2]] if near else None


def whole_transmissions(records: Sequence[Transmission]) -> list[Transmission]:
    """Transmissions with the pieces of long ones put together again, in order of start."""
    found: list[Transmission] = []
    last: dict[str, int] = {}
    for record in sorted(records, key=lambda each: (each.start_utc, each.piece)):
        place = last.get(record.channel)
        if record.piece > 1 and place is not None and found[place].piece == record.piece - 1:
            first = found[place]
            found[place] = replace(
                first,
                end_utc=record.end_utc,
                stop_sample=record.stop_sample,
                piece=record.piece,
                tone=first.tone if first.tone and first.tone.tone_hz else record.tone or first.tone,
                code=first.code if first.code and first.code.code else record.code or first.code,
            )
            continue
        last[record.channel] = len(found)
        found.append(record)
    return found


def score(
    channels: Sequence[Channel],
    truth: Sequence[Sent],
    heard: Sequence[Transmission],
    circumstances: Mapping[str, Circumstances],
    measured_db: Mapping[Sent, float] | None = None,
) -> Score:
    """Hold what was heard against the truth.

    Parameters
    ----------
    channels : sequence of Channel
    truth : sequence of Sent
        Steady carriers in it are nobody's transmission: not to be heard, and a false opening where they are.
    heard : sequence of Transmission
        Pieces of long ones are put together first.
    circumstances : mapping of str to Circumstances
        By channel.
    measured_db : mapping of Sent to float, optional
        Carrier over noise of those whose strength the truth does not tell.
    """
    sent_on: dict[str, list[Sent]] = {each.name: [] for each in channels}
    verdicts: list[Verdict] = []
    measured_db = measured_db or {}
    for sent in truth:
        if sent.is_steady:
            continue
        channel = channel_of(sent, channels)
        if channel is None:
            cause = cause_of(sent, None, Circumstances(), None)
            verdicts.append(Verdict(sent, sent.label, State.NOT_LISTED, cause=cause))
        else:
            sent_on[channel.name].append(sent)
    heard_on: dict[str, list[Transmission]] = {each.name: [] for each in channels}
    for one in whole_transmissions(heard):
        heard_on.setdefault(one.channel, []).append(one)
    false: list[Transmission] = []
    figures: dict[str, Figures] = {}
    of_channels: list[Verdict] = []
    for channel in channels:
        here = circumstances.get(channel.name, Circumstances())
        ones = heard_on[channel.name]
        judged, wrong = _channel(channel, sent_on[channel.name], ones, here, measured_db)
        figures[channel.name] = _figures(judged, len(wrong), here.watched.seconds / 3600)
        of_channels += judged
        false += wrong
    hours = sum(circumstances[name].watched.seconds for name in circumstances) / 3600
    verdicts += of_channels
    verdicts.sort(key=lambda each: (each.sent.start_utc, each.channel))
    return Score(
        verdicts=tuple(verdicts),
        false_openings=tuple(sorted(false, key=lambda each: each.start_utc)),
        channels=figures,
        whole=_figures(of_channels, len(false), hours),
        not_listed=sum(each.state is State.NOT_LISTED for each in verdicts),
        watched_hours=hours,
        causes=Counter(str(each.cause.why) for each in verdicts if each.cause is not None),
    )


def _channel(
    channel: Channel,
    sent: Sequence[Sent],
    heard: Sequence[Transmission],
    here: Circumstances,
    measured_db: Mapping[Sent, float],
) -> tuple[list[Verdict], list[Transmission]]:
    if not sent:
        return [], list(heard)
    origin = min(each.start_utc for each in sent)

    def span(start: datetime, stop: datetime) -> tuple[float, float]:
        return (start - origin).total_seconds(), (stop - origin).total_seconds()

    found = match(
        [span(each.start_utc, each.stop_utc) for each in sent],
        [span(each.start_utc, each.end_utc) for each in heard],
    )
    partners = dict(found.pairs)
    within = dict(found.merged)
    parts_of: dict[int, int] = {}
    for place, _ in found.parts:
        parts_of[place] = parts_of.get(place, 0) + 1
    hold_others = set(within.values())
    verdicts = []
    for number, one in enumerate(sent):
        if number in partners:
            place = partners[number]
            belonging = _Belonging(place, 1 + parts_of.get(number, 0), place in hold_others)
            verdicts.append(_heard(channel, one, belonging, heard, here.watched))
        elif number in within:
            verdicts.append(Verdict(one, channel.name, State.MERGED, heard[within[number]]))
        else:
            cause = cause_of(one, channel, here, measured_db.get(one))
            verdicts.append(Verdict(one, channel.name, State.MISSED, cause=cause))
    return verdicts, [heard[number] for number in found.false]


@dataclass(frozen=True, slots=True)
class _Belonging:
    """Which heard one belongs to a true one, in how many parts, and whether it holds other true ones too."""

    place: int
    parts: int
    holds_others: bool


def _heard(
    channel: Channel, sent: Sent, belonging: _Belonging, heard: Sequence[Transmission], watched: Spans
) -> Verdict:
    one = heard[belonging.place]
    holds_others = belonging.holds_others
    start_error_s = end_error_s = snr_error_db = None
    # An edge inside a merged or split transmission is told by those counts, not as an error of time.
    if belonging.parts == 1 and not holds_others:
        if watched.holds(sent.start_utc - EDGE_SEEN):
            start_error_s = (one.start_utc - sent.start_utc).total_seconds()
        if watched.holds(sent.stop_utc + EDGE_SEEN):
            end_error_s = (one.end_utc - sent.stop_utc).total_seconds()
    told_db = cnr_in_pass_band_db(sent, channel)
    # The truth tells a fading path's mean over all time, not over this transmission.
    if told_db is not None and one.snr_db is not None and not holds_others and not sent.fades:
        snr_error_db = one.snr_db.value - told_db
    return Verdict(
        sent,
        channel.name,
        State.HEARD,
        one,
        belonging.parts,
        start_error_s,
        end_error_s,
        snr_error_db,
        _tone_told(sent, one) if sent.tone_is_known else None,
        _code_told(sent, one) if sent.code_is_known else None,
    )


def _tone_told(sent: Sent, heard: Transmission) -> Told:
    told_hz = None if heard.tone is None else heard.tone.tone_hz
    if sent.tone_hz is None:
        return Told.RIGHTLY_NONE if told_hz is None else Told.FALSE
    if told_hz is None:
        return Told.MISSED
    return Told.RIGHT if abs(told_hz - sent.tone_hz) < SAME_TONE_HZ else Told.WRONG


def _code_told(sent: Sent, heard: Transmission) -> Told:
    told = None if heard.code is None else heard.code.code
    if sent.code is None:
        return Told.RIGHTLY_NONE if told is None else Told.FALSE
    if told is None:
        return Told.MISSED
    return Told.RIGHT if told == sent.code else Told.WRONG


def _figures(verdicts: Sequence[Verdict], false: int, hours: float) -> Figures:
    states = Counter(each.state for each in verdicts)
    heard, merged = states[State.HEARD], states[State.MERGED]
    split = [each for each in verdicts if each.parts > 1]
    tones = Counter(each.tone for each in verdicts if each.tone is not None)
    codes = Counter(each.code for each in verdicts if each.code is not None)
    count = len(verdicts)
    return Figures(
        sent=count,
        heard=heard,
        merged=merged,
        split=len(split),
        split_by_fading=sum(each.sent.fades for each in split),
        missed=states[State.MISSED],
        recall=share(heard, count),
        caught=share(heard + merged, count),
        false_openings=per_hour(false, hours),
        start_error_s=spread([e.start_error_s for e in verdicts if e.start_error_s is not None]),
        end_error_s=spread([e.end_error_s for e in verdicts if e.end_error_s is not None]),
        snr_error_db=spread([e.snr_error_db for e in verdicts if e.snr_error_db is not None]),
        tones=tones,
        codes=codes,
        tone_right=_right(tones),
        code_right=_right(codes),
    )


def _right(told: Counter[Told]) -> Rate:
    sent = told[Told.RIGHT] + told[Told.WRONG] + told[Told.MISSED]
    return share(told[Told.RIGHT], sent)
