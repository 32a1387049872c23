"""Runs commands, each in a process of its own, without paying for the imports every time.

The program is imported once; for each request, one JSON object a line on stdin, a child is forked, gets
the files, folder and environment it asks for, and runs the command line to its end. The reply is the exit
code. What a child does is what a new process would do: the few tests that start one from nothing agree.
"""

from __future__ import annotations

import json
import os
import sys
import traceback

from watcher.cli import load, main

load()


def run(request: dict[str, object]) -> None:
    """In the child: never comes back."""
    code = 1
    try:
        os.chdir(str(request["cwd"]))
        for number, name, how in (
            (0, "stdin", os.O_RDONLY),
            (1, "stdout", os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
            (2, "stderr", os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
        ):
            opened = os.open(str(request[name]), how, 0o666)
            os.dup2(opened, number)
            os.close(opened)
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        arguments = request["arguments"]
        assert isinstance(arguments, list)
        try:
            main([str(word) for word in arguments])
            code = 0
        except SystemExit as ended:
            code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
        except BaseException:  # noqa: BLE001 - what an interpreter does with it
            traceback.print_exc()
            code = 1
        try:
            sys.stdout.flush()
        except (OSError, ValueError):
            code = code or 120  # as an interpreter that cannot flush at its end
        if not sys.stderr.closed:
            sys.stderr.flush()
    finally:
        os._exit(code)


def serve() -> None:
    for line in sys.stdin:
        request = json.loads(line)
        child = os.fork()
        if child == 0:
            run(request)
        _, status = os.waitpid(child, 0)
        sys.stdout.write(json.dumps(os.waitstatus_to_exitcode(status)) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    serve()
