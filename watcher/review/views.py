"""Entries of the log as the pages show them, in the words and figures of the activity report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from watcher.log.marks import Mark
from watcher.log.reading import LoggedTransmission, transmissions
from watcher.log.search import NOT_YET_HEARD
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.plan.figures import write_mhz
from watcher.receive.records import EndedBy
from watcher.report.exchanges import exchanges, whole_transmissions
from watcher.report.local_time import LocalClock
from watcher.report.ranking import Reason
from watcher.report.wording import (
    UNKNOWN,
    write_carried,
    write_duration,
    write_kind,
    write_measured,
)

AROUND = timedelta(minutes=15)
"""How far around a clip its exchange is looked for; a channel that never rests has no end to its own."""
NOTE_IN_LIST = 80


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a list."""

    entry_id: int
    when: str
    clock: str
    channel: str
    frequency: str
    length: str
    snr: str
    tone: str
    reasons: tuple[str, ...]
    points: int
    verdict: str
    note: str
    who: str
    revision: int
    has_clip: bool


@dataclass(frozen=True, slots=True)
class ClipPage:
    """What is known of one entry, as labels and words."""

    row: Row
    facts: tuple[tuple[str, str], ...]
    findings: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    exchange: tuple[Row, ...]


def verdict_words(mark: Mark) -> str:
    """The mark in words."""
    return NOT_YET_HEARD if mark.verdict is None else mark.verdict.value


def row_of(entry: LoggedTransmission, mark: Mark, clock: LocalClock, reasons: Sequence[Reason] = ()) -> Row:
    """One entry as a line of a list."""
    heard = entry.transmission
    short = mark.note if len(mark.note) <= NOTE_IN_LIST else f"{mark.note[:NOTE_IN_LIST]}…"
    told = tuple(reason.words for reason in reasons) or tuple(f"flagged: {flag}" for flag in heard.flags)
    return Row(
        entry_id=entry.entry_id,
        when=clock.full(heard.start_utc),
        clock=clock.clock(heard.start_utc),
        channel=heard.channel,
        frequency=f"{write_mhz(heard.frequency_hz)} MHz",
        length=write_duration(heard.seconds),
        snr=write_measured(heard.snr_db, "dB"),
        tone=write_carried(heard.tone, heard.code),
        reasons=told,
        points=sum(reason.points for reason in reasons),
        verdict=verdict_words(mark),
        note=short,
        who=mark.who,
        revision=mark.revision,
        has_clip=entry.clip_path is not None,
    )


def rows_of(
    found: Sequence[LoggedTransmission],
    marks: Mapping[int, Mark],
    clock: LocalClock,
    reasons: Mapping[int, tuple[Reason, ...]],
) -> tuple[Row, ...]:
    """Entries as lines of a list."""
    return tuple(row_of(one, marks[one.entry_id], clock, reasons.get(one.entry_id, ())) for one in found)


def clip_page(entry: LoggedTransmission, row: Row, exchange: Sequence[Row]) -> ClipPage:
    """One entry as a page of its own."""
    heard, tone = entry.transmission, entry.transmission.tone
    facts = [
        ("Carrier to noise", write_measured(heard.snr_db, "dB")),
        ("Tone or code", write_carried(tone, heard.code)),
        ("Tone measured", write_measured(tone.estimate_hz if tone else None, "Hz")),
        ("Tone deviation", write_measured(tone.deviation_hz if tone else None, "Hz")),
        ("Frequency error", write_measured(heard.frequency_error_hz, "Hz")),
        ("Peak deviation", write_measured(heard.peak_deviation_hz, "Hz")),
        ("Mean deviation (RMS)", write_measured(heard.rms_deviation_hz, "Hz")),
        ("Power", UNKNOWN if heard.power_dbfs is None else f"{heard.power_dbfs:.1f} dBFS".replace("-", "−")),
        ("Mode", heard.mode),
        ("Kind", UNKNOWN if heard.kind is None else write_kind(heard.kind)),
        ("Ended by", heard.ended_by.value),
        ("Clip", "none" if entry.clip_path is None else entry.clip_path.as_posix()),
    ]
    findings = [(f"{one.start_s:.1f} to {one.stop_s:.1f} s", one.words) for one in heard.findings]
    findings += [
        (f"{start_s:.1f} s", f"perhaps the word “{word}”: a guess, often wrong")
        for word, start_s in entry.possible_words or ()
    ]
    notes = []
    if heard.on_at_start:
        notes.append("It was already on the air when watching began.")
    if heard.piece > 1:
        notes.append(f"This is piece {heard.piece} of a longer transmission.")
    if heard.ended_by is EndedBy.SPLIT:
        notes.append("It goes on in the next piece.")
    return ClipPage(row, tuple(facts), tuple(findings), tuple(notes), tuple(exchange))


def exchange_of(log: WatchLog, entry: LoggedTransmission) -> list[LoggedTransmission]:
    """The entries of the exchange that an entry belongs to, by the report's own rule."""
    heard = entry.transmission
    span = Span(heard.start_utc - AROUND, heard.end_utc + AROUND)
    around = transmissions(log, span, [heard.channel])
    for one in exchanges(whole_transmissions(around)):
        pieces = [piece for whole in one.transmissions for piece in whole.pieces]
        if any(piece.entry_id == entry.entry_id for piece in pieces):
            return pieces
    return [entry]
