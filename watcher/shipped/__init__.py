"""What comes with the program: its name and version, and where lists, example plans and demo recording lie.

A built package carries them beside this module; in a checkout they stay in the checkout's own
folders, so that a changed list is used at once. This room only names paths; it opens nothing.
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

_HERE = Path(__file__).resolve().parent
_DEMO_NAME = "tamber-valley-night"


def program() -> str:
    """Name and version, as clips and the log carry them."""
    try:
        return f"midwatch {version('midwatch')}"
    except PackageNotFoundError:
        return "midwatch"


def config_folder() -> Path:
    """The folder of the shipped channel lists and example watch plans.

    Raises
    ------
    FileNotFoundError
        Neither the package nor a checkout around it has the folder: the installation is damaged.
    """
    return _shipped_folder("config")


def recordings_folder() -> Path:
    """The folder of the demo recording, its truth, its watch plan and the text about them.

    Raises
    ------
    FileNotFoundError
        As for :func:`config_folder`.
    """
    return _shipped_folder("recordings")


def demo_recording() -> Path:
    """The demo recording's SigMF metadata file; the samples lie beside it."""
    return recordings_folder() / f"{_DEMO_NAME}.sigmf-meta"


def demo_truth() -> Path:
    """What was really sent in the demo recording, as SigMF annotations in a file of its own."""
    return recordings_folder() / f"{_DEMO_NAME}.truth.sigmf-meta"


def demo_plan() -> Path:
    """The watch plan with which the demo recording is replayed."""
    return recordings_folder() / "demo-plan.toml"


def _shipped_folder(name: str) -> Path:
    """One shipped folder: the package's own copy, or else the checkout's."""
    packaged = _HERE / name
    in_checkout = _HERE.parents[1] / name
    for folder in (packaged, in_checkout):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"the folder {name!r} is missing from {_HERE}; install the program again")
