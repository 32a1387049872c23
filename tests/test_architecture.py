"""The house keeps its shape: arrows, file lengths, doors for printing and for the clock."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

LONGEST_FILE_LINES = 400
CODE_FOLDERS = ("dsp", "watcher", "tests", "recordings")
DSP_MAY_IMPORT = {"dsp", "numpy", "scipy"}

# What makes a module impure: files, clocks, threads, logs, processes (house rule: numbers in, numbers out).
DSP_MAY_NOT_IMPORT = {
    *("asyncio", "datetime", "io", "logging", "multiprocessing", "os", "pathlib", "random"),
    *("shutil", "socket", "subprocess", "sys", "tempfile", "threading", "time"),
}
CLOCK_READERS = {"now", "utcnow", "today", "time", "time_ns"}
CLOCK_OWNERS = {"datetime", "date", "time"}


def sources(checkout: Path, *folders: str) -> list[Path]:
    """Every Python file under the named folders."""
    return sorted(path for folder in folders for path in (checkout / folder).rglob("*.py"))


def imported_packages(tree: ast.Module) -> Iterator[str]:
    """The first part of every imported name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name.split(".")[0] for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield (node.module or "").split(".")[0]


def dsp_import_faults(source: str) -> set[str]:
    """The imports that a module of `dsp` must not have."""
    imported = set(imported_packages(ast.parse(source)))
    foreign = imported - DSP_MAY_IMPORT - set(sys.stdlib_module_names)
    return foreign | (imported & DSP_MAY_NOT_IMPORT)


def calls(source: str) -> Iterator[tuple[str, str]]:
    """(owner, name) of every call written as `name(...)` or `owner.name(...)`."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name):
            yield "", node.func.id
        elif isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name | ast.Attribute):
            owner = node.func.value
            yield (owner.id if isinstance(owner, ast.Name) else owner.attr), node.func.attr


def reads_the_system_clock(source: str) -> bool:
    """Whether a module asks the machine what time it is; monotonic time is free to all of `watcher`."""
    return any(owner in CLOCK_OWNERS and name in CLOCK_READERS for owner, name in calls(source))


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    """The import contracts of pyproject.toml, checked on the packages in `folder`."""
    return subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()", "--no-cache"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


def test_import_contracts_hold(checkout: Path) -> None:
    finished = lint_imports(checkout)
    assert finished.returncode == 0, finished.stdout + finished.stderr


@pytest.mark.parametrize(
    ("module", "forbidden_import"),
    [
        ("dsp/blocks.py", "import watcher.utc"),
        ("watcher/log/__init__.py", "import watcher.report"),
        ("watcher/watch/__init__.py", "import watcher.trial"),
        ("watcher/report/__init__.py", "import watcher.review"),
    ],
)
def test_import_contracts_notice_an_arrow_the_wrong_way(
    checkout: Path, tmp_path: Path, module: str, forbidden_import: str
) -> None:
    for name in ("dsp", "watcher"):
        shutil.copytree(checkout / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(checkout / "pyproject.toml", tmp_path)
    with (tmp_path / module).open("a") as broken:
        broken.write(f"\n{forbidden_import}\n")
    finished = lint_imports(tmp_path)
    assert finished.returncode == 1, finished.stdout + finished.stderr
    assert "BROKEN" in finished.stdout


def test_dsp_imports_only_numbers(checkout: Path) -> None:
    faults = {path.name: dsp_import_faults(path.read_text()) for path in sources(checkout, "dsp")}
    assert not {name: fault for name, fault in faults.items() if fault}


@pytest.mark.parametrize("line", ["import soundfile", "from time import monotonic", "import os.path"])
def test_dsp_import_check_notices(line: str) -> None:
    assert dsp_import_faults(line)


distributions_of_packages = cache(packages_distributions)  # asks every installed library: once is enough


def undeclared_imports(source: str, pyproject: str) -> set[str]:
    """Third-party packages that a module imports and that no dependency of ours brings by its own name."""
    project = tomllib.loads(pyproject)["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *(line for name in extras if name != "test" for line in extras[name])]
    declared = {_plain(re.split(r"[^\w.-]", line)[0]) for line in wanted}
    foreign = set(imported_packages(ast.parse(source))) - set(sys.stdlib_module_names) - {"dsp", "watcher"}
    brought_by = distributions_of_packages()
    return {name for name in foreign if not declared & {_plain(who) for who in brought_by.get(name, [name])}}


def test_every_imported_library_is_a_declared_dependency(checkout: Path) -> None:
    """What only the test tools happen to bring is missing on the user's machine."""
    pyproject = (checkout / "pyproject.toml").read_text()
    undeclared = {
        str(path.relative_to(checkout)): undeclared_imports(path.read_text(), pyproject)
        for path in sources(checkout, "dsp", "watcher")
    }
    assert not {name: libraries for name, libraries in undeclared.items() if libraries}


def test_declared_dependency_check_notices(checkout: Path) -> None:
    pyproject = (checkout / "pyproject.toml").read_text()
    assert undeclared_imports("import grimp, numpy", pyproject) == {"grimp"}  # the test tools bring it
    assert undeclared_imports("import contourpy", pyproject) == {"contourpy"}  # another dependency brings it


def test_files_stay_short(checkout: Path) -> None:
    lengths = {
        str(path.relative_to(checkout)): len(path.read_text().splitlines())
        for path in sources(checkout, *CODE_FOLDERS)
    }
    assert not {name: lines for name, lines in lengths.items() if lines > LONGEST_FILE_LINES}


def test_only_the_command_line_prints(checkout: Path) -> None:
    printing = {
        str(path.relative_to(checkout))
        for path in sources(checkout, "dsp", "watcher")
        if any(call == ("", "print") for call in calls(path.read_text()))
    }
    assert not {name for name in printing if not name.startswith("watcher/cli/")}


def test_only_watch_and_radio_read_the_system_clock(checkout: Path) -> None:
    doors = (checkout / "watcher" / "watch", checkout / "watcher" / "radio")
    reading = {
        str(path.relative_to(checkout))
        for path in sources(checkout, "dsp", "watcher")
        if not any(path.is_relative_to(door) for door in doors) and reads_the_system_clock(path.read_text())
    }
    assert not reading


@pytest.mark.parametrize("line", ["datetime.now(UTC)", "datetime.datetime.utcnow()", "time.time()"])
def test_clock_check_notices(line: str) -> None:
    assert reads_the_system_clock(line)


def test_nothing_points_outside_the_project(checkout: Path) -> None:
    """No path of one machine, no folder beside the checkout, no mail address, in any text of ours."""
    outside = re.compile(r"\.\./shar[e]d|(?<![\w./])/(?:home|root|wor[k]|tmp)/\w|[\w.]+@[\w]+\.[a-z]{2,}")
    found = []
    for path in _texts(checkout):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if outside.search(line):
                found.append(f"{path.relative_to(checkout)}:{number}: {line.strip()}")
    assert not found, "\n".join(found)


def _plain(name: str) -> str:
    """A package's name as the index compares it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _texts(checkout: Path) -> list[Path]:
    """The project's own texts: code, pages, lists; not what was built or installed."""
    built = {".git", ".venv", ".hypothesis", "build", "dist", "demo-watch"}
    kinds = {".py", ".md", ".toml", ".csv", ".j2", ".html", ".css", ".js", ".sigmf-meta", ""}
    found = []
    for path in checkout.rglob("*"):
        inside = path.relative_to(checkout)
        cached = any(part in built or part.endswith(("cache", ".egg-info")) for part in inside.parts)
        if path.is_file() and not cached and path.suffix in kinds:
            found.append(path)
    return found
