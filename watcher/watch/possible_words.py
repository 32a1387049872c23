"""Have the clips of a log looked at for possible words, after they are safe, the latest first."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from watcher.log.reading import LoggedTransmission, transmissions
from watcher.log.writing import WatchLog
from watcher.watch.word_spotter import LEAST_CNR_DB, STRICT, WordSpotter

LEAST_SPEECH_S = (
    0.3  # where the kind of transmission was judged and less speech was heard, there is nothing to guess
)


def guess_words(
    folder: Path,
    *,
    cut_offs: dict[str, float] | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
    stop_wanted: Callable[[], bool] = lambda: False,
) -> tuple[int, int]:
    """Look at every clip that nobody has looked at; returns how many were, and how many got a hint.

    Raises
    ------
    StorageError
        The log cannot be read or written.
    """
    looked = hinted = 0
    with WatchLog.open(folder, create=False) as log, WordSpotter(cut_offs or dict(STRICT)) as spotter:
        waiting = set(log.unguessed())
        entries = [entry for entry in transmissions(log) if entry.entry_id in waiting]
        for number, entry in enumerate(reversed(entries)):
            if stop_wanted():
                break
            progress(number, len(entries))
            if is_too_weak(entry):
                log.set_possible_words(entry.entry_id, None)
                continue
            path = folder / (entry.clip_path or "")
            found = spotter.look(path, (entry.clip_audio_frames or 0) / 16_000) if path.is_file() else None
            if found is None:
                continue  # not looked at: it is tried again another time
            log.set_possible_words(entry.entry_id, [(word.phrase, word.start_s) for word in found])
            looked += 1
            hinted += bool(found)
    return looked, hinted


def is_too_weak(entry: LoggedTransmission) -> bool:
    """Whether a clip is too weak for the model, or holds no speech to look at."""
    heard = entry.transmission
    if heard.kind is not None and heard.kind.speech_s is not None and heard.kind.speech_s < LEAST_SPEECH_S:
        return True
    return heard.snr_db is None or heard.snr_db.value < LEAST_CNR_DB.get(heard.mode, 10.0)
