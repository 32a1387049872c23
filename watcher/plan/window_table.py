"""The `[[window]]` tables of a plan: each key, then what the keys say together, then the preset they name."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from watcher.plan.figures import write_number
from watcher.plan.model import Window
from watcher.plan.presets import Preset, with_preset
from watcher.plan.problems import check_table
from watcher.plan.windows import opens_on

WAYS = ("every_hours", "at", "cron", "continuous", "preset")
_FIRST_DAY_TRIED = date(2024, 1, 1)
_DAYS_TRIED = (
    366 + 3 * 365 + 366 + 3 * 365
)  # every date on every day of the week that it meets in eight years


def windows_of(
    tables: Sequence[Mapping[str, object]], presets: Mapping[str, Preset], file: str
) -> tuple[tuple[Window, ...], list[str]]:
    """The windows of a plan, presets put in place, or every problem they have.

    Parameters
    ----------
    tables : sequence of mapping
        As tomllib gave them, numbers with decimals as Decimal.
    presets : mapping of str to Preset
    file : str
        The name of the plan file.
    """
    good, problems = [], []
    for number, table in enumerate(tables, 1):
        trail = f"{file}: window {number}"
        window, found = check_table(Window, table, trail, "[[window]]")
        if window is not None:
            found = [f"{trail}: {sentence}" for sentence in _contradictions(window, presets)]
        problems += found
        if window is not None and not found:
            good.append(window if window.preset is None else with_preset(window, presets[window.preset]))
    return tuple(good), problems


def _contradictions(window: Window, presets: Mapping[str, Preset]) -> list[str]:
    ways = [way for way in WAYS if way in window.model_fields_set]
    if not ways:
        return [f"nothing says when it opens; it must have one of {_listed(WAYS, 'and')}"]
    if len(ways) > 1:
        return [f"{_listed(ways, 'and')} each say when it opens; it must be one of them"]
    problems = []
    if ways == ["continuous"]:
        if not window.continuous:
            problems.append("continuous is false; it must be true, or be left out")
        problems += [
            f"{key} is {write_number(getattr(window, key))} in a continuous window; it must be left out"
            for key in ("length_minutes", "lead_minutes")
            if key in window.model_fields_set
        ]
    elif window.preset is not None:
        if window.preset not in presets:
            problems.append(_unknown_preset(window.preset, presets))
    elif window.length_minutes is None:
        problems.append("length_minutes is missing; it must be a number of minutes above 0 and up to 1440")
    for key, other in (("from_date", "to_date"), ("to_date", "from_date")):
        if getattr(window, key) is not None and getattr(window, other) is None:
            problems.append(
                f'{key} is "{getattr(window, key)}" without {other}; it must have both or neither'
            )
    if not problems and not _ever_opens(window):
        keys = [key for key in ("cron", "days", "from_date") if getattr(window, key) is not None]
        problems.append(
            f"{_listed(keys, 'and')} never come together; there must be a day on which the window opens"
        )
    return problems


def _ever_opens(window: Window) -> bool:
    return any(opens_on(window, _FIRST_DAY_TRIED + timedelta(days=days)) for days in range(_DAYS_TRIED))


def _unknown_preset(name: str, presets: Mapping[str, Preset]) -> str:
    near = difflib.get_close_matches(name.casefold(), list(presets), n=1, cutoff=0.6)
    meant = f"; did you mean {near[0]}?" if near else f"; the presets are {', '.join(presets)}"
    return f'preset is "{name}", which is not a preset{meant}'


def _listed(words: Sequence[str], last: str) -> str:
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else words[0]
