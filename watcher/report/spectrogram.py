"""A small picture of a clip: where in time and pitch its energy lies, dark for loud.

The picture is grey so that it prints, and so that a dark page can turn it over. It is made to be recognized
(voice, tone, data, noise), not to be measured.
"""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import numpy as np
import scipy
import soundfile
from numpy.typing import NDArray
from PIL import Image
from scipy.fft import rfft

from watcher.errors import StorageError

COLUMNS = 208  # wide enough for one syllable in 20 s of speech to be several columns
ROWS = 56
TOP_HZ = 3_500.0  # voice is cut off at 3 kHz; the rest shows that nothing else is there
FRAME_S = 0.032  # resolves 31 Hz, the spacing of a low voice's partials four times over
FRAMES_IN_COLUMN = 4  # of a long column this many frames, evenly spaced, stand for the whole
BLOCK_FRAMES = 1 << 20  # 4 MB of audio at once
SHOWN_DB = 40.0  # below the loudest; more shows only codec and quantisation noise
LOUDEST_QUANTILE = 0.995
GREYS = 8  # enough to see, few enough that a picture of noise stays under 5 KB


def clip_picture(path: Path) -> bytes:
    """The PNG of one clip, 208 × 56 pixels, 8 greys, mostly 2 to 5 KB.

    A long clip is read block by block.

    Raises
    ------
    StorageError
        The clip cannot be read, or holds no audio.
    """
    try:
        with soundfile.SoundFile(path) as clip:
            columns = _columns(clip)
    except (soundfile.SoundFileError, OSError) as failure:
        raise StorageError(f"clip {path} cannot be read; it must be a FLAC file of this watch") from failure
    if columns is None:
        raise StorageError(f"clip {path} holds no audio; it must hold at least one sample")
    return _png(_greys(columns))


def greys_of(audio: NDArray[np.float32], audio_rate_hz: int) -> NDArray[np.uint8]:
    """The picture of audio at hand, one byte a pixel.

    Parameters
    ----------
    audio : ndarray of float32, shape (k,)
    audio_rate_hz : int

    Returns
    -------
    ndarray of uint8, shape (56, 208)
        0 for loud to 7 for silence; the first row is the highest pitch.
    """
    stream = io.BytesIO()
    soundfile.write(stream, audio, audio_rate_hz, format="WAV", subtype="FLOAT")
    stream.seek(0)
    with soundfile.SoundFile(stream) as clip:
        columns = _columns(clip)
    return np.full((ROWS, COLUMNS), GREYS - 1, np.uint8) if columns is None else _greys(columns)


def _columns(clip: soundfile.SoundFile) -> NDArray[np.float64] | None:
    """Mean power of each column in each row, shape (columns, rows), lowest pitch first."""
    rate_hz, total = int(clip.samplerate), int(clip.frames)
    if total == 0:
        return None
    frame = int(FRAME_S * rate_hz)
    taper = scipy.signal.get_window("hann", frame).astype(np.float32)
    # Evenly spaced frames; in a short clip neighbours overlap, which does no harm.
    wanted = COLUMNS * FRAMES_IN_COLUMN
    starts = np.linspace(0, max(0, total - frame), wanted).astype(np.int64)
    spectra = np.empty((wanted, frame // 2 + 1), np.float32)
    block_start = 0
    # A clip of 5 min takes 0.16 s read on like this, and 0.38 s by seeking each frame.
    for block in clip.blocks(BLOCK_FRAMES, overlap=frame, dtype="float32", always_2d=True, fill_value=0.0):
        first, stop = np.searchsorted(starts, (block_start, block_start + BLOCK_FRAMES - frame))
        frames = block[starts[first:stop, None] - block_start + np.arange(frame), 0]
        spectra[first:stop] = np.abs(rfft(frames * taper, axis=1)) ** 2
        block_start += BLOCK_FRAMES - frame
    edges = np.linspace(0, TOP_HZ / (rate_hz / 2) * (frame // 2), ROWS + 1).round().astype(np.int64)
    edges = np.clip(edges, 0, frame // 2)
    by_row = np.stack([spectra[:, low : max(high, low + 1)].mean(axis=1) for low, high in pairwise(edges)], 1)
    columns: NDArray[np.float64] = by_row.reshape(COLUMNS, FRAMES_IN_COLUMN, ROWS).mean(
        axis=1, dtype=np.float64
    )
    return columns


def _greys(columns: NDArray[np.float64]) -> NDArray[np.uint8]:
    if columns.max() <= 0:
        return np.full((ROWS, COLUMNS), GREYS - 1, np.uint8)
    decibels = 10 * np.log10(np.maximum(columns, columns.max() * 1e-12))
    below = np.quantile(decibels, LOUDEST_QUANTILE) - decibels
    steps = np.clip(below / SHOWN_DB * GREYS, 0, GREYS - 1).astype(np.uint8)
    return np.ascontiguousarray(steps.T[::-1])


def _png(steps: NDArray[np.uint8]) -> bytes:
    picture = Image.fromarray(steps, mode="P")
    picture.putpalette([level for grey in np.linspace(0, 255, GREYS).round() for level in [int(grey)] * 3])
    stream = io.BytesIO()
    picture.save(stream, "PNG", optimize=True, bits=4)
    return stream.getvalue()
