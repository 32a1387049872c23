"""The commands, and nothing else: arguments in, sentences out, an exit code.

Every error a user can meet ends as one sentence on stderr and a non-zero exit; a traceback is only
ever for a mistake of ours. A command is a function in one of the modules here, which registers it with the
program by being imported; `midwatch --help` lists them in this order.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from watcher.cli import receiving  # noqa: F401  # isort: skip - the order of the help
from watcher.cli import logs, plans, trials  # noqa: F401  # isort: skip
from watcher.cli import outlooks, radios, standing  # noqa: F401  # isort: skip
from watcher.cli import imports, suggesting  # noqa: F401  # isort: skip
from watcher.cli import reviewing  # noqa: F401  # isort: skip
from watcher.cli import handing_over  # noqa: F401  # isort: skip
from watcher.cli.terminal import app, err, let_go_of_output, out
from watcher.errors import MidwatchError, StorageError
from watcher.watch.keeping import program

__all__ = ["app", "main"]


def _version(wanted: bool) -> None:
    if wanted:
        out.print(program(), markup=False)
        raise typer.Exit


@app.callback()
def midwatch(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Stand a receive-only radio watch: hear every listed channel, keep clips, account for every minute."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run one command; the process ends with its exit code."""
    command = typer.main.get_command(app)
    try:
        words = None if arguments is None else list(arguments)
        code = command.main(args=words, prog_name="midwatch", standalone_mode=False)
    except MidwatchError as problem:
        err.print(f"midwatch: {problem}", markup=False)
        sys.exit(problem.exit_code)
    except typer.Exit as ended:
        sys.exit(ended.exit_code)
    except (typer.Abort, KeyboardInterrupt):
        err.print("midwatch: stopped", markup=False)
        sys.exit(130)
    except typer.TyperException as problem:
        message = " ".join(problem.format_message().split()).rstrip(".")
        err.print(f"midwatch: {message or 'a command is missing'}; see midwatch --help", markup=False)
        sys.exit(problem.exit_code)
    except OSError as problem:  # the folders' own failures are told by the rooms that meet them
        let_go_of_output()
        err.print(f"midwatch: the output cannot be written ({problem.strerror}); give it room", markup=False)
        sys.exit(StorageError.exit_code)
    sys.exit(code if isinstance(code, int) else 0)
