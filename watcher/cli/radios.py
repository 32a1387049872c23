"""The command that lists and measures radios: `radios`."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import Quiet, StopOnSignal, app, as_number, err, out
from watcher.errors import RadioError
from watcher.plan.figures import write_mhz
from watcher.plan.model import WatchPlan
from watcher.plan.reading import read_plan
from watcher.radio.opening import open_radio
from watcher.radio.rtlsdr_library import load_driver
from watcher.radio.survey import Listed, Survey, SurveyTuning, TuningMeasured, survey
from watcher.watch.posts import Share, shares_of


@app.command()
def radios(
    plan_file: Annotated[
        Path | None,
        typer.Argument(metavar="[PLAN]", help="Measure this plan's radios; without it, list what is here."),
    ] = None,
    seconds: Annotated[
        str, typer.Option("--seconds", metavar="S", help="How long to measure each radio.")
    ] = "60",
    quiet: Quiet = False,
) -> None:
    """List the radios that are plugged in, or measure those of a plan."""
    if plan_file is None:
        _list()
        return
    plan = read_plan(plan_file)
    lasting_s = as_number("--seconds", seconds, "60")
    failed = False
    with StopOnSignal() as stop_wanted:
        for share in shares_of(plan):
            if not quiet:
                err.print(f"measuring for {lasting_s:.0f} s ...", markup=False)
            measured = survey(
                open_radio(share.radio),
                _tunings(share, plan),
                seconds=lasting_s,
                stop_wanted=stop_wanted,
            )
            for line in _lines(measured):
                out.print(line, markup=False)
            failed |= measured.failure is not None
    if failed:
        raise typer.Exit(RadioError.exit_code)


def _list() -> None:
    plugged = load_driver().plugged()
    if not plugged:
        out.print("no RTL-SDR is plugged in", markup=False)
    for each in plugged:
        serial = each.serial or "unknown: it may not be asked"
        out.print(f"radio {each.index}, serial {serial}", markup=False)


def _tunings(share: Share, plan: WatchPlan) -> list[SurveyTuning]:
    own = sorted(share.dwells.tunings)
    found = []
    for number in own:
        tuning = share.tunings[number]
        listed = tuple(Listed(c.name, c.low_edge_hz, c.high_edge_hz) for c in tuning.channels)
        found.append(SurveyTuning(tuning.centre_hz, listed))
    return found


def _lines(measured: Survey) -> Iterator[str]:
    yield measured.label
    for note in measured.notes:
        yield f"  {note}"
    for tuning in measured.tunings:
        yield from _tuning_lines(tuning)
    if measured.ppm is not None:
        found = measured.ppm
        doubt = "" if found.agree else "; the carriers do not agree"
        yield f"  reference: {found.ppm:+.2f} +- {found.sigma_ppm:.2f} ppm{doubt}"
        yield f"  for the plan: ppm = {found.ppm:.1f}"
    elif measured.tunings:
        yield "  reference: unknown; no carrier of known frequency was heard"
    if measured.failure is not None:
        yield f"  {measured.failure}"


def _tuning_lines(tuning: TuningMeasured) -> Iterator[str]:
    yield (
        f"  {write_mhz(tuning.centre_hz)} MHz, {tuning.sample_rate_hz} samples/s, {tuning.seconds:.1f} s: "
        f"noise {tuning.floor_dbfs_hz:.1f} +- {tuning.floor_sigma_db:.1f} dBFS/Hz, peaks "
        f"{tuning.peak_dbfs:.1f} dBFS, clipped {_share(tuning.clipped_share)}, lost {tuning.lost_samples} "
        f"samples in {tuning.losses} places"
    )
    for carrier in tuning.carriers:
        yield (
            f"    carrier {write_mhz(carrier.frequency_hz)} MHz shows {carrier.offset_hz:+.1f} +- "
            f"{carrier.sigma_hz:.1f} Hz off, {carrier.snr_db:.0f} dB"
        )
    for channel, line in tuning.lines:
        origin = "" if line.harmonic is None else f", harmonic {line.harmonic} of the radio's own crystal"
        yield (
            f"    steady line on {channel} at {write_mhz(round(line.frequency_hz))} MHz, "
            f"{line.above_floor_db:.0f} dB over the noise{origin}"
        )


def _share(share: float) -> str:
    return "none" if share == 0 else f"1 in {math.ceil(1 / share):,}"
