"""The activity report as one HTML file: no script, no network, everything inside but the clips themselves.

The page's security policy allows nothing but its own style, embedded pictures and audio beside it, and
every text from the log or the plan passes the template's escaping.
"""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from watcher.report import cautions
from watcher.report.pages import Page, PageLimits, page_of
from watcher.report.summary import ActivitySummary

_TEMPLATES = Path(__file__).parent / "templates"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|(?:d|h|min|s|dB|Hz|kHz|MHz)\b)")


def render_html(summary: ActivitySummary, folder: Path, limits: PageLimits | None = None) -> str:
    """The whole page.

    Parameters
    ----------
    summary : ActivitySummary
    folder : Path
        The storage folder: clips are looked up in it, and the page is meant to lie in it.
    limits : PageLimits or None
        How much of a large log is shown; what is left out is said on the page.
    """
    page = page_of(summary, folder, limits or PageLimits())
    return _render(page)


def _render(page: Page) -> str:
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_keep_units_with_numbers,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = (_TEMPLATES / "report.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template("report.html.j2").render(
        page=page,
        cautions=cautions,
        style=Markup(style),  # our own file, not escaped
        policy=(
            "default-src 'none'; base-uri 'none'; form-action 'none'; img-src data:; "
            f"media-src 'self' file:; style-src 'sha256-{digest}'"
        ),
    )


def _keep_units_with_numbers(value: object) -> object:
    """A line must not break between a number and its unit. Markup is left alone: its spaces are ours."""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", value)
