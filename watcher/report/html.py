"""The activity report as one HTML file: no script, no network, everything inside but the clips themselves.

The page's security policy allows nothing but its own style, embedded pictures and audio beside it, and
every text from the log or the plan passes the template's escaping.
"""

from __future__ import annotations

from pathlib import Path

from watcher.report import cautions
from watcher.report.page_frame import house_style, policy_of, template_environment
from watcher.report.pages import Page, PageLimits, page_of
from watcher.report.summary import ActivitySummary

_TEMPLATES = Path(__file__).parent / "templates"


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
    style = house_style()
    return (
        template_environment(_TEMPLATES)
        .get_template("report.html.j2")
        .render(page=page, cautions=cautions, style=style, policy=policy_of(style, media="'self' file:"))
    )
