"""The figures of a report on paper: the same tables as on the page, the week drawn as bars and hatching."""

from __future__ import annotations

from datetime import datetime

from watcher.report import cautions
from watcher.report.figures import Figures, FigureTable, Unit
from watcher.report.forms.sheet import Sheet
from watcher.report.hour_strips import STEPS, HourCell, legend, week_strips
from watcher.report.summary import ActivitySummary
from watcher.report.wording import headline

_NAME_MM, _CELL_MM, _TALL_MM = 12.0, 9.6, 6.0


def figures_sheet(summary: ActivitySummary, figures: Figures, made_utc: datetime | None = None) -> Sheet:
    """The sheets, ready to save.

    Parameters
    ----------
    summary : ActivitySummary
    figures : Figures
        Made from this summary.
    made_utc : datetime or None
        Written into the file as its date.
    """
    clock = summary.clock
    title = f"{summary.station}: activity report" if summary.station else "Activity report"
    sheet = Sheet(title, made_utc=made_utc, landscape=True)
    span = f"{clock.full(summary.span.start_utc)} to {clock.full(summary.span.stop_utc)}"
    sheet.words(f"{span}. All times: {clock.name}.")
    for sentence in (*headline(summary), *summary.notices, cautions.AID_ONLY):
        sheet.words(sentence)
    for table in figures.tables:
        if not table.rows:
            continue
        sheet.heading(table.title)
        sheet.words(table.note, points=8)
        others = len(table.head) - 1
        points = 8.0 if others <= 8 else 7.0 if others <= 10 else 5.5
        sheet.ruled(table.head, table.written(), _widths(table), points=points)
    _draw_week(sheet, summary, figures)
    return sheet


def _widths(table: FigureTable) -> tuple[float, ...]:
    """Words want more room than figures."""
    return tuple(1.8 if unit is Unit.WORDS else 1.0 for _, unit in table.columns)


def _draw_week(sheet: Sheet, summary: ActivitySummary, figures: Figures) -> None:
    strips = week_strips(figures.week, len(summary.channels))
    if not strips:
        return
    if sheet.will_page_break(7 * _TALL_MM + 40):
        sheet.add_page()
    sheet.heading("Through the week")
    steps = ", ".join(f"{step} of {len(STEPS)} {words}" for step, words in legend())
    sheet.words(
        "All channels together, by weekday and hour. The bar's height is the share of watched time that was "
        f"heard: {steps}. Hatched: not watched.",
        points=8,
    )
    top, left = sheet.get_y() + 4, sheet.l_margin
    sheet.set_font("helvetica", "", 7)
    for hour in range(24):
        sheet.set_xy(left + _NAME_MM + hour * _CELL_MM, top - 4)
        sheet.cell(_CELL_MM, 4, f"{hour:02d}")
    for row, strip in enumerate(strips):
        y = top + row * _TALL_MM
        sheet.set_xy(left, y)
        sheet.cell(_NAME_MM, _TALL_MM - 1, strip.day)
        for hour, cell in enumerate(strip.cells):
            _draw_cell(sheet, cell, left + _NAME_MM + hour * _CELL_MM, y)
    sheet.set_xy(left, top + 7 * _TALL_MM + 2)


def _draw_cell(sheet: Sheet, cell: HourCell, x: float, y: float) -> None:
    wide, tall = _CELL_MM - 0.6, _TALL_MM - 0.8
    sheet.rect(x, y, wide, tall)
    if not cell.watched:
        for part in (0.25, 0.5, 0.75):
            sheet.line(x + wide * (part - 0.25), y + tall, x + wide * part, y)
            sheet.line(x + wide * part, y + tall, x + wide * (part + 0.25), y)
        return
    if cell.step:
        bar = tall * cell.step / len(STEPS)
        sheet.set_fill_color(60)
        sheet.rect(x, y + tall - bar, wide, bar, style="F")
