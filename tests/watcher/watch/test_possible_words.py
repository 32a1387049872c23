"""Guessing at words: what it looks at, what it keeps, and that nothing depends on it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from tests.watcher.report.made_records import entry, whole
from watcher.log import WatchFacts, WatchLog
from watcher.log.reading import transmissions
from watcher.receive.records import Clip, Kind, KindReading
from watcher.report.exchanges import Exchange
from watcher.report.ranking import ranked
from watcher.watch import word_spotter
from watcher.watch.possible_words import guess_words, is_too_weak
from watcher.watch.word_spotter import LOOSE, WordSpotter, score_of

needs_model = pytest.mark.skipif(
    not shutil.which("espeak-ng"), reason="espeak-ng is not installed: there is no voice to say the words"
)


def say(folder: Path, name: str, text: str, voice: str = "en-us+f3") -> tuple[Path, float]:
    spoken = folder / f"{name}.wav"
    subprocess.run(["espeak-ng", "-v", voice, "-s", "150", "-w", spoken, text], check=True)
    audio, rate_hz = soundfile.read(spoken, dtype="float32")
    audio = resample_poly(audio, 16_000, rate_hz)
    path = folder / f"{name}.flac"
    soundfile.write(path, 0.3 * audio / np.abs(audio).max(), 16_000)
    return path, len(audio) / 16_000


@needs_model
def test_phrases_said_clearly_are_guessed_and_ordinary_talk_is_not(tmp_path: Path) -> None:
    """One spoken fixture for each of some phrases; this is no claim about calls over a radio."""
    with WordSpotter(LOOSE) as spotter:
        for phrase, text in (
            ("emergency", "this is an emergency. emergency traffic only please"),
            ("any station", "any station any station this is lookout two"),
            ("injured", "one person is injured, badly injured"),
            ("pan pan", "pan pan pan pan pan pan"),
        ):
            found = spotter.look(*say(tmp_path, phrase.replace(" ", "-"), text))
            assert found is not None and phrase in {word.phrase for word in found}
        assert (
            spotter.look(*say(tmp_path, "talk", "the weather is fine and we are having lunch at noon")) == []
        )


def test_the_score_is_in_decades_of_the_threshold() -> None:
    """Found by trial on version 5.1.1 of the model's package, where it met direct runs: pinned here."""
    assert score_of(1.0) == pytest.approx(66.7, abs=0.1)
    assert score_of(np.exp(-0.15)) == pytest.approx(0.0, abs=1e-9)
    assert score_of(0.0) < -300_000


def test_a_clip_that_is_none_costs_its_own_hint(tmp_path: Path) -> None:
    (tmp_path / "torn.flac").write_bytes(b"torn")
    with WordSpotter() as spotter:
        assert spotter.look(tmp_path / "torn.flac", 1.0) is None
        assert spotter.look(tmp_path / "gone.flac", 1.0) is None


def test_one_that_takes_too_long_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(word_spotter, "LIMIT_S", 0.0)
    monkeypatch.setattr(word_spotter, "LIMIT_PER_S", 0.0)
    with WordSpotter() as spotter:
        assert spotter.look(tmp_path / "gone.flac", 1.0) is None


def test_weak_clips_and_those_without_speech_are_not_looked_at() -> None:
    speech = {"kind": KindReading(Kind.VOICE, 0.9, 2.0)}
    assert is_too_weak(entry("a", 0, 5, snr=7.0, mode="fm", **speech))
    assert not is_too_weak(entry("a", 0, 5, snr=8.5, mode="fm", **speech))
    assert is_too_weak(entry("a", 0, 5, snr=9.0, mode="nfm", **speech))
    assert is_too_weak(entry("a", 0, 5, snr=30.0, kind=KindReading(Kind.TONES, 0.9, 0.0)))
    assert is_too_weak(entry("a", 0, 5))


@needs_model
def test_hints_are_kept_in_the_log_and_looked_for_once(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    path, seconds = say(tmp_path / "day", "call", "emergency emergency emergency")
    heard = entry("calling", 0, seconds, snr=25.0).transmission
    weak = entry("calling", 60, seconds, snr=3.0).transmission
    frames = round(seconds * 16_000)
    with WatchLog.open(tmp_path, create=True) as log:
        watch = log.begin_watch(WatchFacts(heard.start_utc, "made", "", "", "0"))
        log.add_transmission(watch, heard, Clip(heard, Path("day/call.flac"), "", frames))
        log.add_transmission(watch, weak, Clip(weak, Path("day/weak.flac"), "", frames))
    assert guess_words(tmp_path, cut_offs=dict(LOOSE)) == (1, 1)
    assert guess_words(tmp_path, cut_offs=dict(LOOSE)) == (0, 0)
    with WatchLog.open_to_read(tmp_path) as log:
        call, too_weak = transmissions(log)
    assert call.possible_words is not None and call.possible_words[0][0] == "emergency"
    assert too_weak.possible_words is None
    assert path.is_file()


def test_a_hint_raises_and_the_lack_of_one_changes_nothing() -> None:
    plain = whole("chat", 0, 5), whole("chat", 7, 5)
    assert ranked([Exchange(plain)], {}) == []
    hinted = tuple(
        type(one)(
            **{name: getattr(one, name) for name in one.__slots__ if name != "pieces"},
            pieces=tuple(_with_words(piece) for piece in one.pieces),
        )
        for one in plain
    )
    (found,) = ranked([Exchange(hinted)], {})
    assert found.points == 1 and found.reasons[0].words.startswith("possible words: mayday?")


def _with_words(piece: object) -> object:
    from dataclasses import replace

    return replace(piece, possible_words=(("mayday", 1.2),))  # type: ignore[type-var]
