"""A command starts with what it needs: counted in modules, for a clock would be a test of the machine."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.e2e.conftest import environment

RUN = """
import sys
from watcher.cli import main
try:
    main(sys.argv[1:])
finally:
    print("loaded:", *sorted(sys.modules), file=sys.stderr)
"""


def loaded(checkout: Path, *words: object) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", RUN, *map(str, words)],
        env=environment(checkout),
        cwd=checkout,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return set(done.stderr.partition("loaded:")[2].split())


@pytest.mark.parametrize(
    ("words", "without"),
    [
        (["--version"], {"numpy", "scipy", "sqlalchemy", "pydantic"}),
        (["check", "PLAN"], {"sqlalchemy", "apprise", "starlette", "soundfile"}),
        (["status", "FOLDER"], {"apprise", "starlette", "scipy.stats"}),
        (["export", "FOLDER"], {"apprise", "starlette", "watcher.trial"}),
    ],
    ids=lambda each: each[0] if isinstance(each, list) else "",
)
def test_a_command_loads_its_own_room_alone(
    checkout: Path, plan: Path, tmp_path: Path, words: list[str], without: set[str]
) -> None:
    places = {"PLAN": plan, "FOLDER": tmp_path}
    found = loaded(checkout, *(places.get(word, word) for word in words))
    assert "watcher.cli" in found
    assert not without & found


def test_a_word_that_is_no_command_is_told_with_all_that_are(checkout: Path) -> None:
    assert {"watcher.cli.logs", "watcher.cli.trials", "watcher.cli.standing"} <= loaded(checkout, "reprot")
