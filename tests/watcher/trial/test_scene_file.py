"""Scene files: what they build, what is told of a wrong one, and that nothing breaks the reader."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import sigmf
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import PlanError
from watcher.radio.recording import open_recording
from watcher.trial.scene_building import build_scene, scene_of
from watcher.trial.scene_file import scene_from_text
from watcher.trial.truth import read_truth

HEAD = """\
[scene]
sample_rate_hz = 48_000
seconds = 4
centre_mhz = 146.520
seed = 3
"""
CALL = """
[[transmission]]
channel = "low"
frequency_mhz = 146.5075
start_s = 0.5
cnr_db = 12
"""


def built(text: str, folder: Path) -> tuple[Path, Path]:
    made = build_scene(scene_from_text(text, folder / "s.toml"), folder / "made")
    assert made is not None
    return made


def test_a_scene_and_its_truth_are_two_recordings(tmp_path: Path) -> None:
    text = HEAD + CALL + 'seconds = 1.5\ntone_hz = 100.0\ncomment = "a call"\n'
    meta, truth = built(text, tmp_path)
    source = open_recording(meta)
    (stretch,) = source.stretches()
    source.close()
    assert (stretch.samples, stretch.sample_rate_hz, stretch.centre_hz) == (192_000, 48_000, 146_520_000)
    (sent,) = read_truth(truth, [])
    assert sent.start_utc == stretch.start_utc.replace(microsecond=500_000)
    assert (sent.seconds, sent.tone_hz, sent.code, sent.code_is_known) == (1.5, 100.0, None, True)
    assert (sent.label, sent.comment, sent.cnr_db) == ("low", "a call", 12.0)
    assert '"annotations": []' in meta.read_text()


def test_both_files_are_valid_sigmf(tmp_path: Path) -> None:
    """By the library of the standard's own makers."""
    for path in built(HEAD + CALL + "seconds = 1\n", tmp_path):
        sigmf.validate.validate(json.loads(path.read_text(encoding="utf-8")))


def test_the_stated_ratio_is_in_the_samples(tmp_path: Path) -> None:
    """Mean power with and without an unmodulated carrier: C/N in 11 kHz is the ratio stated, to 0.1 dB."""
    scene = scene_from_text(HEAD + CALL + 'mode = "carrier"\nseconds = 10\n', tmp_path / "s.toml")
    samples = scene_of(scene).render(np.random.default_rng(1))
    noise = np.mean(np.abs(samples[:20_000]) ** 2)
    on_air = np.mean(np.abs(samples[40_000:]) ** 2)
    cnr_db = 10 * np.log10((on_air - noise) / (noise * 11 / 48))
    assert cnr_db == pytest.approx(12.0, abs=0.15)


def test_repetition_to_the_end_shares_one_voice(tmp_path: Path) -> None:
    text = HEAD.replace("seconds = 4", "seconds = 86_400") + CALL + "seconds = 2\nrepeat_every_s = 60\n"
    scene = scene_of(scene_from_text(text, tmp_path / "s.toml"))
    assert len(scene.emissions) == 1440  # minutes of a day
    assert len({id(each.modulation) for each in scene.emissions}) == 1


def test_a_scene_is_written_in_bounded_pieces(tmp_path: Path) -> None:
    """A block is as long for an hour as for a second; the writer keeps none."""
    text = HEAD.replace("seconds = 4", "seconds = 3600") + CALL + "seconds = 2\nrepeat_every_s = 60\n"
    blocks = scene_of(scene_from_text(text, tmp_path / "s.toml")).blocks(np.random.default_rng(1))
    assert max(len(next(blocks).samples) for _ in range(5)) <= 65_536


@pytest.mark.parametrize(
    ("more", "seconds"),
    [
        ('audio = "keys"\ntext = "911"\n', 0.3 + 0.7 + 0.2),  # three keys and four pauses of 0.1 s
        ('audio = "two-tone"\n', 0.3 + 4.0 + 0.2),
        ('audio = "file"\nfile = "hello.wav"\n', 0.3 + 0.5 + 0.2),
        (
            'audio = "same"\ntext = "ZCZC-"\n',
            0.3 + 3 * (21 * 8 * 1.92e-3 + 1) + 3 * (20 * 8 * 1.92e-3 + 1) + 0.2,
        ),
        ('audio = "morse"\ntext = "E"\nwords_per_minute = 12\n', 0.3 + 0.1 + 0.005 + 0.2),
        ('audio = "beacon"\nseconds = 2\nmode = "am"\n', 2.0),
        ('audio = "tone"\nseconds = 2\nmode = "fm"\ncode = "047I"\n', 2.0),
        ('audio = "none"\nseconds = 1\n', 1.0),
    ],
)
def test_every_kind_of_audio_is_sent_for_as_long_as_it_lasts(
    tmp_path: Path, more: str, seconds: float
) -> None:
    soundfile.write(tmp_path / "hello.wav", 0.1 * np.ones(4000, np.float32), 8000)
    scene = scene_of(scene_from_text(HEAD + CALL + more, tmp_path / "s.toml"))
    (emission,) = scene.emissions
    assert emission.stop_s - emission.start_s == pytest.approx(seconds, abs=1e-3)
    assert np.isfinite(scene.render(np.random.default_rng(1))).all()


def test_fading_faults_and_noise_are_taken_over(tmp_path: Path) -> None:
    text = (
        HEAD
        + CALL
        + "seconds = 1\ndoppler_hz = 5\n[[noise_rise]]\nstart_s = 1\nstop_s = 2\nrise_db = 6\n"
        + "[[impulses]]\nper_second = 5\nwidth_s = 0.001\npower_dbfs = -10\n"
        + "[front_end]\nzero_spike_dbfs = -30\n[[birdie]]\nfrequency_mhz = 146.53\npower_dbfs = -40\n"
    )
    scene = scene_of(scene_from_text(text, tmp_path / "s.toml"))
    assert scene.emissions[0].fading is not None and scene.emissions[0].fading.doppler_hz == 5
    assert scene.rises[0].rise_db == 6
    assert scene.impulses[0].per_second == 5
    assert scene.front_end is not None and scene.front_end.birdies[0].offset_hz == pytest.approx(10_000)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "there is no [scene] table; it must have one"),
        (HEAD + CALL, 'seconds is missing; audio = "voice" has no length of its own'),
        (HEAD + CALL + "seconds = 1\nsquelch = 3\n", "squelch is not a key of [[transmission]]"),
        (
            HEAD + CALL + 'seconds = 1\nmode = "usb"\n',
            'mode is "usb"; it must be "nfm", "fm", "am" or "carrier"',
        ),
        (HEAD + CALL + 'audio = "keys"\ntext = "9x"\n', "text cannot be sent: key is 'x'"),
        (HEAD + CALL + 'audio = "morse"\n', 'text is missing; beside audio = "morse"'),
        (HEAD + CALL + 'audio = "file"\nfile = "none.wav"\n', "it must be a WAV file beside the scene"),
        (HEAD + CALL.replace("146.5075", "147.5"), "it must lie within 0.024 MHz"),
        (HEAD + CALL + 'seconds = 1\ntone_hz = 100\ncode = "023"\n', "has both tone_hz and code"),
        (HEAD + CALL + 'seconds = 1\nmode = "am"\ntone_hz = 100\n', 'tone_hz stands beside mode "am"'),
        (HEAD + CALL + "seconds = 1\nrepeats = 3\n", "it must stand beside repeat_every_s"),
        (HEAD + "[[transmision]]\n", "did you mean transmission?"),
        (HEAD + "[transmission]\n", "must be headed [[transmission]], with double brackets"),
        (HEAD.replace("seconds = 4", "seconds = 0"), "seconds is 0; it must be a number of seconds above 0"),
        ("[scene", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(PlanError) as told:
        scene_from_text(text, tmp_path / "s.toml")
    assert any(sentence in problem for problem in told.value.problems), told.value.problems


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    text = HEAD.replace("48_000", "5") + CALL.replace("12", "999") + "seconds = 1\n"
    with pytest.raises(PlanError) as told:
        scene_from_text(text, tmp_path / "s.toml")
    assert len(told.value.problems) == 2


VALUES = st.sampled_from(
    [
        "1",
        "-3",
        "0.5",
        "1e30",
        "nan",
        "inf",
        '"voice"',
        '"023N"',
        '""',
        "true",
        "[]",
        "{}",
        "1979-05-27",
        "99999999",
    ]
)
KEYS = st.sampled_from(
    [
        *("channel", "frequency_mhz", "start_s", "cnr_db", "seconds", "mode", "audio", "text", "file"),
        *("code", "tone_hz", "repeats", "repeat_every_s", "doppler_hz", "noise_width_khz", "steady"),
    ]
)


@given(st.dictionaries(KEYS, VALUES, max_size=8))
def test_any_table_is_read_or_refused_in_whole_sentences(tables: dict[str, str]) -> None:
    text = HEAD + "[[transmission]]\n" + "".join(f"{key} = {value}\n" for key, value in tables.items())
    try:
        scene_from_text(text, Path("s.toml"))
    except PlanError as told:
        assert told.problems and all("\n" not in problem for problem in told.problems)


@given(st.text(max_size=80))
def test_any_text_is_refused(text: str) -> None:
    with pytest.raises(PlanError):
        scene_from_text(text, Path("s.toml"))
