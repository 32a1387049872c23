"""Activity reports: reads the log, never the receiver."""

from watcher.report.brief import render_brief
from watcher.report.html import render_html
from watcher.report.pages import PageLimits
from watcher.report.summary import ActivitySummary, summarize
from watcher.report.text import render_text
from watcher.report.writing import read_figures, read_summary, save_report, write_report

__all__ = [
    "ActivitySummary",
    "PageLimits",
    "read_figures",
    "read_summary",
    "render_brief",
    "render_html",
    "render_text",
    "save_report",
    "summarize",
    "write_report",
]
