"""The commands, and nothing else: arguments in, sentences out, an exit code.

Every error a user can meet ends as one sentence on stderr and a non-zero exit; a traceback is only
ever for a mistake of ours. A command is a function in one of the modules here, which registers it with the
program by being imported. That is done when the command is asked for: all of them together take seconds.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated

import typer

from watcher.cli.terminal import app, err, let_go_of_output, out
from watcher.errors import MidwatchError, StorageError
from watcher.shipped import program

__all__ = ["app", "load", "main"]

MODULES = {
    "receiving": ("replay", "demo"),
    "logs": ("report", "export", "words"),
    "plans": ("check",),
    "trials": ("trial",),
    "outlooks": ("outlook",),
    "radios": ("radios",),
    "standing": ("stand", "alerts", "attend"),
    "looking_in": ("status",),
    "imports": ("import-channels",),
    "suggesting": ("suggest",),
    "reviewing": ("review",),
    "handing_over": ("relay", "message", "package"),
}
"""Which module has which commands, in the order of the help."""


def load(command: str | None = None) -> None:
    """Register a command with the program, and those of its module; every command where that has none."""
    homes = [module for module, commands in MODULES.items() if command in commands]
    for module in homes or MODULES:
        import_module(f"watcher.cli.{module}")


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
    words = sys.argv[1:] if arguments is None else list(arguments)
    if words != ["--version"]:
        load(next((word for word in words if not word.startswith("-")), None))
    command = typer.main.get_command(app)
    try:
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
