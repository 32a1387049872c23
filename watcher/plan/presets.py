"""Watch schedules in common use that a `[[window]]` table can name; they come with the program as a file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from watcher.errors import PlanError
from watcher.plan.model import Window
from watcher.plan.problems import check_table
from watcher.shipped import config_folder

PRESETS_FILE = "watch-presets.toml"


@dataclass(frozen=True, slots=True)
class Preset:
    """One schedule: what it does in words, its window, where it comes from and how sure that is."""

    name: str
    does: str
    window: Window
    source: str
    basis: str


@lru_cache(maxsize=1)
def shipped_presets() -> Mapping[str, Preset]:
    """The presets that come with the program, by name, in the order of their file."""
    return read_presets(config_folder() / PRESETS_FILE)


def read_presets(path: Path) -> Mapping[str, Preset]:
    """The presets of one file.

    Raises
    ------
    PlanError
        A preset has a key that cannot be, or lacks one.
    """
    presets = {}
    for number, table in enumerate(tomllib.loads(path.read_text(encoding="utf-8"))["preset"], 1):
        told = {key: str(table.pop(key, "")) for key in ("name", "does", "source", "basis")}
        trail = f"{path.name}: preset {number}"
        window, problems = check_table(Window, table, trail, "[[preset]]")
        problems += [f"{trail}: {key} is missing; it must be a short text" for key in told if not told[key]]
        if problems or window is None:
            raise PlanError(problems)
        presets[told["name"]] = Preset(told["name"], told["does"], window, told["source"], told["basis"])
    return presets


def with_preset(window: Window, preset: Preset) -> Window:
    """A window that names a preset, with the preset's keys where it has none of its own."""
    keys: dict[str, Any] = {key: getattr(preset.window, key) for key in preset.window.model_fields_set}
    keys |= {key: getattr(window, key) for key in window.model_fields_set}
    return Window.model_validate(keys)
