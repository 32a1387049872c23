"""Plan files that cannot be read at all: missing, too large, not text, not TOML."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import read_plan

CHANNEL = """
[[channel]]
name = "2 m calling"
frequency_mhz = 146.520
mode = "nfm"
bandwidth_khz = 12.5
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems_of(path: Path) -> list[str]:
    with pytest.raises(PlanError) as refused:
        read_plan(path)
    return refused.value.problems


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CHANNEL.encode())
    assert read_plan(path).channels[0].frequency_hz == 146_520_000


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[station]\nname = \n", "line 2, column 8: not valid TOML: invalid value"),
        ("[station\n", "line 1, column 9: not valid TOML: expected ']' at the end of a table declaration"),
        ("a = 1\na = 2\n", "line 2, column 6: not valid TOML: cannot overwrite a value"),
        ("a = 1e9999999999999999999999\n", "some number: not valid TOML: too long to be read"),
        (f"a = {'9' * 5000}\n", "some number: not valid TOML: too long to be read"),
        (f"a = {'[' * 100_000}", "lists lie too deep in one another; a watch plan needs none"),
    ],
)
def test_what_is_not_toml_is_told_with_its_line(tmp_path: Path, text: str, sentence: str) -> None:
    assert problems_of(written(tmp_path, text)) == [f"plan.toml: {sentence}"]


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    assert problems_of(path) == [f"{path} does not exist; give the TOML file of a watch plan"]


def test_a_folder_is_told(tmp_path: Path) -> None:
    assert problems_of(tmp_path) == [f"{tmp_path} is a folder; give the TOML file of a watch plan"]


def test_a_file_that_cannot_be_opened_is_told(tmp_path: Path) -> None:
    path = written(tmp_path, CHANNEL)
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("whoever runs this may read every file")
    assert problems_of(path) == [f"{path} cannot be read (Permission denied); give a watch plan that can"]


def test_a_path_no_file_can_have_is_told(tmp_path: Path) -> None:
    name = "n" * 300
    with pytest.raises(PlanError, match=r"cannot be read \(File name too long\); give a watch plan that can"):
        read_plan(tmp_path / name)


def test_other_bytes_than_utf_8_are_told_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b'[station]\nname = "\xe9"\n')
    assert problems_of(path) == [
        "plan.toml: line 2 holds bytes that are not UTF-8; save the plan as UTF-8 text"
    ]


def test_a_recording_given_as_the_plan_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "recording.cu8"
    with path.open("wb") as file:
        file.truncate(10**11)  # sparse: reading it whole would fail
    assert problems_of(path) == [
        f"{path} is larger than 1 MB; a watch plan is a short TOML file, not a recording"
    ]


def test_the_error_has_the_exit_code_of_plans(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as refused:
        read_plan(written(tmp_path, ""))
    assert refused.value.exit_code == 2
    assert str(refused.value) == "\n".join(refused.value.problems)
