"""The built package works away from the checkout: everything it needs travels inside it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

from watcher import shipped

SHIPPED_FOLDERS = ("config", "recordings")


def run(*command: str | Path, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """One command with no trace of the checkout in its environment; its output on failure."""
    clean = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    finished = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=clean | environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert finished.returncode == 0, f"{command}\n{finished.stdout}\n{finished.stderr}"
    return finished


@pytest.fixture(scope="module")
def built(checkout: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the source archive, and the wheel built from that archive and not from the checkout."""
    folder = tmp_path_factory.mktemp("built")
    run(sys.executable, "-m", "build", "--no-isolation", "--outdir", folder, checkout, cwd=folder)
    return folder


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment that holds the wheel, and sees the libraries of this one but not the checkout.

    A path file read from another path file is not followed, so this environment's own link to the
    checkout is not seen either.
    """
    folder = tmp_path_factory.mktemp("installed") / "venv"
    venv.create(folder, with_pip=False)
    python = folder / "bin" / "python"
    (wheel,) = built.glob("*.whl")
    pip = [sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check"]
    run(*pip, "install", "--quiet", "--no-deps", "--no-index", wheel, cwd=built)
    (site_packages,) = folder.glob("lib/python*/site-packages")
    (site_packages / "libraries_of_the_tests.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return folder


def test_wheel_holds_the_two_packages_the_shipped_files_and_nothing_else(built: Path, checkout: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    assert {name.split("/")[0].split("-")[0] for name in names} == {"dsp", "watcher", "midwatch"}
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not [name for name in names if name.endswith((".pyc", ".part", ".tmp"))]
    for folder in SHIPPED_FOLDERS:
        tracked = run("git", "ls-files", folder, cwd=checkout).stdout.split() if _has_git(checkout) else []
        missing = {f"watcher/shipped/{name}" for name in tracked} - set(names)
        assert not missing, f"the wheel lacks {sorted(missing)}"


def test_source_archive_can_be_tested_by_who_unpacks_it(built: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as unpacked:
        names = {name.split("/", 1)[1] for name in unpacked.getnames() if "/" in name}
    assert {"Makefile", "LICENSE", "README.md", "DEVELOPERS.md", "tests/conftest.py"} <= names
    assert not {name for name in names if name.startswith((".venv", "build", "demo-watch"))}


def test_installed_package_finds_its_own_files(installed: Path, tmp_path: Path) -> None:
    ask = (
        "import json, dsp, watcher; from watcher import shipped; "
        "print(json.dumps([dsp.__file__, watcher.__file__, str(shipped.config_folder()),"
        " str(shipped.demo_recording()), str(shipped.demo_truth()), str(shipped.demo_plan())]))"
    )
    said = run(installed / "bin" / "python", "-W", "error", "-c", ask, cwd=tmp_path).stdout
    for path in json.loads(said):
        assert Path(path).is_relative_to(installed), f"{path} lies outside the installed package"
        assert Path(path).exists()


def test_checkout_finds_its_own_folders(checkout: Path) -> None:
    assert shipped.config_folder() == checkout / "config"
    assert shipped.recordings_folder() == checkout / "recordings"


def test_damaged_installation_says_which_folder_is_missing(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(shipped, "_HERE", tmp_path / "watcher" / "shipped")
    with pytest.raises(FileNotFoundError, match="the folder 'config' is missing from"):
        shipped.config_folder()


def test_installed_command_tells_its_use(installed: Path, checkout: Path, tmp_path: Path) -> None:
    said = run(installed / "bin" / "midwatch", "--help", cwd=tmp_path).stdout
    assert "demo" in said


@pytest.mark.slow
def test_installed_command_keeps_the_demo_watch(installed: Path, checkout: Path, tmp_path: Path) -> None:
    run(installed / "bin" / "midwatch", "demo", cwd=tmp_path)
    truth = json.loads(shipped.demo_truth().read_text(encoding="utf-8"))["annotations"]
    spoken = [annotation for annotation in truth if annotation["midwatch:kind"] == "transmission"]
    clips = list(tmp_path.rglob("*.flac"))
    assert len(clips) == len(spoken), f"{len(spoken)} transmissions were sent and {len(clips)} clips kept"
    assert list(tmp_path.rglob("*.html")), "the demo watch wrote no report"


def _has_git(checkout: Path) -> bool:
    return shutil.which("git") is not None and (checkout / ".git").exists()
