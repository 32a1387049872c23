"""A `[[channel]]` that is a repeater, or that changes a listed channel: each becomes a plain table first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from watcher.plan.channel_lists import ListedChannel
from watcher.plan.figures import write_number
from watcher.plan.names import folded
from watcher.plan.problems import check_table, write_value
from watcher.plan.rules import as_number, check_frequency_mhz, check_tone_hz

Number = Annotated[Decimal, BeforeValidator(as_number)]
_MHZ = "a number of MHz between 0.1 and 6000"
_OFFSET = "a number of kHz from -100000 to 100000, negative where the input lies below the output"


class RepeaterTable(BaseModel):
    """What a repeater sends on and listens on.

    Parameters
    ----------
    output_mhz : Decimal or None
        Stands in for `frequency_mhz` of the channel.
    offset_khz, input_mhz : Decimal or None
        Where it listens: input minus output, or the frequency itself.
    tone_hz : Decimal or None
        The tone that opens it, and is expected on the input.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    output_mhz: Annotated[Number, AfterValidator(check_frequency_mhz)] | None = Field(
        default=None, description=_MHZ
    )
    offset_khz: Number | None = Field(default=None, ge=-100_000, le=100_000, description=_OFFSET)
    input_mhz: Annotated[Number, AfterValidator(check_frequency_mhz)] | None = Field(
        default=None, description=_MHZ
    )
    tone_hz: Annotated[Number, AfterValidator(check_tone_hz)] | None = Field(
        default=None, description="one of the 50 CTCSS tones as a number, like 100.0"
    )


@dataclass(frozen=True, slots=True)
class WrittenChannels:
    """Plain `[[channel]]` tables with their numbers, and what was wrong on the way."""

    tables: tuple[tuple[int, Mapping[str, object]], ...]
    problems: tuple[str, ...]


def plain_channels(
    written: Sequence[Mapping[str, object]], listed: Sequence[ListedChannel], file: str
) -> WrittenChannels:
    """The channels of a plan as plain tables: the person's own in their order, then the listed ones.

    Parameters
    ----------
    written : sequence of mapping
        The `[[channel]]` tables as tomllib gave them. One with the name or the frequency of a listed channel
        changes that one field by field. One with a `repeater` gets its frequency from it, and with
        `watch_input = true` a second channel for the input.
    listed : sequence of ListedChannel
    file : str
    """
    tables: list[tuple[int, Mapping[str, object]]] = []
    problems: list[str] = []
    changed: set[str] = set()
    for number, table in enumerate(written, 1):
        name = table.get("name")
        trail = f'{file}: channel "{name}"' if isinstance(name, str) and name else f"{file}: channel {number}"
        row, wrong = _listed_for(table, listed)
        problems += [f"{trail}: {sentence}" for sentence in wrong]
        merged = dict(table)
        if row is not None:
            changed.add(row.name)
            merged = row.table() | merged
        with_input, found = _repeater(merged, trail)
        problems += found
        tables += [(number, each) for each in with_input]
    rest = [row for row in listed if row.name not in changed]
    tables += [(len(written) + place, row.table()) for place, row in enumerate(rest, 1)]
    return WrittenChannels(tuple(tables), tuple(problems))


def _listed_for(
    table: Mapping[str, object], listed: Sequence[ListedChannel]
) -> tuple[ListedChannel | None, list[str]]:
    """The listed channel that a table changes, by its name or else by its frequency."""
    name, frequency = table.get("name"), table.get("frequency_mhz")
    number = (
        Decimal(frequency)
        if isinstance(frequency, int | Decimal) and not isinstance(frequency, bool)
        else None
    )
    there = [row for row in listed if number is not None and row.frequency_mhz == number]
    named = [row for row in listed if isinstance(name, str) and folded(row.name) == folded(name)]
    if not named:
        return (there[0] if there else None), []
    if there and named[0] not in there:
        return named[0], [
            f'frequency_mhz is {write_number(there[0].frequency_mhz)}, that of "{there[0].name}" in '
            "the list; "
            "it must be the channel's own, or be left out"
        ]
    return named[0], []


def _repeater(  # noqa: PLR0911 - one for each way in which it can be wrong
    table: dict[str, object], trail: str
) -> tuple[list[Mapping[str, object]], list[str]]:
    """A table without its repeater keys, and one for the input where it is to be watched."""
    watch_input, written = table.pop("watch_input", False), table.pop("repeater", None)
    if not isinstance(watch_input, bool):
        return [table], [f"{trail}: watch_input is {write_value(watch_input)}; it must be true or false"]
    if written is None:
        if watch_input:
            return [table], [
                f"{trail}: watch_input is true without a repeater; it must have repeater beside it"
            ]
        return [table], []
    if not isinstance(written, Mapping):
        right = "a table like { output_mhz = 146.94, offset_khz = -600, tone_hz = 123.0 }"
        return [table], [f"{trail}: repeater is {write_value(written)}; it must be {right}"]
    repeater, problems = check_table(RepeaterTable, written, f"{trail}: repeater", "repeater")
    if repeater is None:
        # A frequency that could not be taken over is not told once more as missing.
        return ([table] if "frequency_mhz" in table else []), problems
    if repeater.output_mhz is not None:
        if "frequency_mhz" in table and table["frequency_mhz"] != repeater.output_mhz:
            problems.append(
                f"{trail}: frequency_mhz is {write_value(table['frequency_mhz'])} and the repeater's "
                "output_mhz "
                f"is {write_number(repeater.output_mhz)}; it must be one of the two, or both the same"
            )
        table.setdefault("frequency_mhz", repeater.output_mhz)
    if repeater.offset_khz is not None and repeater.input_mhz is not None:
        problems.append(
            f"{trail}: repeater has offset_khz and input_mhz; it must be one of the two that says "
            "where it listens"
        )
    if not watch_input or problems:
        return [table], problems
    if repeater.offset_khz is None and repeater.input_mhz is None:
        return [table], [f"{trail}: watch_input is true; the repeater must have offset_khz or input_mhz"]
    return [table, _input(table, repeater)], []


def _input(table: Mapping[str, object], repeater: RepeaterTable) -> Mapping[str, object]:
    """The channel on which a repeater listens: like its output but for frequency, name and tone."""
    own = {key: value for key, value in table.items() if key not in {"expect_tone_hz", "expect_code"}}
    own["name"] = f"{table.get('name', 'repeater')} input"
    output = table.get("frequency_mhz")
    if repeater.input_mhz is not None:
        own["frequency_mhz"] = repeater.input_mhz
    elif isinstance(output, int | Decimal) and repeater.offset_khz is not None:
        own["frequency_mhz"] = Decimal(output) + repeater.offset_khz / 1000
    if repeater.tone_hz is not None:
        own["expect_tone_hz"] = repeater.tone_hz
    elif own.get("require_tone"):
        own["require_tone"] = False  # of the output's tone nothing is known on the input
    own["purpose"] = "input of the repeater: callers that it may not hear"
    return own
