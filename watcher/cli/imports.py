"""The command that takes over a person's own channel list: `import-channels`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.terminal import Quiet, app, err, out
from watcher.durable import write_whole
from watcher.errors import PlanError, StorageError
from watcher.plan.channel_import import import_channels, write_tables
from watcher.plan.reading import plan_from_text, read_plan, read_plan_text

LARGEST_CSV_BYTES = 20_000_000


@app.command("import-channels")
def import_channels_command(
    csv_file: Annotated[Path, typer.Argument(metavar="FILE", help="A CSV file, one channel a line.")],
    into: Annotated[
        str, typer.Option("--into", metavar="PLAN", help="The plan to add them to; - prints them.")
    ] = "-",
    quiet: Quiet = False,
) -> None:
    """Take the channels of a CSV file into a watch plan."""
    try:
        if csv_file.stat().st_size > LARGEST_CSV_BYTES:
            raise PlanError(f"{csv_file} is larger than 20 MB; it must be a list of channels")
        content = csv_file.read_bytes()
    except (OSError, ValueError) as failure:
        reason = failure.strerror if isinstance(failure, OSError) else str(failure)
        raise PlanError(f"{csv_file} cannot be read ({reason}); it must be a CSV file") from failure
    path = None if into == "-" else Path(into)
    before, taken = "", []
    if path is not None and path.exists():
        plan = read_plan(path)
        before = read_plan_text(path)
        taken = [(channel.name, channel.frequency_hz) for channel in plan.channels]
    imported = import_channels(content, csv_file.name, taken)
    text = write_tables(imported.channels)
    if path is None:
        out.print(text, markup=False, end="")
    else:
        whole = f"{before.rstrip()}\n\n{text}" if before.strip() else text
        plan_from_text(
            whole, path
        )  # what would not be a sound plan is refused, and the file stands as it was
        try:
            write_whole(path, whole.encode())
        except OSError as failure:
            raise StorageError(
                f"{path} cannot be written ({failure.strerror}); give a file in a folder that has room"
            ) from failure
    if not quiet:
        for sentence in imported.told:
            err.print(f"note: {sentence}", markup=False)
        count = len(imported.channels)
        channels = f"{count} channel{'s' if count != 1 else ''} taken over"
        lines = f"{imported.left_out} line{'s' if imported.left_out != 1 else ''} left out"
        err.print(f"{channels}, {lines}", markup=False)
