"""A person's own channel list, a CSV file of whatever make, as `[[channel]]` tables.

The reader forgives: delimiter, decimal mark, units and the names of the columns are worked out from the
file. What it cannot make sense of it leaves out and tells, by the line; what it supposes it tells as
well.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TypeVar

from watcher.errors import PlanError
from watcher.plan.csv_cells import (
    is_empty,
    read_khz,
    read_mhz,
    read_mode,
    read_number,
    read_offset_khz,
    read_tone,
)
from watcher.plan.figures import write_number
from watcher.plan.names import LONGEST_NAME, file_part, folded
from watcher.plan.problems import check_table, write_value
from watcher.plan.rules import Wrong
from watcher.plan.tables import ChannelTable

DELIMITERS = ";\t|,"
LINES_LOOKED_AT = 30

_SPELLINGS: dict[str, tuple[str, ...]] = {
    "frequency": (
        *("frequency", "freq", "rx", "rxfrequency", "rxfreq", "receive", "receivefrequency", "downlink"),
        *("output", "outputfrequency", "outputfreq", "f", "qrg", "frequenz", "frequence", "centre", "center"),
    ),
    "name": (
        *("name", "channelname", "label", "alias", "station", "title", "channel", "description", "tag"),
        *("designator", "nom", "bezeichnung", "location", "comment"),
    ),
    "input": (
        *("tx", "txfrequency", "txfreq", "transmit", "transmitfrequency", "input", "inputfrequency"),
        *("inputfreq", "uplink"),
    ),
    "offset": ("offset", "shift", "split", "repeateroffset", "txoffset"),
    "direction": ("duplex", "offsetdirection", "shiftdirection", "direction"),
    "mode": ("mode", "modulation", "emission", "emissiontype", "modulationtype"),
    "bandwidth": ("bandwidth", "bw", "width", "channelwidth", "spacing", "channelspacing", "bandbreite"),
    "tone": (
        "tone",
        "rxtone",
        "ctcss",
        "subtone",
        "tonesquelch",
        "rxctcss",
        "ctcsstone",
        "outputtone",
        "tonehz",
    ),
    "sent_tone": ("txtone", "accesstone", "inputtone", "txctcss", "uplinktone"),
    "code": ("dcs", "cdcss", "dcscode", "rxdcs", "digitalcode"),
    "priority": ("priority", "prio"),
}
_UNIT_AT_END = re.compile(r"(mhz|khz|hz)$")

Cell = TypeVar("Cell")


@dataclass(frozen=True, slots=True)
class Imported:
    """What a file gave.

    `channels` are `[[channel]]` tables in the order of the file; `told` are sentences by line: what was
    left out and what was supposed; `left_out` counts the rows without a channel.
    """

    channels: tuple[Mapping[str, object], ...]
    told: tuple[str, ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class _Column:
    place: int
    unit: str | None


def import_channels(content: bytes, file: str, taken: Sequence[tuple[str, int]] = ()) -> Imported:
    """The channels of a CSV file.

    Parameters
    ----------
    content : bytes
    file : str
        Its name, for the sentences.
    taken : sequence of (str, int)
        Names and frequencies in Hz that the plan has already: the same channel is left out, the same name
        gets the frequency added.

    Raises
    ------
    PlanError
        Nothing in the file is a channel.
    """
    told: list[str] = []
    text = _decoded(content, file, told)
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip(" \t;,|\"'")]
    lines = [(n, line) for n, line in lines if not line.lstrip().startswith("#")]
    if not lines:
        raise PlanError(f"{file} holds no rows; it must be a CSV file with one channel a line")
    rows, columns, begin = _laid_out(lines, file, told)
    names = {folded(name): frequency for name, frequency in taken}
    parts = {file_part(name).casefold() for name, _ in taken}
    channels: list[Mapping[str, object]] = []
    left_out = 0
    for (number, _), cells in zip(lines[begin:], rows[begin:], strict=True):
        trail = f"{file}: line {number}"
        try:
            table = _channel(cells, columns, trail, told)
            _own_name(table, names, parts)
        except Wrong as wrong:
            told.append(f"{trail}: {wrong}; the line is left out")
            left_out += 1
            continue
        checked, problems = check_table(
            ChannelTable,
            {key: each for key, each in table.items() if key != "repeater"},
            trail,
            "[[channel]]",
        )
        if checked is None:
            told += [f"{problem}; the line is left out" for problem in problems]
            left_out += 1
            continue
        channel = checked.channel()
        names[folded(channel.name)] = channel.frequency_hz
        parts.add(file_part(channel.name).casefold())
        channels.append(table)
    if not channels:
        raise PlanError([*told, f"{file} gave no channel that is new and sound"])
    return Imported(tuple(channels), tuple(told), left_out)


def write_tables(channels: Sequence[Mapping[str, object]]) -> str:
    """Channels as the TOML text of a plan."""
    blocks = []
    for table in channels:
        lines = [f"{key} = {_toml(value)}" for key, value in table.items()]
        blocks.append("\n".join(["[[channel]]", *lines]))
    return "\n\n".join(blocks) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, Decimal):
        return write_number(value)
    return json.dumps(value, ensure_ascii=False)


def _decoded(content: bytes, file: str, told: list[str]) -> str:
    for start, encoding in ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if content.startswith(start):
            return content.decode(encoding, errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        told.append(f"{file} is not UTF-8 and was read as Windows-1252; check letters with accents")
        return content.decode("cp1252", errors="replace")


def _laid_out(
    lines: Sequence[tuple[int, str]], file: str, told: list[str]
) -> tuple[list[list[str]], dict[str, _Column], int]:
    """Every line as cells, what each column is, and the place of the first row."""
    best: tuple[int, int, str] | None = None
    for delimiter in DELIMITERS:
        cells = _cells(lines[:LINES_LOOKED_AT], delimiter)
        for place, row in enumerate(cells):
            known = _columns(row)
            if "frequency" in known and (best is None or len(known) > best[0]):
                best = (len(known), place, delimiter)
    if best is not None:
        _, place, delimiter = best
        rows = _cells(lines, delimiter)
        return rows, _columns(rows[place]), place + 1
    for delimiter in DELIMITERS:
        rows = _cells(lines, delimiter)
        guessed = _guessed(rows[:LINES_LOOKED_AT])
        if guessed is not None:
            told.append(
                f"{file}: no line names the columns; column {guessed['frequency'].place + 1} was "
                "taken for the "
                "frequency"
            )
            return rows, guessed, 0
    raise PlanError(
        f"{file} has no column of frequencies; it must have one headed frequency, in MHz, kHz or Hz"
    )


def _cells(lines: Sequence[tuple[int, str]], delimiter: str) -> list[list[str]]:
    # Line by line: a quote that is never closed costs its own line alone.
    return [[cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])] for _, line in lines]


def _columns(row: Sequence[str]) -> dict[str, _Column]:
    """What the cells of a heading name; the first column of a kind counts."""
    found: dict[str, _Column] = {}
    for kind, spellings in _SPELLINGS.items():
        for spelling in spellings:
            for place, cell in enumerate(row):
                word = re.sub(r"[^a-zé]", "", cell.casefold()).replace("é", "e")
                unit = _UNIT_AT_END.search(word)
                bare = word[: unit.start()] if unit and word != spelling else word
                if kind == "frequency" and word in {"mhz", "khz", "hz"}:
                    bare = "frequency"
                if bare == spelling and kind not in found:
                    found[kind] = _Column(place, unit[1] if unit else None)
    return found


def _guessed(rows: Sequence[Sequence[str]]) -> dict[str, _Column] | None:
    """Columns by what stands in them: frequencies everywhere, and a name beside."""
    width = min((len(row) for row in rows), default=0)
    for place in range(width):
        if all(_is_frequency(row[place]) for row in rows):
            names = [other for other in range(width) if other != place and not _is_frequency(rows[0][other])]
            name = {"name": _Column(names[0], None)} if names else {}
            return {"frequency": _Column(place, None), **name}
    return None


def _is_frequency(text: str) -> bool:
    try:
        return read_mhz(text) >= 1
    except Wrong:
        return False


def _channel(
    cells: Sequence[str], columns: Mapping[str, _Column], trail: str, told: list[str]
) -> dict[str, object]:
    def cell(kind: str) -> tuple[str, str | None]:
        column = columns.get(kind)
        if column is None or column.place >= len(cells):
            return "", None
        if kind != "direction" and is_empty(cells[column.place]):  # there a dash says below
            return "", None
        return cells[column.place], column.unit

    def read(kind: str, reader: Callable[[str, str | None], Cell]) -> Cell | None:
        text, unit = cell(kind)
        if not text:
            return None
        try:
            return reader(text, unit)
        except Wrong as wrong:
            raise Wrong(f"{kind} is {write_value(text)}; {wrong}") from None

    def forgiven(kind: str, reader: Callable[[str, str | None], Cell]) -> Cell | None:
        try:
            return read(kind, reader)
        except Wrong as wrong:
            told.append(f"{trail}: {wrong}; the channel is taken without it")
            return None

    frequency = read("frequency", read_mhz)
    if frequency is None:
        raise Wrong("there is no frequency; it must be a number of MHz, kHz or Hz")
    width = read("bandwidth", read_khz)
    mode = read("mode", lambda text, _: read_mode(text))
    if mode is None:
        mode, usual = _usual(frequency, width)
        told.append(f"{trail}: no mode is said; {mode} was taken")
    else:
        usual = _usual_width(mode, frequency)
    name = "".join(letter if letter.isprintable() else " " for letter in cell("name")[0])
    table: dict[str, object] = {
        "name": " ".join(name.split())[:LONGEST_NAME].strip() or f"{write_number(frequency)} MHz",
        "frequency_mhz": frequency,
        "mode": mode,
        "bandwidth_khz": usual if width is None else width,
    }
    tone, code = forgiven("tone", lambda text, _: read_tone(text)) or (None, None)
    if tone is None and code is None:
        tone, code = forgiven("code", lambda text, _: read_tone(f"dcs {text}")) or (None, None)
    if mode != "am" and tone is not None:
        table["expect_tone_hz"] = tone
    if mode != "am" and code is not None:
        table["expect_code"] = code
    priority = forgiven("priority", lambda text, _: read_number(text))
    if priority is not None and priority == int(priority) and 1 <= priority <= 9:
        table["priority"] = int(priority)
    _add_repeater(table, frequency, cell, forgiven)
    return table


def _add_repeater(
    table: dict[str, object],
    frequency: Decimal,
    cell: Callable[[str], tuple[str, str | None]],
    forgiven: Callable[[str, Callable[[str, str | None], Decimal]], Decimal | None],
) -> None:
    """The input, from its own column or from an offset with its sign."""
    repeater: dict[str, object] = {}
    listens = forgiven("input", read_mhz)
    offset = forgiven("offset", read_offset_khz)
    if listens is not None and listens != frequency:
        repeater["input_mhz"] = listens
    elif offset:
        direction = cell("direction")[0].strip().casefold()
        below = direction.startswith(("-", "−", "minus", "neg", "low", "down"))
        repeater["offset_khz"] = -abs(offset) if below else offset
    sent = forgiven("sent_tone", lambda text, _: read_tone(text)[0] or Decimal(0))
    if repeater and sent:
        repeater["tone_hz"] = sent
    if repeater:
        table["repeater"] = repeater


def _usual(frequency: Decimal, width: Decimal | None) -> tuple[str, Decimal]:
    """Mode and width where the file says no mode: by the band, and by the width."""
    if 108 <= frequency < 137:
        return "am", _usual_width("am", frequency)
    if width is not None and width > Decimal("12.5"):
        return "fm", width
    if 156 <= frequency < Decimal("162.6"):
        return "fm", Decimal(25)  # marine and weather
    return "nfm", Decimal("12.5")


def _usual_width(mode: str, frequency: Decimal) -> Decimal:
    if mode == "am":
        return Decimal("8.33") if frequency >= 108 else Decimal(10)
    if mode == "nfm":
        return Decimal("12.5")
    return Decimal(25) if 156 <= frequency < Decimal("162.6") else Decimal(20)


def _own_name(table: dict[str, object], names: Mapping[str, int], parts: set[str]) -> None:
    """A name that no other channel has; refused where name and frequency are those of another."""
    name, frequency = str(table["name"]), table["frequency_mhz"]
    assert isinstance(frequency, Decimal)  # as read
    if folded(name) in names and names[folded(name)] == int(frequency.scaleb(6)):
        raise Wrong(f'"{name}" on {write_number(frequency)} MHz is there already')
    if folded(name) in names or file_part(name).casefold() in parts:
        end = f" {write_number(frequency)}"
        table["name"] = name[: LONGEST_NAME - len(end)].strip() + end
        if file_part(str(table["name"])).casefold() in parts:
            raise Wrong(f'"{table["name"]}" is there already')
