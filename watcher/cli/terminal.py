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
from watcher.radio.facts import RawFacts
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

# What a recording does not tell of itself; `raw_facts` and `as_ppm` read them.
Recordings = Annotated[
    list[Path], typer.Argument(metavar="RECORDING...", help="SigMF, WAV or bare IQ files.")
]
RateHz = Annotated[
    str | None, typer.Option("--rate-hz", metavar="HZ", help="Sample rate, where a file tells none.")
]
CentreMhz = Annotated[
    str | None, typer.Option("--centre-mhz", metavar="MHZ", help="Centre frequency, where a file tells none.")
]
StartUtc = Annotated[
    str | None,
    typer.Option("--start", metavar="UTC", help="Instant of the first sample, where a file tells none."),
]
Datatype = Annotated[
    str | None, typer.Option("--datatype", help="cu8, ci8, ci16_le or cf32_le, for bare samples.")
]
Ppm = Annotated[
    str | None,
    typer.Option("--ppm", metavar="PPM", help="How fast the radio's reference runs; overrides the plan."),
]


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


def raw_facts(
    rate_hz: str | None, centre_mhz: str | None, start: str | None, datatype: str | None
) -> RawFacts:
    """What the user said of recordings that do not tell it themselves."""
    return RawFacts(
        datatype=datatype,
        sample_rate_hz=None if rate_hz is None else as_whole("--rate-hz", rate_hz, "2400000"),
        centre_hz=None if centre_mhz is None else round(as_number("--centre-mhz", centre_mhz, "146.5") * 1e6),
        start_utc=None if start is None else instant("--start", start),
    )


def as_ppm(text: str | None) -> float | None:
    return None if text is None else as_number("--ppm", text, "1.5")


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
