"""The only way to a file of the folder: by the number of a log entry, and checked even so.

A row of the log may be damaged or forged. What it names is read only if it is a FLAC file that truly lies
below the folder once every link on the way has been followed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from watcher.errors import StorageError
from watcher.log.reading import LoggedTransmission

COLUMNS = 416
HEIGHT = 64
BLOCK_FRAMES = 1 << 18
CLIP_SUFFIX = ".flac"


def clip_file(folder: Path, entry: LoggedTransmission) -> Path:
    """Where the clip of an entry lies.

    Raises
    ------
    StorageError
        None was kept, it was removed, it is not there, or the row names something outside the folder.
    """
    named = entry.clip_path
    if named is None:
        why = "none was kept" if entry.clip_removed_utc is None else "it was removed to make room"
        raise StorageError(f"entry {entry.entry_id} has no clip: {why}")
    outside = StorageError(f"the clip of entry {entry.entry_id} lies outside the folder; it is not opened")
    if named.is_absolute() or ".." in named.parts or "\0" in str(named) or named.suffix != CLIP_SUFFIX:
        raise outside
    try:
        whole = folder.resolve(strict=True)
        found = (whole / named).resolve(strict=True)
    except (OSError, RuntimeError) as failure:
        raise StorageError(f"the clip of entry {entry.entry_id} is not there") from failure
    if not found.is_relative_to(whole) or found.suffix != CLIP_SUFFIX:
        raise outside
    if not found.is_file():
        raise StorageError(f"the clip of entry {entry.entry_id} is no file")
    return found


def waveform_svg(path: Path) -> str:
    """The clip's least and greatest sample in each of 416 columns, as an SVG picture, black on white.

    Raises
    ------
    StorageError
        The clip cannot be read, or holds no audio.
    """
    try:
        with soundfile.SoundFile(path) as clip:
            low, high = _extremes(clip)
    except (soundfile.SoundFileError, OSError) as failure:
        raise StorageError(
            f"clip {path.name} cannot be read; it must be a FLAC file of this watch"
        ) from failure
    if len(low) == 0:
        raise StorageError(f"clip {path.name} holds no audio; it must hold at least one sample")
    peak = max(float(high.max()), float(-low.min()), 1e-6)
    middle = HEIGHT / 2
    up = middle - high / peak * (middle - 1)
    down = middle - low / peak * (middle - 1)
    points = [f"{x}.5,{y:.1f}" for x, y in enumerate(up)]
    points += [f"{x}.5,{y + 0.5:.1f}" for x, y in reversed(list(enumerate(down)))]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {COLUMNS} {HEIGHT}" '
        f'width="{COLUMNS}" height="{HEIGHT}" preserveAspectRatio="none">'
        f'<rect width="{COLUMNS}" height="{HEIGHT}" fill="#fff"/><polygon points="{" ".join(points)}"/></svg>'
    )


def _extremes(clip: Any) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    total = int(clip.frames)
    if total == 0:
        return np.zeros(0, np.float32), np.zeros(0, np.float32)
    low, high = np.zeros(COLUMNS, np.float32), np.zeros(COLUMNS, np.float32)
    first = 0
    for block in clip.blocks(BLOCK_FRAMES, dtype="float32", always_2d=True):
        column = (first + np.arange(len(block), dtype=np.int64)) * COLUMNS // total
        np.minimum.at(low, column, block[:, 0])
        np.maximum.at(high, column, block[:, 0])
        first += len(block)
    return low, high
