"""What every command shares: the program's name, how it speaks, how options are read, how it is stopped."""

from __future__ import annotations

import math
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from watcher.errors import UsageProblem
from watcher.utc import read_utc

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Stand a receive-only radio watch: hear every listed channel, keep clips, account for every minute.",
    epilog="It receives only. An aid, never the only plan; laws on listening and on passing on differ.",
)
out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="The watch plan, a TOML file.")]
LogFolder = Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of a watch log.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Say nothing but errors.")]
Since = Annotated[str | None, typer.Option("--from", metavar="UTC", help="Start of the span, ISO 8601 UTC.")]
Until = Annotated[str | None, typer.Option("--to", metavar="UTC", help="End of the span, ISO 8601 UTC.")]


def say_warnings(warnings: Sequence[str], quiet: bool) -> None:
    for warning in () if quiet else warnings:
        err.print(f"worth a look: {warning}", markup=False)


def as_number(option: str, text: str, example: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageProblem(f"{option} is {text}; it must be a number, like {example}")
    return number


def as_whole(option: str, text: str, example: str) -> int:
    number = as_number(option, text, example)
    if number != round(number):
        raise UsageProblem(f"{option} is {text}; it must be a whole number, like {example}")
    return round(number)


def let_go_of_output() -> None:
    """What is still buffered for standard output goes nowhere, without a complaint at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def instant(option: str, text: str) -> datetime:
    try:
        return read_utc(text)
    except ValueError as problem:
        raise UsageProblem(
            f"{option} is {text}; it must be an instant with its zone, like 2031-05-04T03:00:00Z"
        ) from problem


class StopOnSignal:
    """SIGINT and SIGTERM ask for an orderly end: open clips are finished and the log is closed."""

    def __enter__(self) -> Callable[[], bool]:
        self._wanted = threading.Event()
        self._before = {
            number: signal.signal(number, lambda *_: self._wanted.set())
            for number in (signal.SIGINT, signal.SIGTERM)
        }
        return self._wanted.is_set

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
