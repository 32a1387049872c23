"""The door of scene files: TOML in, a checked scene out, or every problem at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from dsp.modulate import Birdie, FrontEnd, Impulses, NoiseRise
from watcher.errors import PlanError
from watcher.plan.problems import check_table, nearest_key, write_value
from watcher.trial.scene_audio import audio_problem
from watcher.trial.scene_tables import (
    BirdieTable,
    FrontEndTable,
    ImpulsesTable,
    NoiseRiseTable,
    SceneTable,
    TransmissionTable,
)

LARGEST_BYTES = 1_000_000
MOST_TRANSMISSIONS = 200_000  # key-downs of one scene, repetitions counted

_LISTS: dict[str, type[BaseModel]] = {
    "transmission": TransmissionTable,
    "noise_rise": NoiseRiseTable,
    "impulses": ImpulsesTable,
    "birdie": BirdieTable,
}
_SINGLE: dict[str, type[BaseModel]] = {"scene": SceneTable, "front_end": FrontEndTable}

Table = TypeVar("Table", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class SceneFile:
    """A scene as it was written; `folder` is where its audio files lie."""

    folder: Path
    scene: SceneTable
    transmissions: tuple[TransmissionTable, ...]
    rises: tuple[NoiseRise, ...]
    impulses: tuple[Impulses, ...]
    front_end: FrontEnd | None


def read_scene(path: Path) -> SceneFile:
    """The scene of one TOML file, checked.

    Raises
    ------
    PlanError
        It cannot be read, is not TOML, or says something that cannot be right; `problems` hold every problem,
        one sentence each, with file, table, key, value and what would be right.
    """
    return scene_from_text(_text_of(path), path)


def scene_from_text(text: str, path: Path) -> SceneFile:
    """The same for a text already read; `path` names it in the problems."""
    file = path.name
    tables = _parse(text, file)
    problems = [f"{file}: {told}" for name, value in tables.items() if (told := _wrong_heading(name, value))]
    scene, found = _single(SceneTable, "scene", tables, file)
    problems += found
    if "scene" not in tables:
        problems.append(f"{file}: there is no [scene] table; it must have one")
    transmissions, found = _listed(TransmissionTable, "transmission", tables, file)
    problems += found
    rises, found = _listed(NoiseRiseTable, "noise_rise", tables, file)
    problems += found
    impulses, found = _listed(ImpulsesTable, "impulses", tables, file)
    problems += found
    birdies, found = _listed(BirdieTable, "birdie", tables, file)
    problems += found
    faults, found = _single(FrontEndTable, "front_end", tables, file)
    problems += found
    for number, each in enumerate(transmissions, 1):
        problems += _contradictions(scene, each, path.parent, f"{file}: transmission {number}")
    for number, rise in enumerate(rises, 1):
        if rise.stop_s <= rise.start_s:
            problems.append(
                f"{file}: noise_rise {number}: stop_s is {rise.stop_s:g}; it must be after start_s"
            )
    if problems or scene is None:
        raise PlanError(problems)
    total = sum(repetitions(each, scene.seconds) for each in transmissions)
    if total > MOST_TRANSMISSIONS:
        raise PlanError(f"{file}: has {total} key-downs; at most {MOST_TRANSMISSIONS} are built")
    return SceneFile(
        path.parent,
        scene,
        tuple(transmissions),
        tuple(NoiseRise(start_s=r.start_s, stop_s=r.stop_s, rise_db=r.rise_db) for r in rises),
        tuple(Impulses(**each.model_dump()) for each in impulses),
        _front_end(scene, faults if "front_end" in tables else None, birdies),
    )


def repetitions(table: TransmissionTable, scene_s: float) -> int:
    """How many key-downs one table stands for: to the end of the scene where it does not say."""
    if table.repeat_every_s is None:
        return 1
    most = max(1, int((scene_s - table.start_s) / table.repeat_every_s) + 1)
    return most if table.repeats is None else min(table.repeats, most)


def _contradictions(scene: SceneTable | None, each: TransmissionTable, folder: Path, trail: str) -> list[str]:
    found = []
    if scene is not None:
        half_hz = scene.sample_rate_hz / 2
        offset_hz = each.frequency_hz + each.frequency_error_hz - scene.centre_hz
        if abs(offset_hz) > half_hz:
            found.append(
                f"{trail}: frequency_mhz is {each.frequency_mhz}; it must lie within {half_hz / 1e6:g} MHz "
                f"of the scene's centre, {scene.centre_mhz}"
            )
    if each.repeats is not None and each.repeat_every_s is None:
        found.append(f"{trail}: repeats is {each.repeats}; it must stand beside repeat_every_s")
    under = [name for name in ("tone_hz", "code") if getattr(each, name) is not None]
    if len(under) == 2:
        found.append(f"{trail}: has both tone_hz and code; a transmission sends one of them")
    if under and each.mode not in ("nfm", "fm"):
        found.append(f'{trail}: {under[0]} stands beside mode "{each.mode}"; it must be "nfm" or "fm"')
    problem = audio_problem(each, folder)
    if problem:
        found.append(f"{trail}: {problem}")
    return found


def _front_end(
    scene: SceneTable, faults: FrontEndTable | None, birdies: list[BirdieTable]
) -> FrontEnd | None:
    if faults is None and not birdies:
        return None
    lines = tuple(
        Birdie(
            offset_hz=float(each.frequency_mhz) * 1e6 - scene.centre_hz,
            power_dbfs=each.power_dbfs,
            drift_hz_per_s=each.drift_hz_per_s,
        )
        for each in birdies
    )
    return FrontEnd(**({} if faults is None else faults.model_dump()), birdies=lines)


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or str(failure)
        raise PlanError(f"{path} cannot be read ({reason}); give the TOML file of a scene") from failure
    if len(content) > LARGEST_BYTES:
        raise PlanError(f"{path} is larger than 1 MB; a scene is a short TOML file")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        raise PlanError(f"{path.name} holds bytes that are not UTF-8; save the scene as UTF-8") from failure


def _parse(text: str, file: str) -> dict[str, object]:
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except RecursionError as failure:
        raise PlanError(f"{file}: lists lie too deep in one another; a scene needs none") from failure
    except (ValueError, ArithmeticError) as failure:
        found = re.fullmatch(r"(?P<what>.*?) \(at (?P<where>.*)\)", str(failure), flags=re.DOTALL)
        where = found["where"] if found else "some number"
        what = " ".join((found["what"] if found else "too long to be read").split())
        raise PlanError(f"{file}: {where}: not valid TOML: {what[:1].lower()}{what[1:]}") from failure


def _wrong_heading(name: str, value: object) -> str | None:
    if name in _LISTS:
        good = isinstance(value, list) and all(isinstance(each, Mapping) for each in value)
        return None if good else f"{name} must be headed [[{name}]], with double brackets"
    if name in _SINGLE:
        return None if isinstance(value, Mapping) else f"{name} must be headed [{name}], with single brackets"
    headings = [*(f"[{each}]" for each in _SINGLE), *(f"[[{each}]]" for each in _LISTS)]
    near = nearest_key(name, [*_SINGLE, *_LISTS])
    if near:
        return f"{write_value(name)} is unknown; did you mean {near}?"
    return f"{write_value(name)} is unknown; a scene has {', '.join(headings)}"


def _single(
    model: type[Table], name: str, tables: Mapping[str, object], file: str
) -> tuple[Table | None, list[str]]:
    table = tables.get(name)
    if not isinstance(table, Mapping):
        return None, []
    return check_table(model, table, f"{file}: {name}", f"[{name}]")


def _listed(
    model: type[Table], name: str, tables: Mapping[str, object], file: str
) -> tuple[list[Table], list[str]]:
    value = tables.get(name, [])
    written = [each for each in value if isinstance(each, Mapping)] if isinstance(value, list) else []
    good, problems = [], []
    for number, table in enumerate(written, 1):
        checked, found = check_table(model, table, f"{file}: {name} {number}", f"[[{name}]]")
        problems += found
        if checked is not None:
            good.append(checked)
    return good, problems
