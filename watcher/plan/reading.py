"""The door for plan files: TOML in, a checked :class:`WatchPlan` out, or every problem at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from watcher.errors import PlanError
from watcher.plan.caller_rules import CallerRules, caller_contradictions
from watcher.plan.channel_lists import drawn_from_lists
from watcher.plan.crosscheck import channel_warnings, name_clashes, tone_contradictions
from watcher.plan.duties import Alert, KeepRules, LiveAudio, alert_contradictions, keep_contradictions
from watcher.plan.model import Channel, Radio, Station, TonePair, WatchPlan, Window
from watcher.plan.names import clean_name_problem
from watcher.plan.power_rules import PowerRules, power_contradictions
from watcher.plan.presets import shipped_presets
from watcher.plan.problems import check_table, nearest_key, write_value
from watcher.plan.repeater_table import plain_channels
from watcher.plan.review_rules import ReviewRules, masked, review_contradictions
from watcher.plan.stay_rules import DwellRules, FollowUpRules, stay_contradictions
from watcher.plan.tables import ChannelTable
from watcher.plan.window_table import windows_of

LARGEST_PLAN_BYTES = 1_000_000  # thousands of channels; anything larger is a recording given by mistake

_LISTS: dict[str, type[BaseModel]] = {
    "channel": ChannelTable,
    "radio": Radio,
    "window": Window,
    "tone_pair": TonePair,
    "alert": Alert,
}
_SINGLE: dict[str, type[BaseModel]] = {
    "station": Station,
    "keep": KeepRules,
    "listen": LiveAudio,
    "dwell": DwellRules,
    "follow_up": FollowUpRules,
}
_SINGLE |= {"power": PowerRules, "callers": CallerRules, "review": ReviewRules}
_TABLES = (*_LISTS, *_SINGLE)

_TOP_KEYS = ("use", "use_lists")

Table = TypeVar("Table", bound=BaseModel)


def read_plan(path: Path | str) -> WatchPlan:
    """The watch plan of one TOML file, checked.

    Parameters
    ----------
    path : path-like
        A byte-order mark at the start of the file is passed over. `storage` is taken as relative to the
        folder of the file.

    Raises
    ------
    PlanError
        The file cannot be read, is not TOML, or says something that cannot be right. Its `problems` hold
        every problem found, one sentence each, with file, table, key, value and what would be right.
    """
    path = Path(path)
    return plan_from_text(read_plan_text(path), path)


def plan_from_text(text: str, path: Path) -> WatchPlan:
    """The same for a text already read; `path` names it in the problems and anchors `storage`."""
    file = path.name
    tables = _parse(text, file)
    problems = [
        sentence
        for name, value in tables.items()
        if name not in _TOP_KEYS and (sentence := _wrong_heading(name, value)) is not None
    ]
    problems = [f"{file}: {sentence}" for sentence in problems]

    drawn = drawn_from_lists(tables, path)
    made = plain_channels(_list_of_tables(tables, "channel"), drawn.rows, file)
    problems += [*drawn.problems, *made.problems]
    written = made.tables
    channels: list[Channel] = []
    for number, table in written:
        checked, found = check_table(ChannelTable, table, f"{file}: {_trail(number, table)}", "[[channel]]")
        problems += found
        if checked is not None:
            channels.append(checked.channel())
    problems += name_clashes(
        [
            (number, name)
            for number, table in written
            if isinstance(name := table.get("name"), str) and clean_name_problem(name) is None
        ],
        file,
    )
    if not written and not problems:
        problems.append(f"{file}: there is no [[channel]] table; it must have at least one")

    station, found = _station(tables, path)
    problems += found
    radios, found = _others(Radio, "radio", tables, file)
    problems += found
    radios = tuple(radio.beside(path.parent) for radio in radios)
    windows, found = windows_of(_list_of_tables(tables, "window"), shipped_presets(), file)
    problems += found
    tone_pairs, found = _others(TonePair, "tone_pair", tables, file)
    problems += found + tone_contradictions(channels, file)
    alerts, found = _others(Alert, "alert", tables, file)
    problems += found + alert_contradictions(_list_of_tables(tables, "alert"), file)
    keep, found = _one(KeepRules, "keep", tables, file)
    problems += found + keep_contradictions(keep, file)
    listen, found = _one(LiveAudio, "listen", tables, file)
    problems += found
    dwell, found = _one(DwellRules, "dwell", tables, file)
    problems += found + stay_contradictions(dwell, file)
    follow_up, found = _one(FollowUpRules, "follow_up", tables, file)
    problems += found
    power, found = _power(tables, file)
    problems += found
    callers, found = _one(CallerRules, "callers", tables, file)
    problems += found + caller_contradictions(callers, [channel.name for channel in channels], file)
    review, found = _one(ReviewRules, "review", tables, file)
    problems += found + review_contradictions(review, file)
    shown_text, found = masked(text, tables, file)
    problems += found
    if problems or station is None:
        raise PlanError(problems)
    return WatchPlan(
        channels=tuple(channels),
        station=station,
        radios=radios,
        windows=windows,
        tone_pairs=tone_pairs,
        alerts=tuple(alert.beside(path.parent) for alert in alerts),
        keep=keep,
        listen=listen if "listen" in tables else None,
        dwell=dwell,
        follow_up=follow_up,
        power=power,
        callers=callers,
        review=review,
        warnings=(*drawn.warnings, *channel_warnings(channels, file)),
        text=shown_text,
    )


def read_plan_text(path: Path) -> str:
    """The text of a plan's file as it stands there, a password too; every failure as one sentence."""
    try:
        if path.is_dir():
            raise PlanError(f"{path} is a folder; give the TOML file of a watch plan")
        if not path.exists():
            raise PlanError(f"{path} does not exist; give the TOML file of a watch plan")
        with path.open("rb") as file:
            content = file.read(LARGEST_PLAN_BYTES + 1)
    except (OSError, ValueError) as failure:
        reason = failure.strerror if isinstance(failure, OSError) else str(failure)
        raise PlanError(f"{path} cannot be read ({reason}); give a watch plan that can") from failure
    if len(content) > LARGEST_PLAN_BYTES:
        raise PlanError(f"{path} is larger than 1 MB; a watch plan is a short TOML file, not a recording")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        line = content.count(b"\n", 0, failure.start) + 1
        raise PlanError(
            f"{path.name}: line {line} holds bytes that are not UTF-8; save the plan as UTF-8 text"
        ) from failure


def _parse(text: str, file: str) -> dict[str, object]:
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except RecursionError as failure:
        raise PlanError(f"{file}: lists lie too deep in one another; a watch plan needs none") from failure
    except (ValueError, ArithmeticError) as failure:
        found = re.fullmatch(r"(?P<what>.*?) \(at (?P<where>.*)\)", str(failure), flags=re.DOTALL)
        where = found["where"] if found else "some number"
        what = found["what"] if found else "too long to be read"
        raise PlanError(f"{file}: {where}: not valid TOML: {what[:1].lower()}{what[1:]}") from failure


def _wrong_heading(name: str, value: object) -> str | None:
    """What is wrong with a top-level name, or None."""
    is_table = isinstance(value, Mapping)
    is_list = isinstance(value, list) and all(isinstance(each, Mapping) for each in value)
    if name in _LISTS:
        if is_list:
            return None
        return f"{name} must be headed [[{name}]], with double brackets, once for each {name}"
    if name in _SINGLE:
        return None if is_table else f"{name} must be headed [{name}], with single brackets, once"
    if not (is_table or is_list):
        return (
            f"{write_value(name)} stands under no table; "
            f"a key belongs under {', '.join(_heading(each) for each in _TABLES)}"
        )
    near = nearest_key(name, _TABLES)
    if near:
        return f"table {write_value(name)} is unknown; did you mean {_heading(near)}?"
    return f"table {write_value(name)} is unknown; a plan has {', '.join(map(_heading, _TABLES))}"


def _heading(name: str) -> str:
    return f"[[{name}]]" if name in _LISTS else f"[{name}]"


def _list_of_tables(tables: Mapping[str, object], name: str) -> list[Mapping[str, object]]:
    value = tables.get(name, [])
    if isinstance(value, list):
        return [each for each in value if isinstance(each, Mapping)]
    # Headed with single brackets, which is told as a problem; what it holds is checked all the same.
    return [value] if isinstance(value, Mapping) else []


def _trail(number: int, table: Mapping[str, object]) -> str:
    name = table.get("name")
    if isinstance(name, str) and clean_name_problem(name) is None:
        return f'channel "{name}"'
    return f"channel {number}"


def _station(tables: Mapping[str, object], path: Path) -> tuple[Station | None, list[str]]:
    table = tables.get("station", {})
    if not isinstance(table, Mapping):
        return None, []
    station, problems = check_table(Station, table, f"{path.name}: station", "[station]")
    if station is not None and station.storage is not None:
        folder = path.parent / station.storage.expanduser()
        station = station.model_copy(update={"storage": folder})
    return station, problems


def _others(
    model: type[Table], name: str, tables: Mapping[str, object], file: str
) -> tuple[tuple[Table, ...], list[str]]:
    good, problems = [], []
    for number, table in enumerate(_list_of_tables(tables, name), 1):
        checked, found = check_table(model, table, f"{file}: {name} {number}", f"[[{name}]]")
        problems += found
        if checked is not None:
            good.append(checked)
    return tuple(good), problems


def _power(tables: Mapping[str, object], file: str) -> tuple[PowerRules | None, list[str]]:
    """The power table, which has no defaults as a whole: None where the plan has none."""
    table = tables.get("power")
    if not isinstance(table, Mapping):
        return None, []
    power, problems = check_table(PowerRules, table, f"{file}: power", "[power]")
    return power, problems + power_contradictions(table, power, file)


def _one(model: type[Table], name: str, tables: Mapping[str, object], file: str) -> tuple[Table, list[str]]:
    """A table that a plan has once or not at all; one that is absent or wrong is the model's own defaults."""
    table = tables.get(name, {})
    if not isinstance(table, Mapping):
        return model(), []
    checked, problems = check_table(model, table, f"{file}: {name}", f"[{name}]")
    return checked or model(), problems
