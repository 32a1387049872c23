"""The command for the hour after the watch: `review`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import LogFolder, Quiet, StopOnSignal, app, as_whole, out
from watcher.review import serve
from watcher.review.serving import DEFAULT_PORT, read_password
from watcher.watch.clock import SystemClock


@app.command()
def review(
    folder: LogFolder,
    port: Annotated[
        str, typer.Option("--port", metavar="N", help="Where to listen; 0 for any free port.")
    ] = str(DEFAULT_PORT),
    address: Annotated[
        str, typer.Option("--address", metavar="A", help="Another than this machine's own takes a password.")
    ] = "127.0.0.1",
    password_file: Annotated[
        Path | None, typer.Option("--password-file", metavar="FILE", help="A file whose first line it is.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Open a local page to hear, mark and note what a watch has heard."""
    password = None if password_file is None else read_password(password_file)

    def say(sentence: str) -> None:
        if not quiet:
            out.print(sentence, markup=False)
            out.file.flush()

    with StopOnSignal():  # the server ends in order and then hands the signal on
        serve(
            folder,
            address=address,
            port=as_whole("--port", port),
            password=password,
            now_utc=SystemClock().utc,
            say=say,
        )
