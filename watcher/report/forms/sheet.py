"""A printed sheet: labelled boxes, ruled tables whose head comes again on each page, "page n of m".

The letters are those of the fonts every reader of PDF has, which know the Latin-1 set. From the first letter
outside it on they are those of a free font of this machine, embedded. A letter that is in neither is written
without its accent where it has one, else as "?", and the sheet says so.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import zip_longest
from pathlib import Path
from typing import Literal, cast

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace, TTFFont

from watcher.durable import write_whole
from watcher.errors import StorageError
from watcher.report.forms.letters import FontFiles, system_fonts

MARGIN_MM = 12.0
LINE_MM = 4.6
LABEL_PT, TEXT_PT, TITLE_PT = 7.0, 9.5, 14.0
Style = Literal["", "B"]

_FIXED_UTC = datetime(2000, 1, 1, tzinfo=UTC)
_PLAIN = str.maketrans(
    {
        "−": "-",
        "–": "-",
        "—": "-",
        "’": "'",
        "‘": "'",
        "“": '"',
        "”": '"',
        "…": "...",
        "\N{NO-BREAK SPACE}": " ",
    }
)
# Letters without an accent that could be left away.
_BARE = dict(zip("ŁłĐđĦħıŒœ", ("L", "l", "D", "d", "H", "h", "i", "OE", "oe"), strict=True))
_LETTERS_LOST = "Letters that this sheet cannot show stand as ?; the text form has them."
_BOLD = FontFace(emphasis="BOLD")


class Sheet(FPDF):
    """Pages of one form.

    Parameters
    ----------
    title, form : str
        What the sheet is, and the name of the public form it follows; empty where it follows none.
    foot : sequence of (str, str)
        Labels and texts of the boxes at the foot of every page.
    made_utc : datetime or None
        Written into the file as its date; None for a fixed one, so that the same input gives the same bytes.
    landscape : bool
    fonts : sequence of FontFiles or None
        The fonts to embed, the best first; none for those of every reader. None for those of this machine.
    """

    def __init__(
        self,
        title: str,
        form: str = "",
        *,
        foot: Sequence[tuple[str, str]] = (),
        made_utc: datetime | None = None,
        landscape: bool = False,
        fonts: Sequence[FontFiles] | None = None,
    ) -> None:
        super().__init__(orientation="landscape" if landscape else "portrait", unit="mm", format="letter")
        self._title, self._form, self._foot = title, form, tuple(foot)
        self._letters_lost = False
        self._offered = fonts
        self._face, self._letters = "helvetica", frozenset[int]()
        self.set_title(self.plain(title))
        self.set_lang("en")
        self.set_creation_date(made_utc or _FIXED_UTC)
        self.set_margins(MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(True, margin=MARGIN_MM + (16.0 if foot else 6.0))
        self.set_draw_color(90)
        self.add_page()

    def plain(self, text: str) -> str:
        """The text in letters the sheet has, without anything that is no letter."""
        kept = []
        for letter in text.translate(_PLAIN):
            if letter == "\n" or (letter.isprintable() and self._has(letter)):
                kept.append(letter)
                continue
            if letter in _BARE:
                kept.append(_BARE[letter])
                continue
            bare = "".join(one for one in unicodedata.normalize("NFKD", letter) if 32 <= ord(one) < 127)
            self._letters_lost |= not bare
            kept.append(bare or "?")
        return "".join(kept)

    def _has(self, letter: str) -> bool:
        if ord(letter) < 256:
            return True
        if self._offered is None or self._offered:
            self._embed(system_fonts() if self._offered is None else self._offered)
            self._offered = ()
        return ord(letter) in self._letters

    def _embed(self, fonts: Sequence[FontFiles]) -> None:
        """Go on in the first of these fonts; the others fill in for what it has not."""
        letters: set[int] = set()
        names = [f"sheet{number}" for number in range(len(fonts))]
        for name, files in zip(names, fonts, strict=True):
            self.add_font(name, "", files.regular)
            self.add_font(name, "B", files.bold)
            letters.update(cast(TTFFont, self.fonts[name]).cmap)
        if names:
            self._face, self._letters = names[0], frozenset(letters)
            self.set_fallback_fonts(names[1:], exact_match=False)

    def _cell(
        self, text: str, style: Style, points: float, wide_mm: float, tall_mm: float, *, right: bool = False
    ) -> None:
        """A cell of one line; its letters are looked at first, for they choose the font."""
        plain = self.plain(text)
        self.set_font(self._face, style, points)
        self.cell(wide_mm, tall_mm, plain, align="R" if right else "L")

    def header(self) -> None:
        """Title and form name; the library calls it for each page."""
        self._cell(self._title, "B", TITLE_PT, self.epw - 40, 8)
        self._cell(self._form, "", TEXT_PT, 40, 8, right=True)
        self.ln(9)

    def footer(self) -> None:
        """The boxes of the foot, and the page's number; the library calls it for each page."""
        if self._foot:
            self.set_y(-MARGIN_MM - 15)
            self.boxes(self._foot, tall_mm=10)
        self.set_y(-MARGIN_MM - 4)
        self._cell(_LETTERS_LOST if self._letters_lost else "", "", LABEL_PT, self.epw - 40, 4)
        self._cell(f"Page {self.page_no()} of {{nb}}", "", LABEL_PT, 40, 4, right=True)

    def boxes(self, fields: Sequence[tuple[str, str]], *, tall_mm: float = 11.0) -> None:
        """A row of boxes of one width, each with its label above its text; an empty text is a blank box."""
        wide = self.epw / len(fields)
        left, top = self.l_margin, self.get_y()
        for number, (label, text) in enumerate(fields):
            x = left + number * wide
            self.rect(x, top, wide, tall_mm)
            self.set_xy(x + 0.8, top + 0.6)
            self._cell(label, "", LABEL_PT, wide - 1.6, 3)
            self.set_xy(x + 0.8, top + 4)
            self._fitted(self.plain(text), wide - 1.6)
        self.set_xy(left, top + tall_mm)

    def writing_box(self, label: str, text: str, *, least_mm: float) -> None:
        """A box over the whole width that grows with its text, for writing by hand too."""
        top = self.get_y()
        self.set_xy(self.l_margin + 0.8, top + 0.6)
        self._cell(label, "", LABEL_PT, self.epw - 1.6, 3)
        self.set_xy(self.l_margin + 0.8, top + 3.6)
        plain = self.plain(text)
        self.set_font(self._face, "", TEXT_PT)
        page = self.page_no()
        self.multi_cell(self.epw - 1.6, LINE_MM, plain, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        if self.page_no() != page:  # a text longer than a page runs on without a frame
            return
        bottom = max(top + least_mm, self.get_y() + 1)
        self.rect(self.l_margin, top, self.epw, bottom - top)
        self.set_y(bottom)

    def heading(self, text: str) -> None:
        """A heading, kept with what follows it."""
        if self.will_page_break(25):
            self.add_page()
        self.ln(2)
        plain = self.plain(text)
        self.set_font(self._face, "B", 11)
        self.multi_cell(self.epw, 5.5, plain, new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def words(self, text: str, *, points: float = TEXT_PT) -> None:
        """A paragraph."""
        plain = self.plain(text)
        self.set_font(self._face, "", points)
        self.multi_cell(self.epw, points * 0.48, plain, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(0.8)

    def ruled(
        self,
        head: Sequence[str],
        rows: Iterable[Sequence[str]],
        widths: Sequence[float],
        *,
        points: float = 8.5,
    ) -> None:
        """A table with rules between its cells; its head comes again on each page.

        Parameters
        ----------
        rows : iterable of sequence of str
            A row of one cell goes over the whole width; a cell too long for a page goes on in the next row.
        widths : sequence of float
            Shares of the width, in any unit.
        """
        wide_mm = [self.epw * wide / sum(widths) for wide in widths]
        plain_head = [self.plain(cell) for cell in head]
        parts: list[list[str]] = []
        for cells in rows:
            plain = [self.plain(cell) for cell in cells]
            parts += [plain] if len(plain) == 1 else _row_parts(plain, wide_mm, points)
        self.set_font(self._face, "", points)
        with self.table(
            col_widths=tuple(widths),
            line_height=points * 0.47,
            text_align="LEFT",
            padding=0.8,
            headings_style=FontFace(emphasis="BOLD", fill_color=(235, 235, 235)),
        ) as table:
            table.row(plain_head)
            for part in parts:
                if len(part) == 1:
                    table.row().cell(part[0], colspan=len(head), style=_BOLD)
                else:
                    table.row(part)
        self.ln(1)

    def save(self, path: Path) -> None:
        """Put the file under its name when it is complete.

        Raises
        ------
        StorageError
            It cannot be written.
        """
        save_bytes(path, bytes(self.output()))

    def _fitted(self, text: str, wide_mm: float) -> None:
        """The text in one line, smaller where it is long, and over two where that is not enough."""
        for points in (TEXT_PT, 8.5, 7.5):
            self.set_font(self._face, "", points)
            if self.get_string_width(text) <= wide_mm - 2:
                self.cell(wide_mm, 5, text)
                return
        self.set_font(self._face, "", 6.5)
        x, y = self.get_x(), self.get_y()
        lines = cast(list[str], self.multi_cell(wide_mm, 2.8, text, align="L", dry_run=True, output="LINES"))
        shown = lines if len(lines) <= 2 else [lines[0], f"{lines[1][:-3]}..."]
        for number, line in enumerate(shown):
            self.set_xy(x, y + 2.8 * number)
            self.cell(wide_mm, 2.8, line)


def _row_parts(cells: Sequence[str], wide_mm: Sequence[float], points: float) -> list[list[str]]:
    """A row as rows that each fit on a page: what is too long goes on below, beside blank cells."""
    columns = []
    for text, wide in zip(cells, wide_mm, strict=True):
        # 30 of the 50 lines of a page, each letter 0.2 mm wide a point: even capitals fit, at 0.33 mm.
        room = max(1, int(wide / (0.2 * points))) * 30
        columns.append(textwrap.wrap(text, room) if len(text) > room else [text])
    return [list(row) for row in zip_longest(*columns, fillvalue="")]


def save_bytes(path: Path, content: bytes) -> None:
    """Put a finished paper under its name; what stood there stays until then.

    Raises
    ------
    StorageError
        The file cannot be written.
    """
    try:
        write_whole(path, content)
    except OSError as failure:
        raise StorageError(
            f"{path} cannot be written ({failure.strerror}); give a file in a folder that can be"
        ) from failure
