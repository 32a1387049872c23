"""Every command does its job, from the first word to the last file."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest
import soundfile

from tests.e2e.conftest import CALLS, NIGHT_S, Midwatch, environment
from tests.on_the_air import BEGAN_UTC, CENTRE_HZ
from watcher import shipped
from watcher.log.facts import WatchEndedBy
from watcher.log.reading import transmissions, watches
from watcher.log.writing import WatchLog
from watcher.radio.sigmf_annotations import read_annotations


def exported(midwatch: Midwatch, folder: Path, *options: str) -> list[dict[str, object]]:
    said = midwatch("export", folder, *options)
    assert (said.code, said.err) == (0, "")
    return [json.loads(line) for line in said.out.splitlines()]


def seconds(text: object) -> float:
    return (datetime.fromisoformat(str(text)) - BEGAN_UTC).total_seconds()


# --- replay -------------------------------------------------------------------------------------------


def test_replay_says_what_was_heard_and_where_it_lies(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path
) -> None:
    said = midwatch("replay", plan, night, "--into", "out", cwd=tmp_path)
    assert said.code == 0
    assert "Traceback" not in said.err
    assert "high, the loud one" in said.out
    assert "100.0 Hz" in said.out
    clips, report = said.out.splitlines()[-2:]
    assert clips == "clips  out/YYYY-MM-DD/*.flac"
    assert report == "report out/report.html"
    assert (tmp_path / "out" / "report.html").stat().st_size > 1000
    assert len(list((tmp_path / "out").glob("2031-05-04/*.flac"))) == len(CALLS)


def test_replay_hears_the_calls_that_were_made(midwatch: Midwatch, replayed: Path) -> None:
    rows = exported(midwatch, replayed)
    assert len(rows) == len(CALLS)
    for row, (channel, start, stop, tone_hz) in zip(rows, CALLS, strict=True):
        assert row["channel"] == channel.name
        assert seconds(row["start_utc"]) == pytest.approx(start, abs=0.015)
        assert seconds(row["end_utc"]) == pytest.approx(min(stop, NIGHT_S), abs=0.015)
        assert row["ctcss_hz"] == tone_hz


def test_quiet_says_nothing_and_does_everything(midwatch: Midwatch, replayed: Path, plan: Path) -> None:
    """`replayed` came of a quiet replay; the other commands keep quiet too."""
    assert (replayed / "report.html").exists()
    for words in (("report", replayed), ("check", plan)):
        said = midwatch(*words, "--quiet")
        assert (said.code, said.out, said.err) == (0, "", "")


def test_replay_takes_bare_samples_with_their_facts(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path
) -> None:
    bare = tmp_path / "night.cs16"
    bare.write_bytes(night.with_suffix(".sigmf-data").read_bytes())
    facts = ("--rate-hz", 48_000, "--centre-mhz", CENTRE_HZ / 1e6, "--start", "2031-05-04T03:00:00Z")
    said = midwatch("replay", plan, bare, *facts, "--into", tmp_path / "out", "--quiet")
    assert (said.code, said.err) == (0, "")
    assert len(exported(midwatch, tmp_path / "out")) == len(CALLS)


def test_recording_without_a_time_is_told_as_such(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path
) -> None:
    bare = tmp_path / "night.iq"
    bare.write_bytes(night.with_suffix(".sigmf-data").read_bytes())
    facts = ("--rate-hz", 48_000, "--centre-mhz", CENTRE_HZ / 1e6, "--datatype", "ci16_le")
    said = midwatch("replay", plan, bare, *facts, "--into", tmp_path / "out")
    assert said.code == 0
    assert re.search(r"^note: .*night\.iq: does not say when it began", said.err, re.MULTILINE)
    assert "assumed, not known" in " ".join(said.out.split())


def test_wav_with_two_tracks_is_a_recording(
    midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path
) -> None:
    wav = tmp_path / "night.wav"
    with soundfile.SoundFile(wav, "w", 48_000, 2, "PCM_16") as file:
        file.buffer_write(night.with_suffix(".sigmf-data").read_bytes(), "int16")
    facts = ("--centre-mhz", CENTRE_HZ / 1e6, "--start", "2031-05-04T03:00:00Z")
    said = midwatch("replay", plan, wav, *facts, "--into", tmp_path / "out", "--quiet")
    assert (said.code, said.err) == (0, "")
    assert len(exported(midwatch, tmp_path / "out")) == len(CALLS)


def test_channels_outside_may_be_allowed(midwatch: Midwatch, plan: Path, night: Path, tmp_path: Path) -> None:
    wider = tmp_path / "plan.toml"
    wider.write_text(
        plan.read_text()
        + '[[channel]]\nname = "far"\nfrequency_mhz = 146.9\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    )
    said = midwatch("replay", wider, night, "--into", tmp_path / "out", "--allow-outside")
    assert said.code == 0
    assert "3 channels were watched for 0 s to 5 s" in said.out
    assert "far" in (tmp_path / "out" / "report.html").read_text()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signal_ends_a_replay_in_good_order(
    checkout: Path, plan: Path, night: Path, tmp_path: Path, number: signal.Signals
) -> None:
    """A long recording (the night a hundred times over) is stopped once clips have begun to grow."""
    long = tmp_path / "long.cs16"
    long.write_bytes(night.with_suffix(".sigmf-data").read_bytes() * 100)
    folder = tmp_path / "out"
    facts = ["--rate-hz", "48000", "--centre-mhz", str(CENTRE_HZ / 1e6), "--start", "2031-05-04T03:00:00Z"]
    command = [
        sys.executable,
        "-m",
        "watcher.cli",
        "replay",
        str(plan),
        str(long),
        *facts,
        "--into",
        str(folder),
    ]
    with subprocess.Popen(
        command, env=environment(checkout), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        waited = time.monotonic()
        while not list(folder.glob("*/*.flac")) and time.monotonic() - waited < 60:
            time.sleep(0.01)
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
    assert "Traceback" not in err
    assert "Stopped before the end" in out
    assert [path.name for path in (folder / "unfinished").iterdir()] == ["lock"]
    with WatchLog.open_to_read(folder) as log:
        (watch,) = watches(log)
        rows = list(transmissions(log))
    assert watch.ended_by == WatchEndedBy.STOPPED
    assert watch.samples_read is not None
    assert 0 < watch.samples_read < 100 * 48_000 * NIGHT_S
    assert len(rows) == len(list(folder.glob("*/*.flac"))) > 0


# --- report -------------------------------------------------------------------------------------------


def test_report_prints_and_writes_one_page_that_needs_no_network(midwatch: Midwatch, replayed: Path) -> None:
    said = midwatch("report", replayed)
    assert (said.code, said.err) == (0, "")
    assert "Corrin lookout" in said.out
    assert said.out.splitlines()[-1] == f"report {replayed}/report.html"
    page = (replayed / "report.html").read_text()
    assert "high, the loud one" in page
    assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", page)


def test_report_of_a_span_counts_only_that(midwatch: Midwatch, replayed: Path, later: str) -> None:
    for stop, count in (("2031-05-04T03:00:00.500Z", 0), ("2031-05-04T03:00:00.900Z", 1), (later, 2)):
        said = midwatch("report", replayed, "--from", "2031-05-04T03:00:00Z", "--to", stop)
        assert (said.code, said.err) == (0, "")
        if count:
            assert re.search(rf"^{count} transmissions? in ", said.out, re.MULTILINE), said.out
        else:
            assert not re.search(r"^[1-9]\d* transmissions? in ", said.out, re.MULTILINE), said.out


@pytest.mark.parametrize("option", ["--from", "--to"])
def test_report_of_a_span_with_an_open_end(
    midwatch: Midwatch, replayed: Path, later: str, option: str
) -> None:
    said = midwatch("report", replayed, option, later)
    assert (said.code, said.err) == (0, "")
    assert "2031" in said.out


# --- export -------------------------------------------------------------------------------------------


def test_export_as_csv_says_what_jsonl_says(midwatch: Midwatch, replayed: Path) -> None:
    rows = exported(midwatch, replayed)
    said = midwatch("export", replayed, "--as", "csv")
    assert (said.code, said.err) == (0, "")
    table = list(csv.DictReader(io.StringIO(said.out)))
    assert len(table) == len(rows)
    for cells, row in zip(table, rows, strict=True):
        assert set(cells) == set(row)
        for key, value in row.items():
            if value is None or value == []:
                assert cells[key] == ""
            elif isinstance(value, bool):
                assert cells[key] == str(value).lower()
            elif isinstance(value, float):
                assert float(cells[key]) == value
            elif isinstance(value, list):
                assert cells[key] == ";".join(value)
            else:
                assert cells[key].removeprefix("'") == str(value)


@pytest.mark.parametrize("form", ["jsonl", "csv"])
def test_export_into_a_file_is_what_goes_to_the_screen(
    midwatch: Midwatch, replayed: Path, tmp_path: Path, form: str
) -> None:
    shown = midwatch("export", replayed, "--as", form)
    said = midwatch("export", replayed, "--as", form, "--into", tmp_path / "out")
    assert (said.code, said.out, said.err) == (0, "", "")
    assert (tmp_path / "out").read_bytes().replace(b"\r\n", b"\n") == shown.out.encode()
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_export_of_a_span_with_open_ends(midwatch: Midwatch, replayed: Path, later: str) -> None:
    """A record belongs to a span when it shares time with it: the call across the instant is in both."""
    before, after = exported(midwatch, replayed, "--to", later), exported(midwatch, replayed, "--from", later)
    assert len(before) == 2
    assert len(after) == 3


# --- check, help, version -----------------------------------------------------------------------------


def test_check_says_how_the_plan_was_understood(midwatch: Midwatch, plan: Path) -> None:
    said = midwatch("check", plan)
    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines()[-1] == f"{plan}: the plan is sound, 2 channels."
    assert "146.5075" in said.out
    assert "America/Boise" in said.out


def test_check_of_the_shipped_plans(midwatch: Midwatch) -> None:
    for path in (shipped.demo_plan(), *shipped.config_folder().glob("*plan.toml")):
        assert midwatch("check", path).code == 0, path


def test_help_names_every_command_and_version_is_one_line(midwatch: Midwatch) -> None:
    said = midwatch("--help")
    assert said.code == 0
    for command in ("replay", "report", "export", "check", "demo"):
        assert re.search(rf"^  {command} ", said.out, re.MULTILINE)
        assert midwatch(command, "--help").code == 0
    version = midwatch("--version")
    assert version.code == 0
    assert re.fullmatch(r"midwatch( \d+\.\d+.*)?\n", version.out)


def test_no_command_shows_the_help(midwatch: Midwatch) -> None:
    said = midwatch()
    assert "Usage" in said.out + said.err
    assert "Traceback" not in said.err


# --- a reader that goes away --------------------------------------------------------------------------


def test_reader_that_goes_away_is_no_error(checkout: Path, replayed: Path, tmp_path: Path) -> None:
    """As `| head -1` does: the pipe has no reader any more when the program writes."""
    reading, writing = os.pipe()
    os.close(reading)
    with (tmp_path / "err").open("w+") as err:
        done = subprocess.run(
            [sys.executable, "-m", "watcher.cli", "report", str(replayed)],
            env=environment(checkout),
            stdout=writing,
            stderr=err,
            timeout=60,
            check=False,
        )
        os.close(writing)
        err.seek(0)
        assert err.read() == ""
    assert done.returncode in (0, 1, 141)  # 141 is what the shell makes of SIGPIPE


def test_first_line_of_an_export_in_a_careful_shell(checkout: Path, replayed: Path) -> None:
    line = f'set -o pipefail; "{sys.executable}" -m watcher.cli export "{replayed}" | head -1'
    done = subprocess.run(
        ["bash", "-c", line],
        env=environment(checkout),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stderr == ""
    assert done.returncode == 0
    assert json.loads(done.stdout)["channel"] == "low"


# --- demo ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(midwatch: Midwatch, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """What the demo prints, and its folder; started from nothing, as a user does."""
    folder = tmp_path_factory.mktemp("demo")
    said = midwatch.afresh("demo", cwd=folder)
    assert said.code == 0, said.err
    assert said.err == ""
    return said.out, folder / "demo-watch"


def test_demo_hears_what_the_truth_says_and_nothing_else(midwatch: Midwatch, demo: tuple[str, Path]) -> None:
    _, folder = demo
    meta = json.loads(shipped.demo_recording().read_text())
    begun = [datetime.fromisoformat(capture["core:datetime"]) for capture in meta["captures"]]
    rate_hz = meta["global"]["core:sample_rate"]
    truth = sorted(
        (one for one in read_annotations(shipped.demo_truth()) if one.facts["kind"] == "transmission"),
        key=lambda one: (begun[one.stretch], one.first_sample),
    )
    rows = exported(midwatch, folder)
    assert len(rows) == len(truth)
    for row, sent in zip(rows, truth, strict=True):
        assert row["channel"] == sent.label
        assert sent.samples is not None
        for key, sample in (("start_utc", sent.first_sample), ("end_utc", sent.first_sample + sent.samples)):
            true_s = (begun[sent.stretch] - BEGAN_UTC).total_seconds() + sample / rate_hz
            assert seconds(row[key]) == pytest.approx(true_s, abs=0.02), (sent.label, key)
        assert row["ctcss_hz"] == sent.facts["ctcss_hz"], sent.label
        assert row["snr_db"] == pytest.approx(sent.facts["snr_db"], abs=0.5)
        assert row["frequency_error_hz"] == pytest.approx(sent.facts["frequency_error_hz"], abs=60.0)
        assert row["on_at_start"] == sent.facts["on_at_start"]


def test_demo_prints_what_was_heard_and_names_the_birdie(demo: tuple[str, Path]) -> None:
    out, folder = demo
    assert "2 m calling" in out
    assert "steady carrier" in out
    assert "Hikers" in out
    assert out.splitlines()[-1] == "report demo-watch/report.html"
    assert len(list(folder.glob("*/*.flac"))) == 7


def test_demo_again_goes_on_in_the_same_folder(midwatch: Midwatch, demo: tuple[str, Path]) -> None:
    """Last of this file's tests of the demo: it changes the folder."""
    _, folder = demo
    said = midwatch("demo", "--into", folder)
    assert said.code == 0
    assert len(list(folder.glob("*/*.flac"))) == 14
