"""The small picture of a clip shows a tone where it is, and stays small."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

from watcher.errors import StorageError
from watcher.report.spectrogram import COLUMNS, GREYS, ROWS, TOP_HZ, clip_picture, greys_of

RATE_HZ = 16_000


def tone(frequency_hz: float, seconds: float) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    return np.sin(2 * np.pi * frequency_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ).astype(np.float32)


@pytest.mark.parametrize("frequency_hz", [400.0, 1000.0, 2900.0])
def test_a_tone_is_a_dark_line_at_its_pitch(frequency_hz: float) -> None:
    steps = greys_of(0.3 * tone(frequency_hz, 3), RATE_HZ)
    row = ROWS - 1 - int(frequency_hz / TOP_HZ * ROWS)
    darkest = steps[:, COLUMNS // 2].argmin()
    assert abs(int(darkest) - row) <= 1
    assert steps[darkest].max() == 0


def test_time_runs_to_the_right() -> None:
    half = np.concatenate((np.zeros(RATE_HZ, np.float32), tone(1000, 1)))
    loud = (greys_of(half, RATE_HZ) == 0).any(axis=0)
    assert not loud[: COLUMNS // 2 - 3].any()
    assert loud[COLUMNS // 2 + 3 :].all()


@pytest.mark.parametrize("frames", [1, 100, 511, 512, 513])
def test_very_short_clips_have_a_picture(frames: int) -> None:
    assert greys_of(np.ones(frames, np.float32), RATE_HZ).shape == (ROWS, COLUMNS)


@pytest.mark.parametrize("more", [-512, -511, -1, 0, 1, 511, 512, 513])
def test_no_frame_is_lost_where_blocks_meet(more: int) -> None:
    """A steady tone stays dark in every column of a clip as long as one block of reading, or two."""
    for blocks in (1, 2):
        steps = greys_of(0.3 * tone(1000.0, (blocks * (1 << 20) + more) / RATE_HZ), RATE_HZ)
        assert (steps.min(axis=0) == 0).all()


def test_the_size_of_the_reading_blocks_makes_no_difference(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    audio = (0.1 * rng.standard_normal(40_000)).astype(np.float32)
    at_once = greys_of(audio, RATE_HZ)
    monkeypatch.setattr("watcher.report.spectrogram.BLOCK_FRAMES", 1_000)
    assert np.array_equal(greys_of(audio, RATE_HZ), at_once)


def test_silence_and_nothing_are_white() -> None:
    for audio in (np.zeros(RATE_HZ, np.float32), np.zeros(0, np.float32)):
        assert (greys_of(audio, RATE_HZ) == GREYS - 1).all()


def test_the_picture_is_a_small_grey_png(tmp_path: Path, rng: np.random.Generator) -> None:
    """Noise is the worst case for its size."""
    soundfile.write(tmp_path / "clip.flac", 0.1 * rng.standard_normal(8 * RATE_HZ), RATE_HZ)
    content = clip_picture(tmp_path / "clip.flac")
    assert len(content) < 6_000
    picture = Image.open(io.BytesIO(content))
    assert (picture.format, picture.size) == ("PNG", (COLUMNS, ROWS))
    colours = np.array(picture.convert("RGB"))
    assert (colours[..., 0] == colours[..., 1]).all()
    assert (colours[..., 0] == colours[..., 2]).all()
    assert len(np.unique(colours)) <= GREYS


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "broken.flac").write_bytes(b"fLaC and nothing more")
    with pytest.raises(StorageError, match=r"broken\.flac cannot be read"):
        clip_picture(tmp_path / "broken.flac")
    soundfile.write(tmp_path / "empty.wav", np.zeros(0), RATE_HZ)
    with pytest.raises(StorageError, match="holds no audio"):
        clip_picture(tmp_path / "empty.wav")
