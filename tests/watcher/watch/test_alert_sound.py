"""An alert that is a sound."""

from __future__ import annotations

import builtins
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from watcher.watch import alert_delivery
from watcher.watch.alert_delivery import play_sound


@pytest.fixture
def bell(tmp_path: Path) -> Path:
    path = tmp_path / "bell.wav"
    soundfile.write(path, np.arange(1, 8001, dtype=np.int16), 16_000)
    return path


def test_a_computer_without_the_library_says_so(bell: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    imported = builtins.__import__

    def without(name: str, *told: Any, **more: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return imported(name, *told, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    assert play_sound(bell) == "this computer has no PortAudio library"


def run(home: Path, sound: Path) -> subprocess.CompletedProcess[str]:
    """Play it in a process of its own, where ALSA writes to a file or has no device at all."""
    code = (
        "import sys\nfrom pathlib import Path\nfrom watcher.watch.alert_delivery import play_sound\n"
        "print(play_sound(Path(sys.argv[1])))\n"
    )
    return subprocess.run(
        [sys.executable, "-c", code, str(sound)],
        env={"HOME": str(home), "PYTHONPATH": str(Path(alert_delivery.__file__).parents[2])},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


@pytest.fixture
def library() -> None:
    try:
        import sounddevice  # noqa: F401
    except OSError as failure:
        pytest.skip(f"this computer cannot play: {failure}")


@pytest.mark.usefixtures("library")
def test_the_sound_is_played_whole(tmp_path: Path, bell: Path) -> None:
    (tmp_path / ".asoundrc").write_text(
        "pcm.quiet { type null }\n"
        f'pcm.!default {{ type file slave.pcm "quiet" file "{tmp_path}/out.raw" format "raw" }}\n'
    )
    finished = run(tmp_path, bell)
    if "no sound can be played" in finished.stdout:
        pytest.skip(f"ALSA's file plugin is not to be had here: {finished.stdout.strip()}")
    assert finished.stdout == "None\n", finished.stderr
    heard = np.fromfile(tmp_path / "out.raw", np.float32)
    (first,) = np.flatnonzero(heard > 0)[:1]
    np.testing.assert_array_equal(
        heard[first : first + 8000], np.arange(1, 8001, dtype=np.float32) / np.float32(32768)
    )


@pytest.mark.usefixtures("library")
def test_what_is_no_audio_is_told(tmp_path: Path) -> None:
    (tmp_path / "bell.wav").write_text("ding")
    assert play_sound(tmp_path / "bell.wav") == "bell.wav cannot be read as audio"
    assert play_sound(tmp_path / "gone.wav") == "gone.wav cannot be read as audio"
