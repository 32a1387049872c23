"""Wrong words, plans and recordings: one sentence that says what is wrong, an exit code, nothing made."""

from __future__ import annotations

import shutil
import wave
from pathlib import Path

import pytest
import soundfile

from tests.e2e.conftest import PLAN, Midwatch
from watcher.errors import PlanError, RadioError

CHANNEL = '[[channel]]\nname = "{name}"\nfrequency_mhz = {mhz}\nmode = "{mode}"\nbandwidth_khz = {khz}\n'
SURPLUS = {"name": "low", "mhz": "146.5075", "mode": "nfm", "khz": "12.5"}


def channel(**changed: str) -> str:
    return CHANNEL.format(**(SURPLUS | changed))


# --- the plan -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param(None, ["plan.toml", "does not exist"], id="missing"),
        pytest.param("", ["plan.toml", "[[channel]]", "at least one"], id="empty"),
        pytest.param("[[channel]\nname=1", ["plan.toml", "line 1"], id="not TOML"),
        pytest.param(channel(mhz="146_520_000"), ["frequency_mhz", "146520000", "146.52"], id="in Hz"),
        pytest.param(channel(mhz="146_520"), ["frequency_mhz", "146520", "146.52"], id="in kHz"),
        pytest.param(channel(mhz="0"), ["frequency_mhz", "0"], id="0 MHz"),
        pytest.param(channel(mhz="nan"), ["frequency_mhz", "nan"], id="not a number"),
        pytest.param(channel(khz="12500"), ["bandwidth_khz", "12500"], id="bandwidth in Hz"),
        pytest.param(channel(khz="0"), ["bandwidth_khz", "between"], id="no bandwidth"),
        pytest.param(channel(mode="ssb"), ["mode", "ssb", "nfm"], id="unknown mode"),
        pytest.param(channel() + "colour = 3\n", ["colour"], id="unknown key"),
        pytest.param(channel() + channel(mhz="146.6"), ["low", "name"], id="the same name twice"),
    ],
)
@pytest.mark.parametrize("command", ["check", "replay"])
def test_wrong_plan(
    midwatch: Midwatch, night: Path, tmp_path: Path, command: str, text: str | None, words: list[str]
) -> None:
    path = tmp_path / "plan.toml"
    if text is not None:
        path.write_text(text)
    more = () if command == "check" else (night, "--into", tmp_path / "out")
    said = midwatch(command, path, *more)
    assert said.code == PlanError.exit_code
    for word in words:
        assert word.lower() in said.sentence.lower(), said.err
    assert not (tmp_path / "out").exists()


def test_every_mistake_of_a_plan_is_told_at_once_one_a_line(midwatch: Midwatch, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(channel(khz="0", mode="ssb") + channel(name="b", mhz="146_520_000"))
    said = midwatch("check", path)
    assert said.code == PlanError.exit_code
    assert "Traceback" not in said.err
    lines = said.err.splitlines()
    assert len(lines) == 3
    assert all("plan.toml" in line for line in lines)
    for word in ("bandwidth_khz", "ssb", "146520000"):
        assert sum(word in line for line in lines) == 1


def test_recording_given_as_plan(midwatch: Midwatch, night: Path, tmp_path: Path) -> None:
    said = midwatch("check", night.with_suffix(".sigmf-data"))
    assert said.code == PlanError.exit_code
    assert said.sentence
    said = midwatch("check", tmp_path)
    assert said.code == PlanError.exit_code
    assert "folder" in said.sentence


# --- the recording ------------------------------------------------------------------------------------


def recording(kind: str, folder: Path, night: Path) -> tuple[Path, list[str]]:
    """One kind of unusable recording, and the options given with it."""
    samples = night.with_suffix(".sigmf-data").read_bytes()
    facts = ["--rate-hz", "48000", "--centre-mhz", "146.52"]
    path = folder / kind
    options: list[str] = []
    match kind:
        case "missing.wav" | "missing.sigmf-meta" | "missing.cu8" | "missing":
            options = facts
        case "words.txt" | "words.wav" | "words.w64" | "words.sigmf-meta":
            path.write_text("It was a dark and stormy night.\n" * 50)
        case "empty.wav" | "empty.cs16" | "empty.sigmf-meta":
            path.touch()
            options = facts
        case "one track.wav":
            soundfile.write(path, [0.0] * 48_000, 48_000)
            options = facts
        case "no samples.wav":
            with wave.open(str(path), "wb") as file:
                file.setparams((2, 2, 48_000, 0, "NONE", ""))
            options = facts
        case "nowhere.wav":
            with wave.open(str(path), "wb") as file:
                file.setparams((2, 2, 48_000, 0, "NONE", ""))
                file.writeframes(samples)
        case "rateless.cs16":
            path.write_bytes(samples)
        case "a byte.cu8":
            path.write_bytes(b"\x7f")
            options = facts
        case "alone.sigmf-meta":
            shutil.copy(night, path)
        case "torn.sigmf-meta":
            path.write_bytes(night.read_bytes()[:100])
        case "a folder":
            path.mkdir()
    return path, options


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("missing.wav", ["no such file"]),
        ("missing.sigmf-meta", ["no such file"]),
        ("missing.cu8", ["no such file"]),
        ("missing", ["no such file"]),
        ("words.txt", ["no kind of recording"]),
        ("words.wav", ["words.wav"]),
        ("words.w64", ["words.w64"]),
        ("words.sigmf-meta", ["words.sigmf-meta"]),
        ("empty.wav", ["empty.wav"]),
        ("empty.cs16", ["empty.cs16"]),
        ("empty.sigmf-meta", ["empty.sigmf-meta"]),
        ("one track.wav", ["one track.wav", "two"]),
        ("no samples.wav", ["no samples.wav"]),
        ("nowhere.wav", ["--centre-mhz"]),
        ("rateless.cs16", ["--rate-hz", "--centre-mhz"]),
        ("a byte.cu8", ["a byte.cu8"]),
        ("alone.sigmf-meta", ["alone.sigmf-data"]),
        ("torn.sigmf-meta", ["torn.sigmf-meta"]),
        ("a folder", ["folder"]),
    ],
)
def test_wrong_recording(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path, kind: str, words: list[str]
) -> None:
    path, options = recording(kind, tmp_path, night)
    said = midwatch("replay", plan, path, *options, "--into", tmp_path / "out")
    assert said.code == RadioError.exit_code
    for word in words:
        assert word in said.sentence
    assert not (tmp_path / "out").exists()


def test_one_wrong_recording_among_good_ones_is_refused_before_the_work(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path
) -> None:
    said = midwatch("replay", plan, night, tmp_path / "missing.wav", "--into", tmp_path / "out")
    assert "missing.wav" in said.sentence
    assert not (tmp_path / "out").exists()


def test_channel_outside_the_span(midwatch: Midwatch, night: Path, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN + channel(name="far", mhz="146.9"))
    said = midwatch("replay", path, night, "--into", tmp_path / "out")
    assert said.code == RadioError.exit_code
    assert said.sentence.startswith(
        'channel "far" (146.900 MHz) lies outside the recording\'s span of 146.496 to 146.544 MHz'
    )
    assert not (tmp_path / "out").exists()


def test_channel_outside_the_span_in_the_wrong_band(midwatch: Midwatch, night: Path, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(channel(name="uhf", mhz="446.5"))
    assert "446.5" in midwatch("replay", path, night, "--into", tmp_path / "out").sentence


# --- options ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--rate-hz", "0"], ["--rate-hz", "0"]),
        (["--rate-hz", "-48000"], ["--rate-hz", "-48000"]),
        (["--rate-hz", "fast"], ["--rate-hz"]),
        (["--rate-hz", "2.4M"], ["--rate-hz", "2.4M"]),
        (["--rate-hz", "8000"], ["8000", "at least"]),
        (["--rate-hz", "99999999999"], ["--rate-hz"]),
        (["--centre-mhz", "-1"], ["--centre-mhz"]),
        (["--centre-mhz", "146520000"], ["--centre-mhz"]),
        (["--centre-mhz", "low"], ["--centre-mhz"]),
        (["--start", "yesterday"], ["--start", "yesterday", "2031-05-04T03:00:00Z"]),
        (["--start", "2031-05-04T03:00:00"], ["--start", "zone"]),
        (["--datatype", "f64"], ["f64", "cu8"]),
        (["--ppm", "much"], ["--ppm"]),
        (["--ppm", "1e6"], ["span"]),
    ],
)
def test_wrong_option_of_replay(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path, options: list[str], words: list[str]
) -> None:
    bare = tmp_path / "night.cs16"
    bare.write_bytes(night.with_suffix(".sigmf-data").read_bytes()[: 48_000 * 4])
    given = {"--rate-hz": "48000", "--centre-mhz": "146.52"} | {options[0]: options[1]}
    said = midwatch(
        "replay", plan, bare, *(word for pair in given.items() for word in pair), "--into", tmp_path / "out"
    )
    for word in words:
        assert word in said.sentence, said.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("option", "value"),
    [("--rate-hz", "2.4M"), ("--rate-hz", "48000.5"), ("--centre-mhz", "low"), ("--ppm", "much")],
)
def test_option_that_is_no_number_is_told_with_its_value(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path, option: str, value: str
) -> None:
    said = midwatch("replay", plan, night, option, value, "--into", tmp_path / "out")
    assert f"{option} is {value}; it must be a" in said.sentence


@pytest.mark.parametrize("value", ["nan", "inf"])
def test_centre_that_is_no_number(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path, value: str
) -> None:
    bare = tmp_path / "night.cs16"
    bare.write_bytes(night.with_suffix(".sigmf-data").read_bytes()[: 48_000 * 4])
    said = midwatch(
        "replay", plan, bare, "--rate-hz", "48000", "--centre-mhz", value, "--into", tmp_path / "out"
    )
    assert value in said.sentence


@pytest.mark.parametrize("value", ["nan", "inf"])
def test_ppm_that_is_no_number(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path, value: str
) -> None:
    said = midwatch("replay", plan, night, "--ppm", value, "--into", tmp_path / "out")
    assert said.sentence
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["stnad"], ["stnad"]),
        (["replya"], ["replya"]),
        (["--loud"], ["--loud"]),
        (["check", "--loud"], ["--loud"]),
        (["check"], ["PLAN"]),
        (["replay"], ["PLAN"]),
        (["report"], ["FOLDER"]),
        (["export"], ["FOLDER"]),
        (["check", "a", "b"], ["b"]),
        (["demo", "--into"], ["--into"]),
    ],
)
def test_wrong_words(midwatch: Midwatch, words: list[str], named: list[str]) -> None:
    said = midwatch(*words)
    assert said.code == 2
    for word in named:
        assert word in said.sentence


def test_replay_without_a_place_to_write(midwatch: Midwatch, plan: Path, night: Path) -> None:
    assert "--into" in midwatch("replay", plan, night).sentence


@pytest.mark.parametrize("command", ["report", "export"])
@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--from", "noon"], ["--from", "noon", "2031-05-04T03:00:00Z"]),
        (["--to", "2031-05-04"], ["--to", "2031-05-04"]),
        (["--from", "2031-05-04T03:00:00"], ["--from", "zone"]),
        (["--from", "2031-05-04T03:00:00Z", "--to", "2031-05-04T02:00:00Z"], ["--to", "later"]),
        (["--from", "2031-05-04T03:00:00Z", "--to", "2031-05-04T03:00:00Z"], ["--to", "later"]),
    ],
)
def test_wrong_span(
    midwatch: Midwatch, replayed: Path, command: str, options: list[str], words: list[str]
) -> None:
    said = midwatch(command, replayed, *options)
    assert said.code == 2
    for word in words:
        assert word in said.sentence


REVIEW_MISTAKES = [
    pytest.param(["--port", "x"], ["--port is x", "a number, like 8714"], id="port is no number"),
    pytest.param(["--port", "99999"], ["--port is 99999", "between 0"], id="port beyond"),
    pytest.param(["--address", "ridge"], ["--address is ridge", "IP address"], id="a name for an address"),
    pytest.param(["--address", "0.0.0.0"], ["--address is 0.0.0.0", "set password"], id="no password"),
    pytest.param(["--password-file", "absent"], ["--password-file is absent"], id="no such file"),
    pytest.param(["--password-file", "short.txt"], ["8 to 200 letters, and has 4"], id="short password"),
    pytest.param(["--plan", "absent.toml"], ["absent.toml does not exist"], id="no such plan"),
    pytest.param(["--plan", "short.toml"], ["review: password is not shown here"], id="wrong plan"),
]


@pytest.mark.parametrize(("options", "words"), REVIEW_MISTAKES)
def test_the_review_page_with_a_mistake_is_not_served(
    midwatch: Midwatch, replayed: Path, tmp_path: Path, options: list[str], words: list[str]
) -> None:
    (tmp_path / "short.txt").write_text("hush\n")
    (tmp_path / "short.toml").write_text(f'[review]\npassword = "hush"\n{PLAN}')
    for secret in tmp_path.iterdir():
        secret.chmod(0o600)
    said = midwatch("review", replayed, *options, cwd=tmp_path)
    assert said.code == 2
    for word in words:
        assert word in said.sentence
    assert "hush" not in said.err


def test_a_plan_with_a_password_is_checked_without_showing_it(midwatch: Midwatch, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(f'[review]\npassword = "brass lantern 7"\n{PLAN}')
    path.chmod(0o644)
    said = midwatch("check", path)
    assert said.code == 0
    assert "a password is asked" in said.out
    assert "others can read it; chmod 600" in said.out
    assert "brass" not in said.out
    assert midwatch("check", path, "--strict").code == 2


def test_unknown_form_of_export(midwatch: Midwatch, replayed: Path) -> None:
    said = midwatch("export", replayed, "--as", "pdf")
    assert said.code == 2
    assert "--as is pdf; it must be one of jsonl, csv" in said.sentence
