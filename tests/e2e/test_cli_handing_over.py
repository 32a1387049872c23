"""Handing on what was heard, as a user does it."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from tests.e2e.conftest import CALLS, PLAN, Midwatch


def test_papers_and_package_are_written(midwatch: Midwatch, replayed: Path, tmp_path: Path) -> None:
    for arguments in (
        ("export", replayed, "--as", "ics309", "--into", tmp_path / "log.pdf", "--incident", "Saddle"),
        ("relay", replayed, "1", "--who", "a walker", "--into", tmp_path / "relay.pdf"),
        ("message", "--into", tmp_path / "message.pdf", "--text", "All well."),
    ):
        said = midwatch(*arguments)
        assert (said.code, said.out, said.err) == (0, "", "")
    for name in ("log.pdf", "relay.pdf", "message.pdf"):
        assert (tmp_path / name).read_bytes().startswith(b"%PDF-")
    said = midwatch("package", replayed, "--into", tmp_path / "p.zip", "--entry", "1")
    assert (said.code, said.err) == (0, "")
    assert len([one for one in zipfile.ZipFile(tmp_path / "p.zip").namelist() if one.endswith(".flac")]) == 1


def test_without_a_file_the_log_and_the_draft_are_printed(midwatch: Midwatch, replayed: Path) -> None:
    said = midwatch("export", replayed, "--as", "ics309")
    lines = [line for line in said.out.splitlines()[1:] if "Not watched" not in line]
    assert (said.code, len(lines)) == (0, len(CALLS))
    said = midwatch("relay", replayed, "1", "--need", "a boat")
    assert said.code == 0
    assert "What help is needed: a boat." in said.out


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("export", "FOLDER", "--as", "ics309", "--into", "a.txt"), "must end in .pdf or .csv"),
        (("export", "FOLDER", "--as", "csv", "--incident", "x"), "--incident is for --as ics309"),
        (("export", "FOLDER", "--as", "ics309", "--order", "hear-first"), "always in order of start"),
        (("relay", "FOLDER", "first"), "ENTRY is first"),
        (("relay", "FOLDER", "999"), "entry 999 is not in the log"),
        (("message", "--into", "a.doc"), "must end in .pdf"),
        (("message", "--into", "a.pdf", "--at", "noon"), "--at is noon"),
        (("package", "FOLDER", "--into", "a.tar"), "must end in .zip"),
        (("package", "FOLDER", "--into", "a.zip", "--entry", "0"), "--entry is 0"),
        (("report", "FOLDER", "--by", "year"), "--by is year"),
        (("report", "FOLDER", "--into", "a.txt"), "must end in .csv or .pdf"),
    ],
)
def test_wrong_input_is_one_sentence(
    midwatch: Midwatch, replayed: Path, arguments: tuple[str, ...], sentence: str
) -> None:
    said = midwatch(*(replayed if word == "FOLDER" else word for word in arguments))
    assert sentence in said.sentence


def test_the_password_of_the_plan_stands_in_the_plan_alone(
    midwatch: Midwatch, night: Path, tmp_path: Path
) -> None:
    secret = "brass lantern 7"
    plan, folder = tmp_path / "plan.toml", tmp_path / "log"
    plan.write_text(f'{PLAN}\n[review]\npassword = "{secret}"   # {secret}\n')
    plan.chmod(0o600)
    told = [midwatch("replay", plan, night, "--into", folder), midwatch("report", folder)]
    told.append(midwatch("package", folder, "--into", tmp_path / "p.zip"))
    told += [midwatch("export", folder, "--as", form) for form in ("jsonl", "csv", "ics309")]
    told.append(midwatch("status", folder))
    assert not any(secret in said.out + said.err for said in told)
    with zipfile.ZipFile(tmp_path / "p.zip") as packed:
        packed.extractall(tmp_path / "unpacked")
    made = [one for place in (folder, tmp_path / "unpacked") for one in place.rglob("*") if one.is_file()]
    assert {"watch-log.sqlite3", "report.html", "log.jsonl"} <= {one.name for one in made}
    assert not [one.name for one in made if secret.encode() in one.read_bytes()]
    # The station of the masked plan is still read for the form.
    assert "Corrin lookout" in told[5].out
    # Taking channels over changes the plan and leaves its password.
    rows = tmp_path / "rows.csv"
    rows.write_text("name,frequency_mhz,mode,bandwidth_khz\nanother,147.1,nfm,12.5\n")
    assert midwatch("import-channels", rows, "--into", plan).code == 0
    assert f'password = "{secret}"' in plan.read_text()
    assert plan.stat().st_mode & 0o077 == 0
    assert "another" in plan.read_text()
