"""Whole trials on small scenes: scored, kept to windows and tunings, failures kept, and by command."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from watcher.cli import main
from watcher.errors import UsageProblem
from watcher.log.reading import gaps, watched_spans
from watcher.log.writing import WatchLog
from watcher.plan.reading import plan_from_text
from watcher.radio.recording import open_recording
from watcher.radio.sigmf_writer import SigmfWriter
from watcher.receive.records import GapCause
from watcher.trial.bench import Effort
from watcher.trial.bench_lab import NARROW
from watcher.trial.causes import Why
from watcher.trial.result import read_earlier
from watcher.trial.run import Trial, run_trial
from watcher.trial.scene_building import build_scene
from watcher.trial.scene_file import scene_from_text
from watcher.trial.scoring import State

CHANNELS = """
[[channel]]
name = "low"
frequency_mhz = 146.5075
mode = "nfm"
bandwidth_khz = 12.5

[[channel]]
name = "high"
frequency_mhz = 146.54125
mode = "nfm"
bandwidth_khz = 12.5
"""
SCENE = """
[scene]
sample_rate_hz = 96_000
seconds = 16
centre_mhz = 146.520
start_utc = "2031-05-04T03:00:00Z"
seed = 7

[[transmission]]
channel = "low"
frequency_mhz = 146.5075
start_s = 1.0
seconds = 1.5
cnr_db = 12
tone_hz = 100.0

[[transmission]]
channel = "high"
frequency_mhz = 146.54125
start_s = 4.5
seconds = 1.5
cnr_db = 15
code = "023N"

[[transmission]]
channel = "high"
frequency_mhz = 146.54125
start_s = 8.0
seconds = 1.5
cnr_db = -8

[[transmission]]
channel = "low"
frequency_mhz = 146.5075
start_s = 12.0
seconds = 1.5
cnr_db = 12

[[transmission]]
channel = "nobody listens"
frequency_mhz = 146.520
start_s = 12.0
seconds = 1.0
cnr_db = 12
"""
SCAN = """
[station]
time_zone = "UTC"
[[radio]]
sample_rate_hz = 41_000
[[window]]
at = ["03:00"]
length_minutes = 0.18
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("scene")
    built = build_scene(scene_from_text(SCENE, folder / "s.toml"), folder / "made")
    assert built is not None
    return built


def tried(made: tuple[Path, Path], plan: str, into: Path, **more: object) -> Trial:
    source = open_recording(made[0])
    try:
        text = plan_from_text(plan, into / "p.toml")
        return run_trial(text, [source], made[1], into, plan_name="p.toml", **more)  # type: ignore[arg-type]
    finally:
        source.close()


def test_a_trial_finds_what_was_sent_and_says_why_not(made: tuple[Path, Path], tmp_path: Path) -> None:
    found = tried(made, CHANNELS, tmp_path / "t", failures_into=tmp_path / "kept").score
    states = [(each.channel, each.state) for each in found.verdicts]
    assert states == [
        ("low", State.HEARD),
        ("high", State.HEARD),
        ("high", State.MISSED),
        ("low", State.HEARD),
        ("nobody listens", State.NOT_LISTED),
    ]
    missed = found.verdicts[2]
    assert missed.cause is not None and missed.cause.why is Why.UNDER_THRESHOLD
    assert missed.cause.under_db is not None and 4.0 < missed.cause.under_db < 8.0  # opens at about -2 dB
    assert not found.false_openings
    assert found.whole.tone_right.value == found.whole.code_right.value == 1.0
    assert found.whole.start_error_s is not None and abs(found.whole.start_error_s.worst) < 0.02


def test_the_iq_of_a_miss_becomes_a_recording_with_its_truth(made: tuple[Path, Path], tmp_path: Path) -> None:
    trial = tried(made, CHANNELS, tmp_path / "t", failures_into=tmp_path / "kept")
    assert len(trial.failures) == 1
    kept = tmp_path / "kept" / trial.failures[0]
    source, whole = open_recording(kept), open_recording(made[0])
    (stretch,) = source.stretches()
    assert stretch.samples == 96_000 * 3.5  # a second around 1.5 s
    excerpt = np.concatenate([block.samples for block in source.blocks(0)])
    samples = np.concatenate([block.samples for block in whole.blocks(0)])
    np.testing.assert_allclose(excerpt, samples[96_000 * 7 : 96_000 * 7 + len(excerpt)], atol=1e-6)
    source.close(), whole.close()
    again = tried((kept, kept), CHANNELS, tmp_path / "again")
    (verdict,) = again.score.verdicts
    assert verdict.state is State.MISSED and verdict.sent.cnr_db == -8.0


def test_strength_is_measured_where_the_truth_is_silent(made: tuple[Path, Path], tmp_path: Path) -> None:
    line = {"start_s": 8.0, "stop_s": 9.5, "channel": "high"}
    truth = tmp_path / "t.jsonl"
    truth.write_text(json.dumps(line))
    (verdict,) = tried((made[0], truth), CHANNELS, tmp_path / "t").score.verdicts
    assert verdict.cause is not None and "measured on the recording" in verdict.cause.words
    assert verdict.cause.under_db == pytest.approx(5.5, abs=2.0)  # -8 dB against some -2.5


def test_windows_tunings_and_dwell_are_kept(made: tuple[Path, Path], tmp_path: Path) -> None:
    """Two tunings of a 44 kHz radio, three seconds each, in a window of 10.8 s."""
    trial = tried(made, SCAN + CHANNELS, tmp_path / "t", keep_windows=True)
    causes = [each.cause.why if each.cause else None for each in trial.score.verdicts]
    assert causes == [None, None, Why.OTHER_TUNING, Why.OUTSIDE_WINDOWS, Why.NOT_LISTED]
    with WatchLog.open_to_read(tmp_path / "t") as log:
        watched = watched_spans(log)
        away = list(gaps(log))
    assert not watched["low"] & watched["high"]  # one radio is on one tuning at a time
    whole = watched["low"] | watched["high"]
    tuning = sum((g.stop_utc - g.start_utc).total_seconds() for g in away if g.cause is GapCause.TUNING)
    assert whole.seconds + tuning == pytest.approx(10.8, abs=0.01)
    assert len(whole) == 4  # three visits of 0.3 s and 3 s or more, and the beginning of a fourth


def test_a_narrow_radio_hears_as_well_as_the_wide_one(made: tuple[Path, Path], tmp_path: Path) -> None:
    wide = tried(made, CHANNELS, tmp_path / "wide").score
    narrow = tried(made, SCAN + CHANNELS, tmp_path / "narrow", keep_windows=True).score
    for one, other in zip(wide.verdicts[:2], narrow.verdicts[:2], strict=True):
        assert one.heard is not None and other.heard is not None
        assert abs((one.heard.start_utc - other.heard.start_utc).total_seconds()) < 0.005
        assert one.heard.snr_db is not None and other.heard.snr_db is not None
        assert one.heard.snr_db.value == pytest.approx(other.heard.snr_db.value, abs=0.3)


def test_a_plan_without_windows_or_narrow_radio_watches_everything(
    made: tuple[Path, Path], tmp_path: Path
) -> None:
    free = tried(made, CHANNELS, tmp_path / "t", keep_windows=True).score
    assert free.whole.heard == 3
    assert free.watched_hours == pytest.approx(2 * 16 / 3600, rel=1e-6)


def run(*words: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


def test_the_command_as_text_json_and_page(
    made: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(CHANNELS)
    first = tmp_path / "first"
    assert run("trial", plan, made[0], "--truth", made[1], "--into", first) == 0
    text = capsys.readouterr().out
    assert "3 of 4 transmissions on listed channels were heard: 75 % (30 to 95.4 %)." in text
    assert "under the threshold by" in text
    page = (first / "trial.html").read_text(encoding="utf-8")
    assert "<script" not in page and "nobody listens" in page
    saved = json.loads((first / "trial.json").read_text(encoding="utf-8"))
    assert saved["recall"]["count"] == 3 and saved["causes"]["under the threshold"] == 1
    code = run("trial", "run", plan, made[0], "--truth", made[1], "--as", "json", "--quiet")
    printed = json.loads(capsys.readouterr().out)
    assert code == 0 and printed["transmissions"] == saved["transmissions"]


def test_two_trials_stand_side_by_side(
    made: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, scan = tmp_path / "plan.toml", tmp_path / "scan.toml"
    plan.write_text(CHANNELS)
    scan.write_text(SCAN + CHANNELS)
    run("trial", plan, made[0], "--truth", made[1], "--into", tmp_path / "first", "--quiet")
    words = ("--truth", made[1], "--keep-windows", "--against", tmp_path / "first", "--fail-under", "0.75")
    assert run("trial", scan, made[0], *words) == 1
    told = capsys.readouterr()
    assert "recall is 0.5000; --fail-under wants at least 0.75" in told.err
    assert "Side by side" in told.out and "What became different" in told.out
    assert "outside the windows" in told.out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--as", "pdf"), "--as is pdf; it must be one of text, json, html"),
        (("--fail-under", "2"), "--fail-under is 2; it must be a share between 0 and 1"),
        (("--against", "nowhere"), "--against nowhere cannot be read as a trial"),
    ],
)
def test_wrong_options_are_one_sentence(
    made: tuple[Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    sentence: str,
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(CHANNELS)
    assert run("trial", plan, made[0], "--truth", made[1], *words) == 2
    assert sentence in capsys.readouterr().err


def test_a_folder_with_a_log_is_refused(
    made: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(CHANNELS)
    words = ("trial", plan, made[0], "--truth", made[1], "--into", tmp_path / "t", "--quiet")
    assert run(*words) == 0
    assert run(*words) == 2
    assert "already holds a watch log" in capsys.readouterr().err


def test_scene_by_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "s.toml").write_text(SCENE.replace("seconds = 16", "seconds = 1"))
    assert run("trial", "scene", tmp_path / "s.toml", "--into", tmp_path / "made") == 0
    assert "made.truth.sigmf-meta" in capsys.readouterr().out.replace("\n", "")
    (tmp_path / "s.toml").write_text("[scene]\n")
    assert run("trial", "scene", tmp_path / "s.toml", "--into", tmp_path / "made") == 2
    assert "s.toml: scene: sample_rate_hz is missing" in capsys.readouterr().err


@pytest.mark.parametrize("content", ["", "[]", '{"midwatch_trial": 1}', '{"midwatch_trial": 1, "recall": 3}'])
def test_what_is_no_earlier_trial_is_told(tmp_path: Path, content: str) -> None:
    (tmp_path / "trial.json").write_text(content)
    with pytest.raises(UsageProblem, match="--against"):
        read_earlier(tmp_path)


def test_output_is_not_changed_on_its_way(
    made: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, truth = tmp_path / "plan.toml", tmp_path / "t.jsonl"
    plan.write_text(CHANNELS)
    truth.write_text(json.dumps({"start_s": 1, "stop_s": 2.5, "channel": "low", "comment": ":bell: [b]<i>"}))
    words = ("trial", plan, made[0], "--truth", truth, "--quiet", "--as")
    assert run(*words, "json") == 0
    (told,) = json.loads(capsys.readouterr().out)["transmissions"]
    assert told["comment"] == ":bell: [b]<i>"
    assert run(*words, "html") == 0
    assert "<i>" not in capsys.readouterr().out


def test_a_missing_truth_is_one_sentence(
    made: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.toml").write_text(CHANNELS)
    assert run("trial", tmp_path / "plan.toml", made[0]) == 2
    assert "--truth" in capsys.readouterr().err


@pytest.mark.slow
def test_bench_by_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.trial.bench.QUICK", Effort(2.0, 1.0, 2, 20.0, 1, (3.0,), (NARROW,)))
    assert run("trial", "bench", "--quick", "--seed", "9", "--into", tmp_path) == 0
    assert "12 dB SINAD sensitivity" in capsys.readouterr().out
    assert json.loads((tmp_path / "bench.json").read_text(encoding="utf-8"))["seed"] == 9
    assert "data:image/png" in (tmp_path / "bench.html").read_text(encoding="utf-8")
    assert run("trial", "bench", "--seed", "-1") == 2
    assert "--seed is -1" in capsys.readouterr().err


def test_bare_samples_and_a_truth_in_seconds(
    made: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.toml").write_text(CHANNELS)
    bare = tmp_path / "air.cu8"
    bare.write_bytes(made[0].with_name("made.sigmf-data").read_bytes())
    truth = tmp_path / "t.jsonl"
    truth.write_text(
        json.dumps({"start_s": 1.0, "stop_s": 2.5, "frequency_mhz": 146.5075, "ctcss_hz": 100.0})
    )
    told = ("--rate-hz", "96000", "--centre-mhz", "146.520", "--start", "2031-05-04T03:00:00Z")
    assert run("trial", tmp_path / "plan.toml", bare, "--truth", truth, *told, "--as", "json", "--quiet") == 0
    tree = json.loads(capsys.readouterr().out)
    assert tree["heard"] == tree["tones"]["right"] == 1
    # The truth tells of one: the other two that the recording holds are openings without a transmission.
    assert len(tree["openings_without_transmission"]) == 2


def test_trial_alone_asks_for_more(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("trial") == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_required_tone_that_was_not_sent_is_the_cause(made: tuple[Path, Path], tmp_path: Path) -> None:
    plan = CHANNELS.replace(
        "frequency_mhz = 146.5075\n", "frequency_mhz = 146.5075\nexpect_tone_hz = 67.0\nrequire_tone = true\n"
    )
    causes = {
        each.sent.start_utc.second: each.cause.why
        for each in tried(made, plan, tmp_path / "t").score.verdicts
        if each.channel == "low" and each.cause is not None
    }
    assert causes == {1: Why.TONE_ABSENT, 12: Why.TONE_ABSENT}


def test_lost_samples_are_the_cause(made: tuple[Path, Path], tmp_path: Path) -> None:
    """The same recording as floats, with no finite number while somebody spoke on "low"."""
    source = open_recording(made[0])
    samples = np.concatenate([block.samples for block in source.blocks(0)])
    source.close()
    samples[int(0.9 * 96_000) : int(2.6 * 96_000)] = np.nan
    with SigmfWriter(tmp_path / "holes", "cf32_le", 96_000, "Made.", None) as writer:
        writer.start_capture(146_520_000, datetime(2031, 5, 4, 3, 0, tzinfo=UTC))
        writer.write(samples)
    found = tried((tmp_path / "holes.sigmf-meta", made[1]), CHANNELS, tmp_path / "t").score
    assert found.verdicts[0].cause is not None and found.verdicts[0].cause.why is Why.LOST_SAMPLES
    assert found.verdicts[1].state is State.HEARD


def test_a_channel_no_recording_shows_is_outside_the_span(made: tuple[Path, Path], tmp_path: Path) -> None:
    truth = tmp_path / "t.jsonl"
    truth.write_text(json.dumps({"start_s": 1.0, "stop_s": 2.5, "frequency_mhz": 162.55}))
    far = CHANNELS + '[[channel]]\nname = "far"\nfrequency_mhz = 162.55\nmode = "fm"\nbandwidth_khz = 25\n'
    for number, keep_windows in enumerate((False, True)):
        into = tmp_path / str(number)
        (verdict,) = tried((made[0], truth), far, into, keep_windows=keep_windows).score.verdicts
        assert verdict.cause is not None and verdict.cause.why is Why.OUTSIDE_SPAN


def test_two_narrow_radios_share_the_tunings(made: tuple[Path, Path], tmp_path: Path) -> None:
    radio = "[[radio]]\nsample_rate_hz = 41_000\n"
    found = tried(made, 2 * radio + CHANNELS, tmp_path / "t", keep_windows=True).score
    assert found.watched_hours == pytest.approx(2 * 16 / 3600, rel=1e-3)  # neither is ever away
    assert found.whole.heard == 3
