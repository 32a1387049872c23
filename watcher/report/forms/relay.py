"""The relay of a call for help: a script to read aloud, filled from a clip's facts and what a person heard.

The program understood no word of the call. What a person has not filled in is a line to write on, and is read
as "unknown", never guessed. Which fields a relayed distress message needs is common practice among radio
services; the words of a service's own procedure go before these.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from datetime import UTC, datetime

from watcher.log.marks import marks
from watcher.log.reading import LoggedTransmission, watches
from watcher.log.writing import WatchLog
from watcher.plan.figures import write_mhz
from watcher.report import cautions
from watcher.report.exchanges import WholeTransmission
from watcher.report.forms.sheet import Sheet
from watcher.report.forms.station import StationFacts, station_facts, tone_words
from watcher.report.local_time import LocalClock
from watcher.report.selection import chosen_entries
from watcher.report.wording import write_duration, write_measured

WRITE_HERE = "_" * 40
WIDTH = 78

FIRST = (
    "Before anything else: call the emergency services (911 in the United States, 112 in many other "
    "countries) or the coast guard by telephone, and read this to them.",
    "By radio, follow the procedure of the service and of your area; it goes before this sheet. Transmit "
    "only where you may, or where a life is in danger and nothing else will do.",
    "Hear the clip again before you read: say the caller's own words, and say which part you are unsure of. "
    "Say unknown for every blank; guess nothing.",
)


@dataclass(frozen=True, slots=True)
class RelayDraft:
    """The facts of the clip and the answers of a person; an empty answer is visibly blank."""

    heard: LoggedTransmission
    clock: LocalClock
    station: StationFacts
    time_is_known: bool = True
    who: str = ""
    where: str = ""
    what: str = ""
    need: str = ""
    next_on_air: str = ""
    note: str = ""

    def fields(self) -> tuple[tuple[str, str], ...]:
        """What was heard and what was understood, as labels and texts; empty is unknown."""
        return (
            ("Who calls", self.who),
            ("Where they are", self.where),
            ("What has happened", self.what),
            ("What help is needed", self.need),
            ("When they are next on the air", self.next_on_air),
            *self.facts(),
        )

    def facts(self) -> tuple[tuple[str, str], ...]:
        """What the log knows by itself."""
        heard = self.heard.transmission
        known = "" if self.time_is_known else " (assumed: the recording tells no time)"
        clip = "" if self.heard.clip_path is None else self.heard.clip_path.as_posix()
        found = "; ".join(one.words for one in heard.findings) or "nothing"
        return (
            ("Heard at, local time", f"{self.clock.full(heard.start_utc)}{known}"),
            ("Heard at, UTC", f"{_utc(heard.start_utc)}{known}"),
            ("For how long", write_duration(heard.seconds)),
            ("Frequency", f"{write_mhz(heard.frequency_hz)} MHz, {heard.mode.upper()}"),
            ("Channel", heard.channel),
            ("Tone", tone_words(WholeTransmission.of([self.heard]))),
            ("How strong", write_measured(heard.snr_db, "dB over the noise")),
            ("Signalling found", found),
            ("Clip", clip or "none was kept"),
            ("Entry in the log", str(self.heard.entry_id)),
            *((("Note on the clip", self.note),) if self.note else ()),
        )

    def script(self) -> tuple[str, ...]:
        """The sentences to read aloud, a blank where nobody knows."""
        heard = self.heard.transmission
        local = self.clock.local(heard.start_utc)
        zone = self.clock.short_zone(heard.start_utc)
        spoken_time = f"{local:%H:%M} {zone} on {self.clock.day(heard.start_utc)}"
        assumed = "" if self.time_is_known else " The time is assumed, not known."
        return (
            f"This is {self.station.call_sign or WRITE_HERE}, {self.station.operator or WRITE_HERE}, "
            f"at {self.station.place or self.station.name or WRITE_HERE}.",
            "I relay a call for help. I am not the one in trouble.",
            f"I heard it at {spoken_time}, that is {heard.start_utc.astimezone(UTC):%H:%M} UTC, on "
            f"{write_mhz(heard.frequency_hz)} megahertz, {heard.channel}.{assumed}",
            f"Who calls: {self.who or WRITE_HERE}.",
            f"Where they are: {self.where or WRITE_HERE}.",
            f"What has happened: {self.what or WRITE_HERE}.",
            f"What help is needed: {self.need or WRITE_HERE}.",
            f"They are next on the air: {self.next_on_air or WRITE_HERE}.",
            f"{'I have a recording of it. ' if self.heard.clip_path else ''}Please read that back to me.",
        )

    def as_text(self) -> str:
        """The draft for a terminal or a text file."""
        lines = ["RELAY OF A CALL FOR HELP: DRAFT", ""]
        for number, caution in enumerate(FIRST, 1):
            lines += textwrap.wrap(caution, WIDTH, initial_indent=f"{number}. ", subsequent_indent="   ")
        lines += ["", "READ ALOUD", ""]
        for sentence in self.script():
            lines += [*textwrap.wrap(sentence, WIDTH, break_long_words=False), ""]
        lines += ["FACTS AND ANSWERS", ""]
        for label, text in self.fields():
            lines += textwrap.wrap(
                text or WRITE_HERE, WIDTH, initial_indent=f"{label + ':':<32}", subsequent_indent=" " * 32
            )
        lines += ["", "PASSED ON", ""]
        lines += [f"{label + ':':<32}{WRITE_HERE}" for label in _PASSED_ON]
        lines += ["", *textwrap.wrap(cautions.CAUTIONS[0], WIDTH)]
        return "\n".join(lines) + "\n"

    def as_sheet(self) -> Sheet:
        """The draft on paper."""
        sheet = Sheet("Relay of a call for help: draft")
        for number, caution in enumerate(FIRST, 1):
            sheet.words(f"{number}. {caution}", points=8.5)
        sheet.heading("Read aloud")
        for sentence in self.script():
            sheet.words(sentence, points=11.5)
        sheet.heading("Facts and answers")
        sheet.ruled(("What", "Known"), self.fields(), (50, 130))
        sheet.heading("Passed on")
        sheet.boxes(tuple((label, "") for label in _PASSED_ON))
        return sheet


_PASSED_ON = ("To whom (service, name)", "When", "By whom", "Their number for it")


def relay_draft(
    log: WatchLog,
    entry_id: int,
    *,
    who: str = "",
    where: str = "",
    what: str = "",
    need: str = "",
    next_on_air: str = "",
) -> RelayDraft:
    """The draft for one entry of the log.

    Who calls is, where nobody says it here, who was written down in review as having spoken.

    Raises
    ------
    UsageProblem
        The log has no such entry.
    """
    heard = chosen_entries(log, [entry_id])[0]
    told = marks(log, [entry_id])[entry_id]
    of_all = watches(log)
    its_watch = [one for one in of_all if one.watch_id == heard.watch_id]
    return RelayDraft(
        heard=heard,
        clock=LocalClock(its_watch[0].time_zone if its_watch else "UTC"),
        station=station_facts(its_watch or of_all),
        time_is_known=all(part.time_is_known for one in its_watch for part in one.stretches),
        who=who or told.from_to[0],
        where=where,
        what=what,
        need=need,
        next_on_air=next_on_air,
        note=" ".join(told.note.split()),
    )


def _utc(instant: datetime) -> str:
    return f"{instant.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
