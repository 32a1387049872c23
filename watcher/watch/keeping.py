"""Records into the watch log, in the order that storage asks for, and what a crash left behind.

A clip's row is committed first, then what the clip was made from is let go: see the table in
:mod:`watcher.receive.clips`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from watcher.log.facts import WatchEnd, WatchEndedBy, WatchFacts
from watcher.log.reading import LoggedWatch, transmissions, watched_records, watches
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.receive.chain import Record
from watcher.receive.clips import ClipStore
from watcher.receive.on_air import well_to_hear
from watcher.receive.records import Clip, Condition, Gap, Transmission, Watched
from watcher.shipped import program


class LogKeeper:
    """Writes one watch's records.

    Parameters
    ----------
    log : WatchLog
    clips : ClipStore
        Where the records' clips were made.
    watch_id : int
    """

    def __init__(self, log: WatchLog, clips: ClipStore, watch_id: int) -> None:
        self._log = log
        self._clips = clips
        self._watch_id = watch_id
        self._watched: dict[str, tuple[int, datetime]] = {}  # row and end of each channel's last span
        self.heard = 0

    def commit(self, records: Sequence[Record]) -> None:
        """Write records in one unit of work, then let go what their clips were made from."""
        if not records:
            return
        with self._log.unit():
            for record in records:
                match record:
                    case Clip():
                        self._log.add_transmission(self._watch_id, record.transmission, record)
                        self.heard += record.transmission.piece == 1
                    case Transmission():
                        self._log.add_transmission(self._watch_id, record, None)
                        self.heard += record.piece == 1
                    case Gap():
                        self._log.add_gap(self._watch_id, record)
                    case Condition():
                        self._log.add_condition(self._watch_id, record)
                    case Watched():
                        self._add_watched(record)
        for record in records:
            if isinstance(record, Clip):
                self._clips.release(record)

    def _add_watched(self, span: Watched) -> None:
        row, reached = self._watched.get(span.channel, (0, None))
        if reached == span.start_utc:
            self._log.extend_watched(row, span.stop_utc)
        else:
            row = self._log.add_watched(self._watch_id, span)
        self._watched[span.channel] = row, span.stop_utc


def recover_left_behind(clips: ClipStore, log: WatchLog) -> int:
    """Finish the clips of an interrupted watch, log them, and end that watch; returns how many clips.

    A watch that has no end although nobody else has the folder was killed, or the power went.
    """
    found = clips.recover(well_to_hear)
    broken = [past for past in watches(log) if past.ended_utc is None]
    with log.unit():
        if found:
            watch_id = broken[-1].watch_id if broken else log.begin_watch(_unknown_watch(found))
            for clip in found:
                log.add_transmission(watch_id, clip.transmission, clip)
            if not broken:
                last_utc = max(clip.transmission.end_utc for clip in found)
                log.end_watch(watch_id, WatchEnd(last_utc, WatchEndedBy.BROKEN_OFF))
        for past in broken:
            latest = [clip.transmission.end_utc for clip in found] if past is broken[-1] else []
            ended_utc = max([past.started_utc, *latest, *_known_ends(log, past)])
            log.end_watch(past.watch_id, WatchEnd(ended_utc, WatchEndedBy.BROKEN_OFF))
    for clip in found:
        clips.release(clip)
    return len(found)


def _known_ends(log: WatchLog, past: LoggedWatch) -> list[datetime]:
    """Ends of what the log holds of a watch that was never ended."""
    since = Span(past.started_utc, datetime.max.replace(tzinfo=past.started_utc.tzinfo))
    ends = [
        entry.transmission.end_utc for entry in transmissions(log, since) if entry.watch_id == past.watch_id
    ]
    return ends + [span.stop_utc for span in watched_records(log, since)]


def _unknown_watch(found: Sequence[Clip]) -> WatchFacts:
    return WatchFacts(
        started_utc=min(clip.transmission.clip_start_utc for clip in found),
        source_label="recovered from an interrupted watch",
        plan_text="",
        plan_sha256="",
        program_version=program(),
    )
