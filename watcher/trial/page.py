"""A sheet as one HTML file: no script, no network, in the style of the activity report."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from watcher.report.page_frame import house_style, policy_of, template_environment
from watcher.trial.sheet import Sheet

_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG for the page and the words that stand for it."""

    png: bytes
    words: str

    @property
    def source(self) -> str:
        """The picture inside its own address."""
        return f"data:image/png;base64,{base64.b64encode(self.png).decode()}"


def render_page(sheet: Sheet, pictures: Sequence[Picture] = ()) -> str:
    """The whole page."""
    style = house_style()
    return (
        template_environment(_TEMPLATES)
        .get_template("trial.html.j2")
        .render(sheet=sheet, pictures=pictures, style=style, policy=policy_of(style))
    )
