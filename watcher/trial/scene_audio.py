"""What a transmission of a scene says: made by the test transmitter, or taken from a WAV file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from dsp.modulate import VOICE_RATE_HZ, Am, Audio, Ctcss, DigitalCode, Fm, Modulation, Unmodulated
from dsp.modulate.beacon import beacon_audio
from dsp.modulate.morse import morse
from dsp.modulate.same import same_message
from dsp.modulate.tones import key_sequence, key_tones_hz, tone, two_tone
from dsp.modulate.voice import voice
from watcher.errors import PlanError
from watcher.trial.scene_tables import TransmissionTable

LONGEST_VOICE_S = 30.0  # then it repeats: memory does not grow with the scene
LONGEST_FILE_S = 600.0
PEAK = 0.9
_NEEDS_TEXT = {
    "keys": 'keys of a keypad in quotes, like "123A"',
    "same": 'a header in quotes, like "ZCZC-WXR-TOR-039173+0030-1591829-XXXXXXXX-"',
    "morse": "letters and figures in quotes",
}


def audio_problem(table: TransmissionTable, folder: Path) -> str | None:  # noqa: PLR0911 - a list of rules
    """What keeps the audio of a table from being made, as the end of a sentence; None where nothing does."""
    kind = table.audio
    if kind in _NEEDS_TEXT:
        if not table.text:
            return f'text is missing; beside audio = "{kind}" it must be {_NEEDS_TEXT[kind]}'
        try:
            _texts(table)
        except ValueError as wrong:
            return f"text cannot be sent: {wrong}"
    if kind == "file":
        if table.file is None:
            return 'file is missing; beside audio = "file" it must be the name of a WAV file'
        path = folder / table.file
        try:
            facts = soundfile.info(str(path))
        except (soundfile.SoundFileError, OSError, TypeError, ValueError):
            return f'file is "{table.file}"; it must be a WAV file beside the scene that can be read'
        if not 0 < facts.duration <= LONGEST_FILE_S:
            return f'file is "{table.file}"; it must hold sound, at most {LONGEST_FILE_S:.0f} s of it'
    if table.seconds is None and (kind in ("voice", "none", "tone", "beacon") or table.mode == "carrier"):
        return f'seconds is missing; audio = "{kind}" has no length of its own'
    if table.mode in ("nfm", "fm") and _under_hz(table) > deviation_limit_hz(table):
        return f"tone_deviation_hz is {_under_hz(table):g}; it must stay under the deviation limit"
    return None


def deviation_limit_hz(table: TransmissionTable) -> float:
    """Rated deviation of the mode where the table does not say (TIA-603, secondary)."""
    return table.deviation_limit_hz or (5000.0 if table.mode == "fm" else 2500.0)


def modulation_of(table: TransmissionTable, folder: Path, seed: int) -> tuple[Modulation, float]:
    """What is sent, and how long the key is down, s.

    Raises
    ------
    PlanError
        The WAV file cannot be read any more.
    """
    if table.mode == "carrier":
        assert table.seconds is not None  # checked when it was read
        return Unmodulated(), table.seconds
    samples, rate_hz, repeats = _samples(table, folder, seed)
    audio = None
    if samples is not None:
        audio = Audio(samples=samples, rate_hz=rate_hz, start_s=table.lead_s, repeats=repeats)
    length_s = table.seconds
    if length_s is None:
        assert samples is not None  # checked when it was read
        length_s = table.lead_s + len(samples) / rate_hz + table.tail_s
        length_s += table.reverse_burst_s + table.turn_off_s
    if table.mode == "am":
        return Am(audio=audio, depth=table.depth), length_s
    return (
        Fm(
            audio=audio,
            deviation_limit_hz=deviation_limit_hz(table),
            drive=table.drive,
            low_cut_hz=table.low_cut_hz,
            tone=_tone(table),
            code=_code(table),
        ),
        length_s,
    )


def _samples(  # noqa: PLR0911 - one a kind
    table: TransmissionTable, folder: Path, seed: int
) -> tuple[NDArray[np.float32] | None, int, bool]:
    """Audio, its rate, and whether it starts again when it ends."""
    rate_hz, wanted_s = VOICE_RATE_HZ, table.seconds or 0.0
    match table.audio:
        case "none":
            return None, rate_hz, False
        case "voice":
            rng = np.random.default_rng(seed)
            return voice(seconds=min(wanted_s, LONGEST_VOICE_S), rng=rng), rate_hz, wanted_s > LONGEST_VOICE_S
        case "tone":
            # A whole number of periods, so that it repeats without a jump.
            count = max(1, round(table.audio_hz))
            made = tone(tone_hz=count, seconds=1.0, rate_hz=rate_hz, amplitude=PEAK)
            return made, rate_hz, True
        case "beacon":
            return beacon_audio(seconds=1.0, rate_hz=rate_hz, amplitude=0.5), rate_hz, True
        case "two-tone":
            return two_tone(table.first_hz, table.second_hz, rate_hz=rate_hz), rate_hz, False
        case "file":
            return *_file(folder / str(table.file)), False
    return _texts(table), rate_hz, False


def _texts(table: TransmissionTable) -> NDArray[np.float32]:
    text = table.text or ""
    if table.audio == "keys":
        for key in text:
            key_tones_hz(key)
        return key_sequence(text, rate_hz=VOICE_RATE_HZ)
    if table.audio == "same":
        return same_message(text, rate_hz=VOICE_RATE_HZ, alert_tone_s=table.alert_tone_s)
    sound = morse(text, words_per_minute=table.words_per_minute, rate_hz=VOICE_RATE_HZ, amplitude=0.5)
    if not len(sound):
        raise ValueError("it has no letter")
    return sound


def _file(path: Path) -> tuple[NDArray[np.float32], int]:
    try:
        samples, rate_hz = soundfile.read(str(path), dtype="float32", always_2d=True)
    except (soundfile.SoundFileError, OSError) as failure:
        raise PlanError(f"{path} cannot be read; it must be a WAV file") from failure
    mono = samples.mean(axis=1)
    loudest = float(np.abs(mono).max(initial=0.0))
    return np.asarray(mono * (PEAK / loudest if loudest > 0 else 1.0), np.float32), int(rate_hz)


def _under_hz(table: TransmissionTable) -> float:
    """Deviation of tone or code: what makers set, 350 and 500 Hz (secondary)."""
    if table.tone_hz is None and table.code is None:
        return 0.0
    return table.tone_deviation_hz or (500.0 if table.mode == "fm" else 350.0)


def _tone(table: TransmissionTable) -> Ctcss | None:
    if table.tone_hz is None:
        return None
    return Ctcss(tone_hz=table.tone_hz, deviation_hz=_under_hz(table), reverse_burst_s=table.reverse_burst_s)


def _code(table: TransmissionTable) -> DigitalCode | None:
    if table.code is None:
        return None
    return DigitalCode(
        code=table.code[:3],
        inverted=table.code[-1:].upper() == "I",
        deviation_hz=_under_hz(table),
        turn_off_s=table.turn_off_s,
    )
