"""Letters beyond Latin-1 for paper: free fonts that this machine already has.

None comes with the program and none is fetched. Each may be embedded in a document: Liberation and Noto are
under the SIL Open Font License, DejaVu under the licence of Bitstream Vera.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FONT_FOLDERS = ("/usr/share/fonts", "/usr/local/share/fonts", "~/.local/share/fonts", "~/.fonts")
WANTED = (
    ("LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf"),  # as wide as the fonts of every reader: first
    ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"),
    ("NotoSans-Regular.ttf", "NotoSans-Bold.ttf"),
)


@dataclass(frozen=True, slots=True)
class FontFiles:
    """One font in two weights."""

    regular: Path
    bold: Path


def fonts_in(folders: Sequence[Path]) -> tuple[FontFiles, ...]:
    """The wanted fonts that lie below some folders, the best first."""
    names = {name for pair in WANTED for name in pair}
    found: dict[str, Path] = {}
    for folder in folders:
        for place, _, files in os.walk(folder):
            for name in names.intersection(files):
                found.setdefault(name, Path(place) / name)
    whole = [(regular, bold) for regular, bold in WANTED if regular in found and bold in found]
    return tuple(FontFiles(found[regular], found[bold]) for regular, bold in whole)


@cache
def system_fonts() -> tuple[FontFiles, ...]:
    """Those of this machine; they are looked for once."""
    return fonts_in([Path(folder).expanduser() for folder in FONT_FOLDERS])
