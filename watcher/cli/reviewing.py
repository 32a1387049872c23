"""The command for the hour after the watch: `review`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import LogFolder, Quiet, StopOnSignal, app, as_whole, out, say_warnings
from watcher.plan.reading import read_plan
from watcher.plan.review_rules import REVIEW_PORT, ReviewRules, who_else_can_read
from watcher.review import serve
from watcher.review.serving import read_password
from watcher.watch.clock import SystemClock


@app.command()
def review(  # noqa: PLR0917 - the options are named ones to the user
    folder: LogFolder,
    plan_file: Annotated[
        Path | None,
        typer.Option("--plan", metavar="PLAN", help="The plan whose [review] says password, address, port."),
    ] = None,
    port: Annotated[
        str | None,
        typer.Option("--port", metavar="N", help=f"Where to listen, {REVIEW_PORT} else; 0 for any free one."),
    ] = None,
    address: Annotated[
        str | None,
        typer.Option("--address", metavar="A", help="Another than this machine's own takes a password."),
    ] = None,
    password_file: Annotated[
        Path | None,
        typer.Option("--password-file", metavar="FILE", help="Its first line goes before the plan's."),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Open a local page to hear, mark and note what a watch has heard."""
    rules = ReviewRules() if plan_file is None else read_plan(plan_file).review
    password, kept_in = rules.secret, plan_file
    if password_file is not None:
        password, kept_in = read_password(password_file), password_file
    if password is not None and kept_in is not None and (warning := who_else_can_read(kept_in)):
        say_warnings([warning], quiet)

    def say(sentence: str) -> None:
        if not quiet:
            out.print(sentence, markup=False)
            out.file.flush()

    with StopOnSignal():  # the server ends in order and then hands the signal on
        serve(
            folder,
            address=address or rules.address,
            port=rules.port if port is None else as_whole("--port", port, "8714"),
            password=password,
            now_utc=SystemClock().utc,
            say=say,
        )
