"""The figures of a report as tables: the same ones for the page, for CSV and for paper."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from watcher.log.export import csv_cell
from watcher.plan.figures import write_mhz
from watcher.report.comparison import WEEKS, Compared
from watcher.report.exchanges import WholeTransmission
from watcher.report.periods import WEEKDAYS, By, WeekMap, periods, week_map
from watcher.report.summary import ActivitySummary
from watcher.report.wording import UNKNOWN, write_code, write_duration, write_share, write_tone_hz
from watcher.utc import write_utc

Cell = str | int | float | None
CSV_HEAD = ("table", "row", "figure", "unit", "value")
HOURS_SHOWN = 5  # busiest and quietest hours of the week


class Unit(StrEnum):
    """What a column holds, as CSV names it; `write_cell` writes it for a person."""

    WORDS = ""
    COUNT = "count"
    SECONDS = "s"
    HERTZ = "Hz"
    SHARE = "share"
    PER_HOUR = "per hour"


@dataclass(frozen=True, slots=True)
class FigureTable:
    """One table: its first column names the row, the others hold plain figures in the unit of the column."""

    key: str
    title: str
    note: str
    columns: tuple[tuple[str, Unit], ...]
    rows: tuple[tuple[Cell, ...], ...]

    @property
    def head(self) -> tuple[str, ...]:
        """The names of the columns."""
        return tuple(name for name, _ in self.columns)

    def written(self) -> tuple[tuple[str, ...], ...]:
        """The rows for a person."""
        return tuple(
            tuple(write_cell(cell, unit) for cell, (_, unit) in zip(row, self.columns, strict=True))
            for row in self.rows
        )


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """All tables of a report, and the hours of the week as a picture can show them."""

    tables: tuple[FigureTable, ...]
    week: WeekMap


def figures_of(
    summary: ActivitySummary, by: By = By.DAY, compared: tuple[Compared, ...] | None = None
) -> Figures:
    """The tables of a summary.

    Parameters
    ----------
    summary : ActivitySummary
    by : By
        How the span is cut.
    compared : tuple of Compared or None
        The latest week against those before it; None leaves that table out.
    """
    week = week_map(summary)
    tables = [_periods(summary, by), _channels(summary), _tones(summary), *_hours(week), _coverage(summary)]
    if compared is not None:
        tables.append(_comparison(compared))
    return Figures(tuple(tables), week)


def write_cell(cell: Cell, unit: Unit) -> str:
    """A figure for a person; None is unknown."""
    if cell is None:
        return UNKNOWN
    if isinstance(cell, str):
        return cell
    return _WRITTEN.get(unit, _count)(cell)


def _count(number: float) -> str:
    return f"{number:,}"


def _hertz(hertz: float) -> str:
    return f"{write_mhz(round(hertz))} MHz"


def _per_hour(rate: float) -> str:
    return f"{rate:.2g}" if rate < 99.5 else f"{rate:,.0f}"


_WRITTEN: dict[Unit, Callable[[float], str]] = {
    Unit.SECONDS: write_duration,
    Unit.SHARE: write_share,
    Unit.HERTZ: _hertz,
    Unit.PER_HOUR: _per_hour,
}


def figures_csv(summary: ActivitySummary, figures: Figures) -> str:
    """All figures as CSV (RFC 4180), one a line: table, row, figure, unit, value; unknown is empty."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(CSV_HEAD)
    for name, instant in (("from", summary.span.start_utc), ("to", summary.span.stop_utc)):
        rows.writerow(("report", "span", name, "UTC", write_utc(instant)))
    rows.writerow(("report", "span", "time zone", "", csv_cell(summary.clock.name)))
    for table in figures.tables:
        for row in table.rows:
            for cell, (figure, unit) in zip(row[1:], table.columns[1:], strict=True):
                rounded = round(cell, 6) if isinstance(cell, float) else cell
                cells = (table.key, row[0], figure, unit.value, rounded)
                rows.writerow([csv_cell(each) for each in cells])
    for weekday, name in enumerate(WEEKDAYS):
        for hour in range(24):
            place = f"{name} {hour:02d}"
            for figure, seconds in (("heard", figures.week.heard_s), ("watched", figures.week.watched_s)):
                value = round(float(seconds[weekday, hour]), 3)
                rows.writerow(("hours of the week", place, figure, "s", csv_cell(value)))
    return out.getvalue()


def _periods(summary: ActivitySummary, by: By) -> FigureTable:
    note = "Times of all channels are added up. Occupancy is heard over watched time."
    if by is By.TRIP:
        note += " A whole day without any watch ends a trip."
    return FigureTable(
        key=f"by {by.value}",
        title=f"By {by.value}",
        note=note,
        columns=(
            (by.value.capitalize(), Unit.WORDS),
            ("Transmissions", Unit.COUNT),
            ("Exchanges", Unit.COUNT),
            ("Heard", Unit.SECONDS),
            ("Watched", Unit.SECONDS),
            ("Not watched", Unit.SECONDS),
            ("Occupancy", Unit.SHARE),
            ("Coverage", Unit.SHARE),
        ),
        rows=tuple(
            (
                *(one.name, one.transmissions, one.exchanges, one.heard_s, one.watched_s, one.unwatched_s),
                *(one.occupancy, one.coverage),
            )
            for one in periods(summary, by)
        ),
    )


def _channels(summary: ActivitySummary) -> FigureTable:
    counts: dict[str, int] = {}
    for one in summary.exchanges:
        counts[one.channel] = counts.get(one.channel, 0) + 1
    return FigureTable(
        key="by channel",
        title="By channel",
        note="Low and high are the 95 % interval of the occupancy.",
        columns=(
            ("Channel", Unit.WORDS),
            ("Frequency", Unit.HERTZ),
            ("Transmissions", Unit.COUNT),
            ("Exchanges", Unit.COUNT),
            ("Heard", Unit.SECONDS),
            ("Watched", Unit.SECONDS),
            ("Occupancy", Unit.SHARE),
            ("Low", Unit.SHARE),
            ("High", Unit.SHARE),
            ("Exchanges an hour watched", Unit.PER_HOUR),
        ),
        rows=tuple(
            (
                *(one.name, one.frequency_hz, one.transmissions, counts.get(one.name, 0)),
                *(one.occupancy.heard_s, one.occupancy.watched_s, one.occupancy.share),
                *(one.occupancy.low, one.occupancy.high),
                _rate(counts.get(one.name, 0), one.occupancy.watched_s),
            )
            for one in summary.channels
        ),
    )


def _tones(summary: ActivitySummary) -> FigureTable:
    by_tone: dict[str, list[WholeTransmission]] = {}
    for one in summary.transmissions:
        by_tone.setdefault(_tone_name(one), []).append(one)
    ordered = sorted(by_tone.items(), key=lambda item: (-len(item[1]), item[0]))
    return FigureTable(
        key="by tone",
        title="By tone and code",
        note="None: somebody looked and found none. Unknown: nobody looked. Heard: whole transmissions.",
        columns=(
            ("Tone or code", Unit.WORDS),
            ("Transmissions", Unit.COUNT),
            ("Heard", Unit.SECONDS),
            ("Channels", Unit.WORDS),
            ("Last heard", Unit.WORDS),
        ),
        rows=tuple(
            (
                name,
                len(heard),
                sum(one.seconds for one in heard),
                ", ".join(dict.fromkeys(one.channel for one in heard)),
                summary.clock.full(heard[-1].start_utc),
            )
            for name, heard in ordered
        ),
    )


def _tone_name(heard: WholeTransmission) -> str:
    if heard.code is not None and heard.code.code is not None:
        return write_code(heard.code)
    return UNKNOWN if heard.tone is None else write_tone_hz(heard.tone.tone_hz)


def _hours(week: WeekMap) -> Iterator[FigureTable]:
    columns = (("Hour", Unit.WORDS), ("Heard", Unit.SECONDS), ("Watched", Unit.SECONDS))
    ordered = week.ordered()
    busiest = [one for one in ordered if one[2] > 0][:HOURS_SHOWN]
    # Of hours alike in share the one watched longest says most.
    quietest = sorted(ordered, key=lambda one: (one[2], -week.watched_s[one[0], one[1]]))[:HOURS_SHOWN]
    for key, title, chosen in (
        ("busiest hours", "Busiest hours of the week", busiest),
        ("quietest hours", "Quietest hours of the week", quietest),
    ):
        yield FigureTable(
            key=key,
            title=title,
            note="By occupancy of all channels together, among hours watched for 5 min or more.",
            columns=(*columns, ("Occupancy", Unit.SHARE)),
            rows=tuple(
                (
                    f"{WEEKDAYS[weekday]} {hour:02d} to {(hour + 1) % 24:02d}",
                    float(week.heard_s[weekday, hour]),
                    float(week.watched_s[weekday, hour]),
                    share,
                )
                for weekday, hour, share in chosen
            ),
        )


def _coverage(summary: ActivitySummary) -> FigureTable:
    """Where the time of every channel went; each row adds up to the whole span."""
    causes = list(
        dict.fromkeys(cause for one in summary.channels for cause in one.account.unwatched_by_cause())
    )
    rows = []
    for one in summary.channels:
        missed = one.account.unwatched_by_cause()
        heard_s, watched_s = one.occupancy.heard_s, one.occupancy.watched_s
        whole_s = watched_s + one.account.unwatched_s
        rows.append(
            (
                *(one.name, watched_s / whole_s if whole_s > 0 else None, heard_s, watched_s - heard_s),
                *(missed.get(cause, 0.0) for cause in causes),
            )
        )
    return FigureTable(
        key="coverage",
        title="Where the time went",
        note="Heard, quiet, and not watched by its cause: each row adds up to the whole span.",
        columns=(
            ("Channel", Unit.WORDS),
            ("Coverage", Unit.SHARE),
            ("Heard", Unit.SECONDS),
            ("Quiet", Unit.SECONDS),
            *((f"Not watched: {cause}", Unit.SECONDS) for cause in causes),
        ),
        rows=tuple(rows),
    )


def _comparison(compared: tuple[Compared, ...]) -> FigureTable:
    return FigureTable(
        key="earlier weeks",
        title="The latest week and the four before",
        note=(
            "Exchanges an hour watched, and the occupancy of each week before, the earliest first. A "
            "difference is named where chance alone would make it in less than 1 of 100 such weeks."
        ),
        columns=(
            ("Channel", Unit.WORDS),
            ("Now", Unit.PER_HOUR),
            ("Before", Unit.PER_HOUR),
            *((f"{WEEKS - number} before", Unit.SHARE) for number in range(WEEKS)),
            ("Difference", Unit.WORDS),
        ),
        rows=tuple(
            (
                one.channel,
                _rate(one.exchanges, one.watched_h * 3600),
                _rate(one.before_exchanges, one.before_watched_h * 3600),
                *one.before_shares,
                one.words,
            )
            for one in compared
        ),
    )


def _rate(count: int, watched_s: float) -> float | None:
    return count / (watched_s / 3600) if watched_s > 0 else None
