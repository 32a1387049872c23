"""Transmissions put together: the pieces of a split one, and the overs of one conversation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Self

from watcher.log.reading import LoggedTransmission
from watcher.receive.records import CodeReading, EndedBy, Finding, KindReading, Measured, ToneReading

EXCHANGE_PAUSE_S = 20.0
"""A longer pause ends an exchange. Whoever is called answers within a few seconds, or looks for the
microphone for ten or so; a repeater's tail adds some (common practice, no source)."""

PIECES_APART_S = 1.0
"""Pieces of a split transmission meet; rounding and a restart of the clip may part them by less than this."""


@dataclass(frozen=True, slots=True)
class WholeTransmission:
    """One key-down: a log entry, or the entries of all the pieces it was split into.

    Parameters
    ----------
    pieces : tuple of LoggedTransmission
        In order.
    channel : str
    start_utc, end_utc : datetime
        When the carrier came up or was first seen, and when it fell or was last seen.
    start_seen, end_seen : bool
        Whether the carrier was seen coming up, and seen falling.
    snr_db : Measured or None
        Carrier to noise, dB, of the longest piece that has it: the one with most to average over.
    tone : ToneReading or None
        The reading its piece is surest of; None where nobody looked.
    flags : tuple of str
        The flags of all pieces, each once, in order of first appearance.
    """

    pieces: tuple[LoggedTransmission, ...]
    channel: str
    start_utc: datetime
    end_utc: datetime
    start_seen: bool
    end_seen: bool
    snr_db: Measured | None
    tone: ToneReading | None
    flags: tuple[str, ...]

    @classmethod
    def of(cls, entries: Sequence[LoggedTransmission]) -> Self:
        """The transmission that these pieces make up, in order; at least one."""
        pieces = [entry.transmission for entry in entries]
        first, last = pieces[0], pieces[-1]
        measured = [piece for piece in pieces if piece.snr_db is not None]
        readings = [piece.tone for piece in pieces if piece.tone is not None]
        return cls(
            pieces=tuple(entries),
            channel=first.channel,
            start_utc=first.start_utc,
            end_utc=last.end_utc,
            start_seen=first.piece == 1 and not first.on_at_start,
            end_seen=last.ended_by is EndedBy.CARRIER_DROP,
            snr_db=max(measured, key=lambda piece: piece.seconds).snr_db if measured else None,
            tone=max(readings, key=lambda reading: reading.probability or 0.0) if readings else None,
            flags=tuple(dict.fromkeys(flag for piece in pieces for flag in piece.flags)),
        )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the decoders found in all pieces, in order; of one that grew over a split the last word."""
        found = {(one.sign, one.start_s): one for piece in self.pieces for one in piece.transmission.findings}
        return tuple(found.values())

    @property
    def code(self) -> CodeReading | None:
        """The code reading its piece is surest of, one with a code before one without; None if unread."""
        readings = [piece.transmission.code for piece in self.pieces if piece.transmission.code is not None]
        return max(readings, key=lambda one: (one.code is not None, one.probability or 0.0), default=None)

    @property
    def kind(self) -> KindReading | None:
        """Of the piece with most speech, else of the longest; None where nobody judged."""
        judged = [
            (kind.speech_s or 0.0, piece.transmission.seconds, kind)
            for piece in self.pieces
            if (kind := piece.transmission.kind) is not None
        ]
        return max(judged, key=lambda one: one[:2])[2] if judged else None

    @property
    def seen_whole(self) -> bool:
        """Whether both its beginning and its end were received."""
        return self.start_seen and self.end_seen

    @property
    def seconds(self) -> float:
        """How long it was seen."""
        return (self.end_utc - self.start_utc).total_seconds()


@dataclass(frozen=True, slots=True)
class Exchange:
    """Transmissions on one channel close enough in time to be one conversation."""

    transmissions: tuple[WholeTransmission, ...]

    @property
    def channel(self) -> str:
        """The channel's name."""
        return self.transmissions[0].channel

    @property
    def start_utc(self) -> datetime:
        """The start of the first."""
        return self.transmissions[0].start_utc

    @property
    def end_utc(self) -> datetime:
        """The end of the last."""
        return max(one.end_utc for one in self.transmissions)

    @property
    def airtime_s(self) -> float:
        """Seconds of carrier in it."""
        return sum(one.seconds for one in self.transmissions)


def whole_transmissions(entries: Iterable[LoggedTransmission]) -> list[WholeTransmission]:
    """The pieces of each split transmission as one, the rest as they are, in order of start.

    A piece follows the one before it on its channel when both are of one watch, its number is the next and it
    begins where that one ended.

    Parameters
    ----------
    entries : iterable of LoggedTransmission
        In any order; channels may be mixed.
    """
    open_pieces: dict[str, list[LoggedTransmission]] = {}
    found: list[WholeTransmission] = []
    apart = timedelta(seconds=PIECES_APART_S)
    for entry in sorted(entries, key=lambda entry: (entry.transmission.start_utc, entry.entry_id)):
        pieces = open_pieces.get(entry.transmission.channel)
        if pieces is not None and _continues(entry, pieces[-1], apart):
            pieces.append(entry)
            continue
        if pieces is not None:
            found.append(WholeTransmission.of(pieces))
        open_pieces[entry.transmission.channel] = [entry]
    found += [WholeTransmission.of(pieces) for pieces in open_pieces.values()]
    return sorted(found, key=lambda whole: (whole.start_utc, whole.pieces[0].entry_id))


def exchanges(
    transmissions: Sequence[WholeTransmission], pause_s: float = EXCHANGE_PAUSE_S
) -> list[Exchange]:
    """The exchanges they form, in order of start.

    Parameters
    ----------
    transmissions : sequence of WholeTransmission
        In order of start; channels may be mixed.
    pause_s : float
        The longest pause within an exchange, seconds.
    """
    groups: list[list[WholeTransmission]] = []
    latest: dict[str, tuple[list[WholeTransmission], datetime]] = {}
    pause = timedelta(seconds=pause_s)
    for one in transmissions:
        group, end = latest.get(one.channel, (None, one.end_utc))
        if group is None or one.start_utc - end > pause:
            group, end = [], one.end_utc
            groups.append(group)
        group.append(one)
        latest[one.channel] = (group, max(end, one.end_utc))
    return [Exchange(tuple(group)) for group in groups]


def _continues(entry: LoggedTransmission, before: LoggedTransmission, apart: timedelta) -> bool:
    piece, previous = entry.transmission, before.transmission
    return (
        entry.watch_id == before.watch_id
        and piece.piece == previous.piece + 1
        and abs(piece.start_utc - previous.end_utc) <= apart
    )
