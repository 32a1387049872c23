"""Who kept the watch, from the plan that stands in the log, and transmissions in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from watcher.errors import PlanError
from watcher.log.reading import LoggedWatch
from watcher.plan.figures import write_mhz
from watcher.plan.reading import plan_from_text
from watcher.receive.records import Kind
from watcher.report.exchanges import WholeTransmission
from watcher.report.wording import write_code, write_count, write_duration, write_tone_hz


@dataclass(frozen=True, slots=True)
class StationFacts:
    """What a plan says of its station; empty where it says nothing."""

    operator: str = ""
    call_sign: str = ""
    name: str = ""
    place: str = ""


def station_facts(watches: Sequence[LoggedWatch]) -> StationFacts:
    """The station of the latest watch.

    A plan that no longer reads, because the lists it drew from are not here or it was written for another
    program, gives the name alone, which the log keeps by itself.
    """
    if not watches:
        return StationFacts()
    latest = watches[-1]
    try:
        station = plan_from_text(latest.plan_text, Path("plan of the log")).station
    except PlanError:
        return StationFacts(name=latest.station or "")
    return StationFacts(
        operator=station.operator or "",
        call_sign=station.call_sign or "",
        name=station.name or latest.station or "",
        place=station.place or "",
    )


def subject(heard: WholeTransmission) -> str:
    """One transmission as a factual note: channel, length, tone, and what the decoders found."""
    first = heard.pieces[0].transmission
    parts = [f"{heard.channel}, {write_mhz(first.frequency_hz)} MHz", _length(heard), tone_words(heard)]
    if heard.kind is not None and heard.kind.kind is not Kind.VOICE:
        parts.append(f"probably {heard.kind.kind.value}")
    parts += [finding.words for finding in heard.findings]
    if not heard.findings and heard.flags:
        parts.append(f"flagged: {', '.join(heard.flags)}")
    parts += [f"entry {write_entries(heard)}"]
    return "; ".join(parts)


def tone_words(heard: WholeTransmission) -> str:
    """`tone 100.0 Hz`, `code 023N = 047I`, `no tone`, or `tone unknown` where nobody looked."""
    if heard.code is not None and heard.code.code is not None:
        return write_code(heard.code)
    if heard.tone is None:
        return "tone unknown"
    return "no tone" if heard.tone.tone_hz is None else f"tone {write_tone_hz(heard.tone.tone_hz)}"


def write_entries(heard: WholeTransmission) -> str:
    """`17`, or `17 to 19` for a split transmission: the numbers of its entries in the log."""
    first, last = heard.pieces[0].entry_id, heard.pieces[-1].entry_id
    return str(first) if first == last else f"{first} to {last}"


def _length(heard: WholeTransmission) -> str:
    length = write_duration(heard.seconds)
    pieces = len(heard.pieces)
    cut = "" if heard.seen_whole else ", not heard whole"
    return f"{length}{cut}" if pieces == 1 else f"{length} in {write_count(pieces, 'clip')}{cut}"
