"""The activity report as one HTML file: no script, no network, everything inside but the clips themselves.

The page's security policy allows nothing but its own style, embedded pictures and audio beside it, and
every text from the log or the plan passes the template's escaping.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

from watcher.report import cautions
from watcher.report.exchanges import exchanges
from watcher.report.figures import Figures, figures_of
from watcher.report.page_frame import house_style, policy_of, template_environment
from watcher.report.pages import Page, PageLimits, page_of
from watcher.report.selection import chosen_words, transmissions_with
from watcher.report.summary import ActivitySummary
from watcher.report.wording import headline

_TEMPLATES = Path(__file__).parent / "templates"


def render_html(
    summary: ActivitySummary,
    folder: Path,
    limits: PageLimits | None = None,
    *,
    only: Collection[int] | None = None,
    figures: Figures | None = None,
) -> str:
    """The whole page.

    Parameters
    ----------
    summary : ActivitySummary
    folder : Path
        The storage folder: clips are looked up in it, and the page is meant to lie in it.
    limits : PageLimits or None
        How much of a large log is shown; what is left out is said on the page.
    only : collection of int or None
        List only transmissions with an entry of these numbers; figures stay those of all, and the page says
        so.
    figures : Figures or None
        The tables to show; those by day, without earlier weeks, where they are not at hand.
    """
    limits = limits or PageLimits()
    figures = figures or figures_of(summary)
    if only is None:
        return _render(page_of(summary, folder, limits, figures))
    listed = transmissions_with(summary.transmissions, only)
    found = tuple(exchanges(listed))
    holds = {id(one): exchange for exchange in found for one in exchange.transmissions}
    first = tuple(
        replace(one, exchange=holds[id(one.begin_with)])
        for one in summary.hear_first
        if id(one.begin_with) in holds
    )
    chosen = replace(summary, transmissions=listed, exchanges=found, hear_first=first)
    words = chosen_words(len(listed), len(summary.transmissions))
    page = page_of(chosen, folder, limits, figures)
    # The sentences above all are of the whole watch, as are the channels and hours.
    return _render(replace(page, headline=headline(summary), notices=(*page.notices, words)))


def _render(page: Page) -> str:
    style = house_style()
    return (
        template_environment(_TEMPLATES)
        .get_template("report.html.j2")
        .render(page=page, cautions=cautions, style=style, policy=policy_of(style, media="'self' file:"))
    )
