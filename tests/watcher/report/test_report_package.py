"""The package for an incident lead: whole, checkable, the same each time, and nothing from elsewhere."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import sqlite3
import zipfile
from pathlib import Path

import pytest

from tests.watcher.report.made_records import span
from tests.watcher.report.made_watch import clip_bytes, made_watch, pages
from watcher.errors import StorageError, UsageProblem
from watcher.report.package import CHECKSUMS, INSIDE, write_package


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return made_watch(tmp_path / "watch")


def contents(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        return {name.removeprefix(f"{INSIDE}/"): package.read(name) for name in package.namelist()}


def test_every_file_but_the_list_has_its_checksum(folder: Path, tmp_path: Path) -> None:
    write_package(folder, tmp_path / "p.zip")
    found = contents(tmp_path / "p.zip")
    listed = dict(reversed(line.split("  ", 1)) for line in found[CHECKSUMS].decode().splitlines())
    assert set(listed) == set(found) - {CHECKSUMS}
    for name, digest in listed.items():
        assert hashlib.sha256(found[name]).hexdigest() == digest, name


def test_clips_are_the_files_themselves_and_the_extract_names_them(folder: Path, tmp_path: Path) -> None:
    packed = write_package(folder, tmp_path / "p.zip")
    found = contents(tmp_path / "p.zip")
    assert (packed.entries, packed.clips) == (3, 2)
    assert packed.left_out == ("entry 3: no clip was kept",)
    rows = [json.loads(line) for line in found["log.jsonl"].splitlines()]
    assert [row["entry_id"] for row in rows] == [1, 2, 3]
    for row in rows[:2]:
        assert found[row["clip"]] == clip_bytes(row["entry_id"])
    cells = list(csv.DictReader(io.StringIO(found["log.csv"].decode(), newline="")))
    assert [row["clip"] for row in cells] == [row["clip"] or "" for row in rows]
    assert b"entry 3: no clip was kept" in found["README.txt"]


def test_chosen_entries_alone_are_listed_everywhere(folder: Path, tmp_path: Path) -> None:
    write_package(folder, tmp_path / "p.zip", entries=[2])
    found = contents(tmp_path / "p.zip")
    assert [name for name in found if name.endswith(".flac")] == ["2031-05-04/2.flac"]
    assert [json.loads(line)["entry_id"] for line in found["log.jsonl"].splitlines()] == [2]
    page = found["report.html"].decode()
    assert "./2031-05-04/2.flac" in page
    assert "2031-05-04/1.flac" not in page
    assert "Only chosen transmissions are listed: 1 of the 2 heard in this time." in page
    (text,) = pages(found["communications-log.pdf"])
    assert "entry 2" in text
    assert "entry 1" not in text


def test_one_call_of_an_exchange_brings_no_other_along(tmp_path: Path) -> None:
    folder = made_watch(tmp_path / "watch")
    with sqlite3.connect(folder / "watch-log.sqlite3") as database:
        database.execute(
            'UPDATE "transmission" SET start_utc_ms = start_utc_ms - 1105000, '
            "end_utc_ms = end_utc_ms - 1105000 WHERE entry_id = 2"
        )
    database.close()
    write_package(folder, tmp_path / "p.zip", entries=[2])
    assert "2031-05-04/1.flac" not in contents(tmp_path / "p.zip")["report.html"].decode()


def test_a_span_chooses_too(folder: Path, tmp_path: Path) -> None:
    packed = write_package(folder, tmp_path / "p.zip", span(0, 600))
    assert (packed.entries, packed.clips) == (1, 1)


def test_the_same_choice_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    write_package(folder, tmp_path / "a.zip")
    for clip in folder.rglob("*.flac"):
        os.utime(clip, (0, 0))
    write_package(folder, tmp_path / "b.zip")
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


@pytest.mark.parametrize("stored", ["../secret.flac", "/etc/hostname", "2031-05-04/../../secret.flac"])
def test_a_path_out_of_the_folder_is_never_packed(folder: Path, tmp_path: Path, stored: str) -> None:
    (tmp_path / "secret.flac").write_bytes(b"a secret word")
    with sqlite3.connect(folder / "watch-log.sqlite3") as database:
        database.execute('UPDATE "transmission" SET clip_path = ? WHERE entry_id = 1', (stored,))
    database.close()
    try:
        packed = write_package(folder, tmp_path / "p.zip")
    except StorageError:
        assert not (tmp_path / "p.zip").exists()
        return
    found = contents(tmp_path / "p.zip")
    assert packed.clips == 1
    assert b"a secret word" not in b"".join(found.values())
    assert not any(".." in name or name.startswith("/") for name in found)


def test_a_link_out_of_the_folder_is_never_packed(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"a secret word")
    clip = folder / "2031-05-04" / "1.flac"
    clip.unlink()
    clip.symlink_to(tmp_path / "secret")
    packed = write_package(folder, tmp_path / "p.zip")
    assert packed.left_out[0] == "entry 1: its clip lies outside the folder of the log"
    assert b"a secret word" not in b"".join(contents(tmp_path / "p.zip").values())


def test_a_clip_that_was_changed_is_told(folder: Path, tmp_path: Path) -> None:
    (folder / "2031-05-04" / "1.flac").write_bytes(b"something else")
    write_package(folder, tmp_path / "p.zip")
    readme = contents(tmp_path / "p.zip")["README.txt"].decode()
    assert "entry 1: 2031-05-04/1.flac is not the file that the log closed it as" in readme


def test_a_clip_that_is_gone_is_told(folder: Path, tmp_path: Path) -> None:
    (folder / "2031-05-04" / "1.flac").unlink()
    packed = write_package(folder, tmp_path / "p.zip")
    assert packed.left_out[0] == "entry 1: the clip 2031-05-04/1.flac is not there"


def test_wrong_choices_are_one_sentence_and_leave_nothing(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "p.zip"
    with pytest.raises(UsageProblem, match="entry 9 is not in the log"):
        write_package(folder, target, entries=[9])
    with pytest.raises(UsageProblem, match="entry 2 lies outside"):
        write_package(folder, target, span(0, 600), entries=[2])
    with pytest.raises(UsageProblem, match="nothing was heard"):
        write_package(folder, target, span(3000, 3100))
    with pytest.raises(StorageError, match="cannot be written"):
        write_package(folder, tmp_path / "nowhere" / "p.zip")
    assert [one.name for one in tmp_path.iterdir()] == ["watch"]
