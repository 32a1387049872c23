"""What a user says of recordings that do not tell it of themselves; shared by `replay` and `trial`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import as_number, as_whole, instant
from watcher.radio.facts import RawFacts

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
