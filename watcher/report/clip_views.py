"""Transmissions as the page shows them: figures in words, a player for each clip, and a small picture."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from urllib.parse import quote

from watcher.errors import StorageError
from watcher.log.reading import LoggedTransmission
from watcher.plan.figures import write_mhz
from watcher.receive.records import EndedBy
from watcher.report.exchanges import WholeTransmission
from watcher.report.local_time import LocalClock
from watcher.report.spectrogram import TOP_HZ, clip_picture
from watcher.report.wording import write_carried, write_count, write_duration, write_kind, write_measured


@dataclass(frozen=True, slots=True)
class ClipView:
    """One clip; `source` is its address beside the page, and where it is None `problem` says why."""

    source: str | None
    name: str
    problem: str
    picture: str | None
    picture_words: str


@dataclass(frozen=True, slots=True)
class TransmissionView:
    """One transmission with its figures and clips."""

    channel: str
    frequency: str
    when: str
    clock: str
    length: str
    snr: str
    tone: str
    frequency_error: str
    notes: tuple[str, ...]
    clips: tuple[ClipView, ...]


class ClipShelf:
    """Fetches clips and makes pictures, the first `pictures` of them; each clip's picture is made once."""

    def __init__(self, folder: Path, clock: LocalClock, pictures: int) -> None:
        self._folder = folder
        self._clock = clock
        self._room = pictures
        self._made: dict[PurePosixPath, str | None] = {}
        self._left_out: set[PurePosixPath] = set()

    def view(self, heard: WholeTransmission, most_clips: int) -> TransmissionView:
        """One transmission with its first `most_clips` clips, ready for the page."""
        first = heard.pieces[0].transmission
        return TransmissionView(
            channel=heard.channel,
            frequency=f"{write_mhz(first.frequency_hz)} MHz",
            when=self._clock.full(heard.start_utc),
            clock=self._clock.clock(heard.start_utc),
            length=write_duration(heard.seconds),
            snr=write_measured(heard.snr_db, "dB"),
            tone=write_carried(heard.tone, heard.code),
            frequency_error=write_measured(first.frequency_error_hz, "Hz"),
            notes=tuple(_notes(heard, most_clips)),
            clips=tuple(self._clip(piece) for piece in heard.pieces[:most_clips]),
        )

    def note(self) -> str:
        """Which pictures were left out, as a sentence; empty where none was."""
        if not self._left_out:
            return ""
        clips = write_count(len(self._left_out), "clip")
        return f"There was no room for pictures of {clips} on this page; the players work."

    def _clip(self, piece: LoggedTransmission) -> ClipView:
        path = piece.clip_path
        if path is None:
            return ClipView(None, "", "no clip was kept", None, "")
        real = (self._folder / path).resolve()  # a link may lead out where the path does not
        if path.is_absolute() or ".." in path.parts or not real.is_relative_to(self._folder.resolve()):
            return ClipView(None, "", f"the clip {path} lies outside the folder of the log", None, "")
        if not (self._folder / path).is_file():
            return ClipView(None, "", f"the clip {path} is not there", None, "")
        picture = self._picture(path)
        seconds = (piece.transmission.clip_end_utc - piece.transmission.clip_start_utc).total_seconds()
        words = f"Spectrogram: {write_duration(seconds)}, 0 to {TOP_HZ:.0f} Hz upwards, dark is loud"
        # "./" keeps a colon in the first part from being read as the name of a protocol.
        return ClipView("./" + quote(path.as_posix()), path.as_posix(), "", picture, words)

    def _picture(self, path: PurePosixPath) -> str | None:
        if path in self._made:
            return self._made[path]
        if self._room <= 0:
            self._left_out.add(path)
            return None
        self._room -= 1
        try:
            encoded = base64.b64encode(clip_picture(self._folder / path)).decode()
            self._made[path] = f"data:image/png;base64,{encoded}"
        except StorageError:
            self._made[path] = None  # the player beside it says the same, and the rest of the page stands
        return self._made[path]


def _notes(heard: WholeTransmission, most_clips: int) -> list[str]:
    first, last = heard.pieces[0].transmission, heard.pieces[-1].transmission
    notes = [f"flagged: {flag}" for flag in heard.flags]
    notes += [f"{finding.start_s:.0f} s in: {finding.words}" for finding in heard.findings]
    if heard.kind is not None:
        notes.append(write_kind(heard.kind))
    if iq := [piece.transmission.iq for piece in heard.pieces if piece.transmission.iq]:
        notes.append(f"channel IQ kept: {', '.join(iq[:most_clips])}")
    if first.on_at_start:
        notes.append("already on the air when watching began")
    if first.piece > 1:
        notes.append(f"begins with piece {first.piece} of a longer one")
    if len(heard.pieces) > 1:
        here = "" if len(heard.pieces) <= most_clips else f", the first {most_clips} here"
        notes.append(f"in {len(heard.pieces)} clips{here}")
    if last.ended_by is not EndedBy.CARRIER_DROP:
        notes.append(f"ended by: {last.ended_by.value}")
    return notes
