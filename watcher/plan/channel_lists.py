"""Channel lists: files of known channels that a plan draws on by name or by tag.

Lists come with the program, one for a region, and a plan may name a file of its own with the same
columns. A listed channel becomes the `[[channel]]` table that a person could have written; everything
after that is one road.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path

from watcher.errors import PlanError
from watcher.plan.names import clean_name_problem, folded
from watcher.plan.problems import nearest_key, write_value
from watcher.plan.rules import Wrong, check_bandwidth_khz, check_frequency_mhz, check_tone_hz
from watcher.shipped import config_folder

SHIPPED_LISTS = ("us", "region1")
USUAL_LISTS = ("us",)
HEARD_MODES = ("nfm", "fm", "am")
LARGEST_LIST_BYTES = 5_000_000
_NEEDED = ("name", "frequency_mhz", "mode", "bandwidth_khz", "usual_tone_hz", "tags")
_TOLD = ("service", "use", "licence_to_transmit", "source", "basis")


@dataclass(frozen=True, slots=True)
class ListedChannel:
    """One row of a channel list, in the units of its columns.

    `mode` may be one that this program cannot hear; `use` is what the channel is for; `licence` is what one
    needs to transmit there; `basis` is how sure the row is.
    """

    name: str
    frequency_mhz: Decimal
    mode: str
    bandwidth_khz: Decimal
    usual_tone_hz: Decimal | None
    tags: frozenset[str]
    service: str
    use: str
    licence: str
    source: str
    basis: str

    def table(self) -> dict[str, object]:
        """The row as a `[[channel]]` table."""
        table: dict[str, object] = {
            "name": self.name,
            "frequency_mhz": self.frequency_mhz,
            "mode": self.mode,
            "bandwidth_khz": self.bandwidth_khz,
        }
        if self.usual_tone_hz is not None and self.mode != "am":
            table["expect_tone_hz"] = self.usual_tone_hz
        if "weather" in self.tags:
            table["keep"] = "alerts"  # it is always on the air
        if self.tags & {"calling", "distress"}:
            table["calling"] = True
        for key, text in (("purpose", self.use), ("licence", self.licence)):
            if text:
                table[key] = text
        return table


@dataclass(frozen=True, slots=True)
class Drawn:
    """What `use` draws from the lists: the rows in the order of the lists, problems, warnings."""

    rows: tuple[ListedChannel, ...]
    problems: tuple[str, ...]
    warnings: tuple[str, ...]


def drawn_from_lists(tables: Mapping[str, object], path: Path) -> Drawn:
    """The listed channels that a plan names under `use`, from the lists under `use_lists`.

    Parameters
    ----------
    tables : mapping
        The whole plan as tomllib gave it.
    path : Path
        The plan's file; a list of the plan's own is taken relative to its folder.
    """
    problems: list[str] = []
    use = _texts(tables, "use", '["weather", "calling"]', path.name, problems)
    names = _texts(tables, "use_lists", '["us"] or ["my-channels.csv"]', path.name, problems)
    if "use" not in tables:
        if "use_lists" in tables and not problems:
            problems.append(
                f"{path.name}: use_lists is there without use; it must be left out, or use be added"
            )
        return Drawn((), tuple(problems), ())
    rows: list[ListedChannel] = []
    for name in names if "use_lists" in tables else USUAL_LISTS:
        try:
            rows += read_channel_list(_file_of(name, path))
        except PlanError as wrong:
            problems += [f"{path.name}: use_lists: {problem}" for problem in wrong.problems]
    if problems:
        return Drawn((), tuple(problems), ())
    chosen: dict[int, ListedChannel] = {}
    warnings: list[str] = []
    frequencies: set[tuple[Decimal, str]] = set()
    for wanted in use:
        by_name = [number for number, row in enumerate(rows) if folded(row.name) == folded(wanted)]
        tags = set(folded(wanted).split())
        found = by_name or [number for number, row in enumerate(rows) if tags and tags <= row.tags]
        if not found:
            problems.append(f"{path.name}: use names {write_value(wanted)}, {_nearest(wanted, rows)}")
        for number in found:
            row = rows[number]
            if row.mode not in HEARD_MODES:
                if by_name:
                    problems.append(
                        f'{path.name}: use names "{row.name}", whose mode is {row.mode}; '
                        "it must be a channel in nfm, fm or am"
                    )
                else:
                    warnings.append(
                        f'{path.name}: channel "{row.name}" of the list is left out, for its mode is '
                        f"{row.mode}; "
                        "only nfm, fm and am can be heard"
                    )
            # Rows that differ only in who uses the frequency are one channel to a receiver.
            elif by_name or (row.frequency_mhz, row.mode) not in frequencies:
                chosen[number] = row
                frequencies.add((row.frequency_mhz, row.mode))
    ordered = tuple(chosen[number] for number in sorted(chosen))
    return Drawn(ordered, tuple(problems), tuple(dict.fromkeys(warnings)))


def read_channel_list(path: Path) -> tuple[ListedChannel, ...]:
    """The rows of one list; lines that begin with # are remarks.

    Raises
    ------
    PlanError
        The file cannot be read, lacks a column, or has a row that cannot be; every problem by its line.
    """
    try:
        if path.stat().st_size > LARGEST_LIST_BYTES:
            raise PlanError(f"{path} is larger than 5 MB; it must be a channel list, a CSV file")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as failure:
        raise PlanError(f"{path} is not UTF-8 text; it must be a channel list, a CSV file") from failure
    except (OSError, ValueError) as failure:
        reason = failure.strerror if isinstance(failure, OSError) else str(failure)
        raise PlanError(
            f"{path} cannot be read ({reason}); it must be a channel list, a CSV file"
        ) from failure
    lines = text.splitlines()
    begin = next((n for n, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if begin is None:
        raise PlanError(f"{path.name} has no rows; it must have a line of column names and one a channel")
    # Remarks become empty lines, so that the reader's line numbers stay those of the file.
    kept = "\n".join("" if line.startswith("#") else line for line in lines[begin:])
    reader = csv.DictReader(io.StringIO(kept))
    missing = [column for column in _NEEDED if column not in (reader.fieldnames or ())]
    if missing:
        raise PlanError(
            f"{path.name}: line {begin + 1}: the column {missing[0]} is missing; it must have "
            f"{', '.join(_NEEDED)}"
        )
    rows, problems, names = [], [], set()
    try:
        for cells in reader:
            trail = f"{path.name}: line {begin + reader.line_num}"
            try:
                row = _row(cells)
                if folded(row.name) in names:
                    raise Wrong(f'name is "{row.name}", as on an earlier line; it must be its own')
                names.add(folded(row.name))
                rows.append(row)
            except Wrong as wrong:
                problems.append(f"{trail}: {wrong}")
    except csv.Error as failure:
        problems.append(f"{path.name}: line {begin + reader.line_num}: not valid CSV ({failure})")
    if problems:
        raise PlanError(problems)
    return tuple(rows)


def _row(cells: Mapping[str, str | None]) -> ListedChannel:
    text = {key: (cells.get(key) or "").strip() for key in (*_NEEDED, *_TOLD)}
    problem = clean_name_problem(text["name"])
    if problem:
        raise Wrong(f"name is {write_value(text['name'])}; {problem}")
    frequency = _number(text, "frequency_mhz", "a number of MHz between 0.1 and 6000", check_frequency_mhz)
    width = _number(text, "bandwidth_khz", "a number of kHz between 1 and 40", check_bandwidth_khz)
    tone = None
    if text["usual_tone_hz"]:
        tone = _number(text, "usual_tone_hz", "one of the 50 CTCSS tones", check_tone_hz)
    return ListedChannel(
        name=text["name"],
        frequency_mhz=frequency,
        mode=text["mode"].casefold(),
        bandwidth_khz=width,
        usual_tone_hz=tone,
        tags=frozenset(text["tags"].casefold().split()),
        service=text["service"],
        use=text["use"],
        licence=text["licence_to_transmit"],
        source=text["source"],
        basis=text["basis"],
    )


def _number(text: Mapping[str, str], key: str, right: str, check: Callable[[Decimal], Decimal]) -> Decimal:
    try:
        number = Decimal(text[key])
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite():
        raise Wrong(f"{key} is {write_value(text[key])}; it must be {right}")
    try:
        return check(number)
    except Wrong as wrong:
        raise Wrong(f"{key} is {write_value(text[key])}; {wrong}") from None


def _texts(
    tables: Mapping[str, object], key: str, example: str, file: str, problems: list[str]
) -> Sequence[str]:
    if key not in tables:
        return []
    written = tables[key]
    if (
        isinstance(written, list)
        and written
        and all(isinstance(each, str) and each.strip() for each in written)
    ):
        return [str(each) for each in written]
    problems.append(f"{file}: {key} is {write_value(written)}; it must be a list of texts, like {example}")
    return []


def _file_of(name: str, plan_file: Path) -> Path:
    if name in SHIPPED_LISTS:
        return config_folder() / f"channels_{name}.csv"
    if not name.casefold().endswith(".csv"):
        raise PlanError(
            f"{write_value(name)} is no list; it must be {' or '.join(SHIPPED_LISTS)}, or the path of "
            "a CSV file"
        )
    return plan_file.parent / Path(name).expanduser()


def _nearest(wanted: str, rows: Sequence[ListedChannel]) -> str:
    tags = sorted({tag for row in rows for tag in row.tags})
    by_fold = {folded(row.name): row.name for row in rows} | {tag: tag for tag in tags}
    near = nearest_key(folded(wanted), by_fold)
    if near is not None:
        return f"which is neither a name nor a tag of the lists; did you mean {write_value(by_fold[near])}?"
    return f"which is neither a name nor a tag of the lists; it must be a name or one of {', '.join(tags)}"
