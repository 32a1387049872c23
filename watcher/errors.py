"""The family of errors a user can meet; each kind has its own exit code.

A message is one sentence: the key, the value, and what would be right. The command line prints it
and ends with the exit code; a traceback is only ever for a mistake of ours.
"""

from __future__ import annotations


class MidwatchError(Exception):
    """Base of every error that is told to the user as one sentence."""

    exit_code = 1


class PlanError(MidwatchError):
    """The watch plan is wrong: fix it and start again. Carries every problem found, one a line."""

    exit_code = 2

    def __init__(self, problems: list[str] | str) -> None:
        self.problems = [problems] if isinstance(problems, str) else list(problems)
        super().__init__("\n".join(self.problems))


class RadioError(MidwatchError):
    """Samples cannot be had: a recording cannot be read, or a radio cannot be used."""

    exit_code = 3


class StorageError(MidwatchError):
    """The folder of the watch log cannot be read or written."""

    exit_code = 4


class UsageProblem(MidwatchError):
    """An option of a command has a value that cannot be."""

    exit_code = 2
