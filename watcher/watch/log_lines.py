"""What the watch does, one line an event: UTC first, then the event, then `key=value` facts.

The form is common as "logfmt" (common practice, no standard): a value with a space, a quote or an equals sign
stands in double quotes. A journal, `grep` and a person can all read it.
"""

from __future__ import annotations

import json
import math
import sys
import threading
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from enum import Enum
from typing import TextIO

from watcher.utc import write_utc

Fact = str | int | float | bool | datetime | timedelta | Enum | Iterable[str] | None


class LineLog:
    """Writes lines, from any thread.

    Parameters
    ----------
    now_utc : callable
        The instant of an event; a clock's `utc`.
    out : text stream, optional
        Standard error where not given, looked up at each line.
    """

    def __init__(self, now_utc: Callable[[], datetime], out: TextIO | None = None) -> None:
        self._now_utc = now_utc
        self._out = out
        self._lock = threading.Lock()

    def event(self, name: str, **facts: Fact) -> None:
        """Write one line. A stream that cannot be written any more is no reason to end the watch."""
        line = write_line(self._now_utc(), name, facts)
        out = sys.stderr if self._out is None else self._out
        with self._lock:
            try:
                out.write(line + "\n")
                out.flush()
            except (OSError, ValueError):  # gone, or closed
                return


def write_line(instant: datetime, name: str, facts: dict[str, Fact]) -> str:
    """`2031-05-04T09:02:01.000Z window-opened name="3 h" until=…`; a fact that is None is left out.

    Numbers with a fraction are written to six significant figures; line ends and control characters become
    escapes, so that one event stays one line.
    """
    parts = [write_utc(instant), _bare(name)]
    parts += [f"{_bare(key)}={_write(value)}" for key, value in facts.items() if value is not None]
    return " ".join(parts)


def _write(value: Fact) -> str:
    text = _text(value)
    plain = bool(text) and text.isprintable() and not any(letter in ' "=' for letter in text)
    return text if plain else json.dumps(text, ensure_ascii=not text.isprintable())


def _text(value: Fact) -> str:
    match value:
        case Enum():
            text = str(value.value)
        case bool():
            text = "true" if value else "false"
        case float() | timedelta():
            number = value if isinstance(value, float) else value.total_seconds()
            text = f"{number:.6g}" if math.isfinite(number) else "unknown"
        case datetime():
            text = write_utc(value)
        case None | int() | str():
            text = str(value)
        case _:
            text = ",".join(value)
    return text


def _bare(text: str) -> str:
    """A key or the name of an event: no sign that would end it."""
    return "".join(letter if letter.isalnum() or letter in "_.-" else "-" for letter in text) or "-"
