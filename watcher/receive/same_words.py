"""A SAME header in plain words: what is announced, how grave, for where, from when to when, by whom.

Takes a header and the table of events and gives values; reads no file but through `load_events`. Whatever is
not known is said to be unknown and shown as it was sent: nothing is dropped.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from watcher.receive.same_places import MARINE, PARTS, STATES

#: 47 CFR 11.31(d), from memory.
ORIGINATORS = {
    "EAS": "a broadcast station or cable system",
    "CIV": "civil authorities",
    "WXR": "the National Weather Service",
    "PEP": "a national primary entry point",
}

#: How soon to listen, 4 first: an order of our own over the categories of the table.
SEVERITY = {
    "national": 4,
    "emergency": 4,
    "warning": 4,
    "alert": 3,
    "watch": 3,
    "statement": 2,
    "administrative": 1,
    "test": 1,
    "system": 0,
}
_UNKNOWN = "unknown"
_UNKNOWN_SEVERITY = 3  # an event nobody told us of may be grave

_HEADER = re.compile(
    r"ZCZC-(?P<originator>[^-+]*)-(?P<event>[^-+]*)-(?P<places>[^+]*)\+(?P<length>[^-]*)-(?P<issued>[^-]*)"
    r"(?:-(?P<sender>[^-]*))?-?"
)


@dataclass(frozen=True, slots=True)
class SameEvent:
    """One line of the table of events: its name and its category."""

    name: str
    category: str


@dataclass(frozen=True, slots=True)
class SameWords:
    """What a header says.

    Parameters
    ----------
    event, originator, sender : str
        In words; "unknown event (QQQ)" where the code is not listed.
    category : str
        Of the table, or "unknown".
    severity : int
        0 (nothing to hear) to 4 (listen first).
    places : tuple of str
    valid_from_utc, valid_to_utc : datetime or None
        Aware; None where the header does not say.
    valid : str
        Both in UTC and in the station's time zone, or that they are unknown.
    malformed : bool
        Whether the header does not follow the form of 47 CFR 11.31(c).
    """

    event: str
    originator: str
    sender: str
    category: str
    severity: int
    places: tuple[str, ...]
    valid_from_utc: datetime | None
    valid_to_utc: datetime | None
    valid: str
    malformed: bool

    @property
    def sentence(self) -> str:
        """All of it in one line."""
        where = "; ".join(self.places) or "places unknown"
        mark = " The header is malformed." if self.malformed else ""
        return f"{self.event}, for {where}, {self.valid}, from {self.originator} ({self.sender}).{mark}"


def load_events(path: Path) -> dict[str, SameEvent]:
    """The table of events by code; `config/same_events.csv` has the columns.

    Raises
    ------
    OSError
        The file cannot be read.
    ValueError
        A line has no code, name or category; the message names file and code.
    """
    with path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    events: dict[str, SameEvent] = {}
    for row in rows:
        code, name, category = row.get("code"), row.get("name"), row.get("category")
        if not code or not name or category not in SEVERITY:
            raise ValueError(
                f"{path.name}: the event {code!r} has name {name!r} and category {category!r}; "
                f"it needs a code, a name and one of {', '.join(SEVERITY)}"
            )
        events[code] = SameEvent(name, category)
    return events


def same_words(
    header: str, events: Mapping[str, SameEvent], heard_utc: datetime, zone: tzinfo = UTC
) -> SameWords:
    """A header in words.

    Parameters
    ----------
    header : str
        Any text; what does not fit is reported as malformed.
    events : mapping of str to SameEvent
        From `load_events`.
    heard_utc : datetime
        When it was heard; aware. The header has no year, so the one that brings it nearest is taken.
    zone : tzinfo
        Of the station.

    Raises
    ------
    ValueError
        `heard_utc` has no time zone.
    """
    if heard_utc.tzinfo is None:
        raise ValueError("heard_utc has no time zone; give an aware datetime")
    found = _HEADER.fullmatch(header.strip())
    if found is None:
        return SameWords(
            event=f"unknown event (header {header!r})",
            originator=_UNKNOWN,
            sender=_UNKNOWN,
            category=_UNKNOWN,
            severity=_UNKNOWN_SEVERITY,
            places=(),
            valid_from_utc=None,
            valid_to_utc=None,
            valid="valid times unknown",
            malformed=True,
        )
    code, originator = found["event"], found["originator"]
    event = events.get(code)
    codes = found["places"].split("-")
    begins = _issued_utc(found["issued"], heard_utc.astimezone(UTC))
    length = _length(found["length"])
    ends = _later(begins, length)
    sender = (found["sender"] or "").strip()
    return SameWords(
        event=event.name if event else f"unknown event ({code})",
        originator=ORIGINATORS.get(originator, f"unknown originator ({originator})"),
        sender=sender or _UNKNOWN,
        category=event.category if event else _UNKNOWN,
        severity=SEVERITY[event.category] if event else _UNKNOWN_SEVERITY,
        places=tuple(place_in_words(place) for place in codes),
        valid_from_utc=begins,
        valid_to_utc=ends,
        valid=_valid_in_words(begins, ends, zone, found["issued"], found["length"]),
        malformed=not (
            begins and length is not None and sender and all(re.fullmatch("[0-9]{6}", c) for c in codes)
        )
        or not re.fullmatch("[A-Z]{3}", code)
        or not re.fullmatch("[A-Z]{3}", originator),
    )


def place_in_words(code: str) -> str:
    """One PSSCCC: `016001` is "county 001 of state 16 (Idaho)"; without six digits it is unknown."""
    if not re.fullmatch("[0-9]{6}", code):
        return f"unknown place ({code})"
    part, state, county = code[0], code[1:3], code[3:]
    if code[1:] == "00000":
        where = "the whole country"
    else:
        name = STATES.get(state, "name unknown")
        kind = "marine area" if state in MARINE else "state"
        named = f"{kind} {state} ({name})"
        where = f"all of {named}" if county == "000" else f"{_unit(kind)} {county} of {named}"
    return where if part == "0" else f"the {PARTS[int(part)]} of {where}"


def _unit(kind: str) -> str:
    return "zone" if kind == "marine area" else "county"


def _issued_utc(text: str, heard_utc: datetime) -> datetime | None:
    """JJJHHMM, day of the year and UTC, in the year that lies nearest; None where it is no such time."""
    if not re.fullmatch("[0-9]{7}", text):
        return None
    day, hour, minute = int(text[:3]), int(text[3:5]), int(text[5:])
    if not 1 <= day <= 366 or hour > 23 or minute > 59:
        return None
    nearest: datetime | None = None
    for year in (heard_utc.year - 1, heard_utc.year, heard_utc.year + 1):
        try:
            begin = datetime(year, 1, 1, hour, minute, tzinfo=UTC) + timedelta(days=day - 1)
        except (ValueError, OverflowError):  # before the year 1 or after 9999
            continue
        is_that_year = begin.year == year  # day 366 is in leap years only
        if is_that_year and (nearest is None or abs(begin - heard_utc) < abs(nearest - heard_utc)):
            nearest = begin
    return nearest


def _length(text: str) -> timedelta | None:
    """TTTT, hours and minutes."""
    if not re.fullmatch("[0-9]{2}[0-5][0-9]", text):
        return None
    return timedelta(hours=int(text[:2]), minutes=int(text[2:]))


def _later(begins: datetime | None, length: timedelta | None) -> datetime | None:
    try:
        return begins + length if begins is not None and length is not None else None
    except OverflowError:
        return None


def _valid_in_words(
    begins: datetime | None, ends: datetime | None, zone: tzinfo, issued: str, length: str
) -> str:
    if begins is None:
        return f"valid times unknown (issued {issued!r}, for {length!r})"
    if ends is None:
        return f"valid from {_both(begins, zone)}, end unknown ({length!r})"
    return f"valid from {_both(begins, zone)} to {_both(ends, zone)}"


def _both(instant: datetime, zone: tzinfo) -> str:
    """In UTC and, where it differs, by the station's clock."""
    utc = instant.strftime("%Y-%m-%d %H:%M UTC")
    try:
        local = instant.astimezone(zone)
    except OverflowError:  # in the first or last day of the calendar
        return utc
    if local.utcoffset() == timedelta(0):
        return utc
    return f"{utc} ({local.strftime('%Y-%m-%d %H:%M')} {local.tzname() or 'station time'})"
