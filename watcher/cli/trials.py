"""The commands of proof: `trial run` (or plain `trial`), `trial scene` and `trial bench`."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated

import typer
from typer.core import TyperGroup

from watcher.cli.recording_options import (
    CentreMhz,
    Datatype,
    Ppm,
    RateHz,
    Recordings,
    StartUtc,
    as_ppm,
    raw_facts,
)
from watcher.cli.terminal import (
    PlanFile,
    Quiet,
    StopOnSignal,
    app,
    as_number,
    as_whole,
    err,
    let_go_of_output,
    out,
    say_warnings,
)
from watcher.durable import write_whole
from watcher.errors import StorageError, UsageProblem
from watcher.plan.reading import read_plan
from watcher.radio.recording import open_recording
from watcher.radio.source import SampleSource
from watcher.shipped import program
from watcher.trial.bench import SEED, bench_pictures, bench_sheet, bench_tree, run_bench
from watcher.trial.page import render_page
from watcher.trial.result import JSON_NAME, as_json, read_earlier, trial_tree
from watcher.trial.run import Trial, run_trial
from watcher.trial.scene_building import build_scene
from watcher.trial.scene_file import read_scene
from watcher.trial.sheet import as_text, sheet_of
from watcher.watch.progress import shown_progress
from watcher.watch.replay import Step

FORMS = ("text", "json", "html")
PAGE_NAME = "trial.html"
BENCH_JSON_NAME = "bench.json"
BENCH_PAGE_NAME = "bench.html"
BELOW_SHARE = 1  # exit code where --fail-under is not reached


class _RunUnlessNamed(TyperGroup):
    """`trial PLAN RECORDING…` is `trial run PLAN RECORDING…`."""

    def parse_args(self, ctx, args):  # type: ignore[no-untyped-def]
        if args and args[0] not in self.commands and args[0] != "--help":
            args = ["run", *args]
        return super().parse_args(ctx, args)


trial = typer.Typer(
    cls=_RunUnlessNamed,
    rich_markup_mode=None,
    help="Prove it: replay recordings with known truth, build scenes, measure the receiver.",
)
app.add_typer(trial, name="trial")


@trial.command()
def run(  # noqa: PLR0917 - the options are named ones to the user
    plan_file: PlanFile,
    recordings: Recordings,
    truth: Annotated[
        Path, typer.Option("--truth", metavar="FILE", help="What was sent: SigMF metadata or JSON Lines.")
    ],
    into: Annotated[
        Path | None, typer.Option("--into", metavar="FOLDER", help="Keep the clips, the log and the score.")
    ] = None,
    fail_under: Annotated[
        str | None,
        typer.Option("--fail-under", metavar="SHARE", help="Exit code 1 where recall is less, 0 to 1."),
    ] = None,
    form: Annotated[str, typer.Option("--as", metavar="FORM", help=f"One of {', '.join(FORMS)}.")] = "text",
    against: Annotated[
        Path | None,
        typer.Option("--against", metavar="TRIAL", help="An earlier trial: its folder or its JSON."),
    ] = None,
    keep_windows: Annotated[
        bool,
        typer.Option("--keep-windows", help="Keep the plan's windows, tunings and dwell, as a radio would."),
    ] = False,
    keep_failures: Annotated[
        Path | None,
        typer.Option(
            "--keep-failures", metavar="FOLDER", help="Keep the IQ around misses and false openings."
        ),
    ] = None,
    rate_hz: RateHz = None,
    centre_mhz: CentreMhz = None,
    start: StartUtc = None,
    datatype: Datatype = None,
    ppm: Ppm = None,
    quiet: Quiet = False,
) -> None:
    """Replay recordings with known truth and score what the watch would have caught."""
    _check_form(form)
    least = None if fail_under is None else _share("--fail-under", fail_under)
    facts = raw_facts(rate_hz, centre_mhz, start, datatype)
    error_ppm = as_ppm(ppm)
    plan = read_plan(plan_file)
    earlier = None if against is None else read_earlier(against)
    say_warnings(plan.warnings, quiet)
    sources: list[SampleSource] = []
    with tempfile.TemporaryDirectory(prefix="midwatch-trial-") as passing:
        try:
            for path in recordings:
                sources.append(open_recording(path, facts=facts))
            with StopOnSignal() as stop_wanted, shown_progress(err, quiet) as progress:
                done = run_trial(
                    plan,
                    sources,
                    truth,
                    into or Path(passing),
                    plan_name=plan_file.name,
                    keep_windows=keep_windows,
                    failures_into=keep_failures,
                    ppm=error_ppm,
                    progress=progress,
                    stop_wanted=stop_wanted,
                )
        finally:
            for source in sources:
                source.close()
    tree = trial_tree(done)
    sheet = sheet_of(tree, earlier)
    if into is not None:
        _write(into / JSON_NAME, as_json(tree))
        _write(into / PAGE_NAME, render_page(sheet))
    texts = {
        "text": lambda: as_text(sheet),
        "json": lambda: as_json(tree),
        "html": lambda: render_page(sheet),
    }
    _print(form, texts, quiet)
    _tell_places(done, into, keep_failures, quiet or form != "text")
    recall = done.score.whole.recall.value
    if least is not None and (recall is None or recall < least):
        shown = "unknown" if recall is None else f"{recall:.4f}"
        err.print(f"midwatch: recall is {shown}; --fail-under wants at least {least:g}", markup=False)
        raise typer.Exit(BELOW_SHARE)


@trial.command()
def scene(
    scene_file: Annotated[Path, typer.Argument(metavar="FILE", help="The scene, a TOML file.")],
    into: Annotated[
        Path, typer.Option("--into", metavar="BASE", help="The common name of the files, without an ending.")
    ],
    quiet: Quiet = False,
) -> None:
    """Build a recording with known truth from a scene file; samples go straight to the disk."""
    written = read_scene(scene_file)
    with StopOnSignal() as stop_wanted, shown_progress(err, quiet) as progress:
        length_s = written.scene.seconds
        made = build_scene(
            written,
            into,
            lambda share: progress(
                Step(into.name, round(share * 1e6), 1_000_000, share * length_s, length_s, 0)
            ),
            stop_wanted,
        )
    if made is None:
        err.print("midwatch: stopped; the samples so far have no metadata", markup=False)
        raise typer.Exit(130)
    if not quiet:
        out.print(f"recording  {made[0]}\ntruth      {made[1]}", markup=False)


@trial.command()
def bench(
    quick: Annotated[
        bool, typer.Option("--quick", help="Shorter signals: sooner done, figures scatter.")
    ] = False,
    seed: Annotated[str | None, typer.Option("--seed", metavar="NUMBER", help="Of the noise.")] = None,
    form: Annotated[str, typer.Option("--as", metavar="FORM", help=f"One of {', '.join(FORMS)}.")] = "text",
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Keep the figures and the page with plots."),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Measure the receiver as this trade does, beside the standard's figures and theory."""
    _check_form(form)
    chosen = SEED if seed is None else as_whole("--seed", seed, "1")
    if chosen < 0:
        raise UsageProblem(f"--seed is {seed}; it must be a whole number from 0")

    def tell(what: str, share: float) -> None:
        if not quiet and err.is_terminal:
            err.print(f"{share:4.0%} {what}", markup=False)

    found = run_bench(chosen, quick=quick, progress=tell)
    tree, sheet = bench_tree(found, program()), bench_sheet(found, program())
    texts = {
        "text": lambda: as_text(sheet),
        "json": lambda: as_json(tree),
        "html": lambda: render_page(sheet, bench_pictures(found)),
    }
    if into is not None:
        _write(into / BENCH_JSON_NAME, texts["json"]())
        _write(into / BENCH_PAGE_NAME, texts["html"]())
    _print(form, texts, quiet)
    if into is not None and form == "text" and not quiet:
        out.print(f"figures  {into / BENCH_JSON_NAME}\npage     {into / BENCH_PAGE_NAME}", markup=False)


def _check_form(form: str) -> None:
    if form not in FORMS:
        raise UsageProblem(f"--as is {form}; it must be one of {', '.join(FORMS)}")


def _share(option: str, text: str) -> float:
    share = as_number(option, text, "0.95")
    if not 0 <= share <= 1:
        raise UsageProblem(f"{option} is {text}; it must be a share between 0 and 1, like 0.95")
    return share


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode("utf-8", errors="replace"))
    except OSError as failure:
        raise StorageError(
            f"{path} cannot be written ({failure.strerror}); make room, or give the folder write permission"
        ) from failure


def _print(form: str, texts: Mapping[str, Callable[[], str]], quiet: bool) -> None:
    """The wanted form to standard output: as it is, with nothing that a console would change in it."""
    if form == "text" and quiet:
        return
    text = texts[form]()
    sys.stdout.reconfigure(encoding="utf-8", newline="")  # type: ignore[union-attr]
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError as gone:  # the reader of our output has had enough, as `head` has
        let_go_of_output()
        raise typer.Exit(0) from gone


def _tell_places(done: Trial, into: Path | None, failures: Path | None, quiet: bool) -> None:
    if quiet:
        return
    if into is not None:
        out.print(f"score  {into / JSON_NAME}\npage   {into / PAGE_NAME}", markup=False)
    if failures is not None:
        out.print(f"IQ of {len(done.failures)} failures in {failures}", markup=False)
