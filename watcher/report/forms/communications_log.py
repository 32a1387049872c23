"""The communications log on the public incident form ICS 309.

The fields are those that the local versions of the form share; the layout is our own. A receiver knows when,
on which channel and how long, and neither sender nor addressee nor message numbers. Sender and addressee are
what a person wrote down on hearing the clip; what nobody told stays blank for one, who also signs. Breaks of
more than ten minutes are logged, as radio teams ask of their log keepers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from watcher.log.export import csv_cell
from watcher.log.marks import Mark, Verdict
from watcher.report.exchanges import WholeTransmission
from watcher.report.forms.sheet import Sheet
from watcher.report.forms.station import StationFacts, station_facts, subject
from watcher.report.intervals import NOTHING, common, either, intervals, spans_of, total_s, without
from watcher.report.local_time import LocalClock
from watcher.report.selection import chosen_words, transmissions_with
from watcher.report.summary import ActivitySummary
from watcher.report.wording import headline, write_duration

LONG_BREAK_S = 600.0
"""A break in keeping the log that is worth a line (volunteer radio teams' log instructions)."""

CSV_HEAD = (
    *("time_local", "time_utc", "from", "from_message_number", "to", "to_message_number", "subject"),
    *(
        "entry",
        "incident",
        "period_from_local",
        "period_to_local",
        "operator",
        "call_sign",
        "station",
        "place",
        "mark",
    ),
)
MADE_BY = (
    "The lines were written by an unattended receiver. Who called whom, and message numbers, it cannot know. "
    "From, To and quoted notes are what a person wrote down on hearing the clips; what is blank is unknown."
)


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the form; `entry` is empty where it is no transmission, and so is what is unknown."""

    when_utc: datetime
    subject: str
    entry: str = ""
    spoke: str = ""
    to: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class CommunicationsLog:
    """Everything on the form.

    Parameters
    ----------
    clock : LocalClock
        Whose time the lines are in.
    period_from_utc, period_to_utc : datetime
    station : StationFacts
    lines : tuple of LogLine
        In order of time.
    notes : tuple of str
        What a reader must know of the period as a whole.
    incident, prepared_by : str
        Empty where nobody has told.
    prepared_utc : datetime or None
        None leaves date and time of preparing blank.
    """

    clock: LocalClock
    period_from_utc: datetime
    period_to_utc: datetime
    station: StationFacts
    lines: tuple[LogLine, ...]
    notes: tuple[str, ...]
    incident: str = ""
    prepared_by: str = ""
    prepared_utc: datetime | None = None

    def as_csv(self) -> str:
        """The lines as CSV (RFC 4180), the head of the form repeated on each, so that none is ever lost."""
        out = io.StringIO()
        rows = csv.writer(out, lineterminator="\r\n")
        rows.writerow(CSV_HEAD)
        head = (
            self.incident,
            self._stamp(self.period_from_utc),
            self._stamp(self.period_to_utc),
            self.station.operator,
            self.station.call_sign,
            self.station.name,
            self.station.place,
        )
        for line in self.lines:
            utc = f"{line.when_utc:%Y-%m-%dT%H:%M:%SZ}"
            said = (line.spoke, "", line.to, "", line.subject, line.entry)
            cells = (self._stamp(line.when_utc), utc, *said, *head, line.mark)
            rows.writerow([csv_cell(cell) for cell in cells])
        return out.getvalue()

    def as_sheet(self) -> Sheet:
        """The form on paper."""
        prepared = "" if self.prepared_utc is None else self._stamp(self.prepared_utc)
        sheet = Sheet(
            "Communications log",
            "ICS 309",
            foot=(
                ("Prepared by (name and call sign)", self.prepared_by),
                ("Signature", ""),
                ("Date and time prepared", prepared),
            ),
            made_utc=self.prepared_utc,
        )
        period = f"{self._stamp(self.period_from_utc)} to {self._stamp(self.period_to_utc)}"
        sheet.boxes(
            (("Incident name and number", self.incident), ("Operational period (date, time, zone)", period))
        )
        sheet.boxes(
            (
                ("Radio operator (name, call sign)", _joined(self.station.operator, self.station.call_sign)),
                ("Net, position or station", self.station.name),
                ("Place", self.station.place),
            )
        )
        sheet.ln(1.5)
        for note in (*self.notes, MADE_BY):
            sheet.words(note, points=8)
        head = ("Time", "From: call or ID", "Msg no.", "To: call or ID", "Msg no.", "Message or subject")
        sheet.ruled(head, self._rows(), (16, 24, 12, 24, 12, 100))
        return sheet

    def _rows(self) -> Iterator[tuple[str, ...]]:
        day = ""
        for line in self.lines:
            this_day = f"{self.clock.day(line.when_utc)}, {self.clock.short_zone(line.when_utc)}"
            if this_day != day:
                yield (this_day,)
            at = f"{self.clock.local(line.when_utc):%H:%M:%S}"
            yield (at, line.spoke, "", line.to, "", line.subject)
            day = this_day
        if not self.lines:
            yield ("", "", "", "", "", "Nothing was heard. That does not mean that nobody called.")

    def _stamp(self, instant: datetime) -> str:
        return f"{self.clock.local(instant):%Y-%m-%d %H:%M:%S} {self.clock.short_zone(instant)}"


def communications_log(
    summary: ActivitySummary,
    *,
    incident: str = "",
    prepared_by: str = "",
    prepared_utc: datetime | None = None,
    only: Collection[int] | None = None,
    marks: Mapping[int, Mark] | None = None,
) -> CommunicationsLog:
    """The log of a summary's span: one line a transmission, and one for each long break in the watch.

    `marks` are what a person has told of entries. `only` limits the transmissions to those with an entry of
    these numbers; the log says that it did.
    """
    listed = transmissions_with(summary.transmissions, only)
    notes = [*headline(summary), *summary.notices]
    if len(listed) < len(summary.transmissions):
        notes.append(chosen_words(len(listed), len(summary.transmissions)))
    lines = [*(_line(one, marks or {}) for one in listed), *_breaks(summary)]
    return CommunicationsLog(
        clock=summary.clock,
        period_from_utc=summary.span.start_utc,
        period_to_utc=summary.span.stop_utc,
        station=station_facts(summary.watches),
        lines=tuple(sorted(lines, key=lambda line: line.when_utc)),
        notes=tuple(notes),
        incident=incident,
        prepared_by=prepared_by,
        prepared_utc=prepared_utc,
    )


def _line(heard: WholeTransmission, marks: Mapping[int, Mark]) -> LogLine:
    """One transmission, with what a person has told of any of its pieces."""
    told = [marks[piece.entry_id] for piece in heard.pieces if piece.entry_id in marks]
    verdicts = dict.fromkeys(one.verdict.value for one in told if one.verdict is not None)
    # A routine call needs no word; that a line is no call at all does.
    marked = [f"marked: {verdict}" for verdict in verdicts if verdict != Verdict.ROUTINE.value]
    notes = dict.fromkeys(note for one in told if (note := " ".join(one.note.split())))
    return LogLine(
        heard.start_utc,
        "; ".join([*(f"“{note}”" for note in notes), subject(heard), *marked]),
        ";".join(str(piece.entry_id) for piece in heard.pieces),
        spoke=_several(one.from_to[0] for one in told),
        to=_several(one.from_to[1] for one in told),
        mark="; ".join(verdicts),
    )


def _several(names: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(name for name in names if name))


def _breaks(summary: ActivitySummary) -> Iterator[LogLine]:
    """When no channel at all was watched for more than ten minutes, with the causes told of the time."""
    watched = NOTHING
    for one in summary.channels:
        watched = either(watched, one.account.watched)
    whole = intervals([summary.span])
    for span in spans_of(without(whole, watched)) if summary.channels else ():
        if span.seconds <= LONG_BREAK_S:
            continue
        here = intervals([span])
        causes = dict.fromkeys(
            cause
            for one in summary.channels
            for cause, part in one.account.unwatched.items()
            if total_s(common(part, here)) > 0
        )
        yield LogLine(span.start_utc, f"Not watched for {write_duration(span.seconds)}: {', '.join(causes)}")


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)
