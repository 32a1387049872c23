"""What every page of the program shares: its style, its security policy, and templates that escape."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

_STYLE = Path(__file__).parent / "templates" / "report.css"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|(?:d|h|min|s|ms|dB|dBm|Hz|kHz|MHz)\b)")


def template_environment(folder: Path) -> Environment:
    """Templates of a folder: everything they show is escaped, and what is not there is an error."""
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_keep_units_with_numbers,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def house_style() -> Markup:
    """The style sheet, to stand inside a page: our own file, not escaped."""
    return Markup(_STYLE.read_text(encoding="utf-8"))


def policy_of(style: Markup, *, media: str | None = None) -> str:
    """A security policy that allows nothing but this style and pictures inside the page.

    Parameters
    ----------
    style : Markup
    media : str or None
        Where sound may come from besides.
    """
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    sound = "" if media is None else f"media-src {media}; "
    return (
        "default-src 'none'; base-uri 'none'; form-action 'none'; img-src data:; "
        f"{sound}style-src 'sha256-{digest}'"
    )


def _keep_units_with_numbers(value: object) -> object:
    """A line must not break between a number and its unit. Markup is left alone: its spaces are ours."""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", value)
