"""Compile the stand-in driver library and put it where pyrtlsdr looks for the real one.

In this process :func:`placed` does it; for a program in its own process :func:`environment_of_a_program`
gives the variables that do. pyrtlsdr asks the module `pyrtlsdrlib` first, so a module of that name decides.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import pytest

SOURCE = Path(__file__).with_name("stand_in.c")
MODULES = ("rtlsdr", "pyrtlsdrlib")
COUNTER_MODULUS = 65_521  # as in stand_in.c


def compile_stand_in(folder: Path) -> Path:
    """The library, built in a folder; takes about a second."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip(
            "the stand-in driver library takes a C compiler: install the system packages gcc, libc6-dev"
        )
    library = folder / "librtlsdr.so"
    command = [compiler, "-O2", "-shared", "-fPIC", "-Wall", "-Wextra", "-Werror", "-o", str(library)]
    built = subprocess.run(
        [*command, str(SOURCE), "-lm", "-lpthread"], capture_output=True, text=True, check=False
    )
    assert built.returncode == 0, built.stderr
    return library


class StandIn:
    """The stand-in as a test commands it; the keys are listed in `stand_in.c`."""

    def __init__(self, library: Path) -> None:
        self.library = ctypes.CDLL(str(library))
        self.library.stand_in_set.argtypes = [ctypes.c_char_p, ctypes.c_double]
        self.library.stand_in_count.argtypes = [ctypes.c_char_p]
        self.library.stand_in_count.restype = ctypes.c_long
        self.library.stand_in_state.argtypes = [ctypes.c_int, ctypes.c_char_p]
        self.library.stand_in_state.restype = ctypes.c_double

    def set(self, **knobs: float) -> None:
        """Give the library its commands."""
        for key, value in knobs.items():
            assert self.library.stand_in_set(key.encode(), float(value)) == 0, f"no knob {key}"

    def set_file(self, path: Path) -> None:
        """Receive the bytes of a file, over and over."""
        assert self.library.stand_in_set_file(str(path).encode()) == 0, path

    def set_serial(self, index: int, serial: str) -> None:
        """Name a receiver."""
        assert self.library.stand_in_set_serial(index, serial.encode()) == 0

    def count(self, key: str) -> int:
        """How often something happened since the last reset."""
        return int(self.library.stand_in_count(key.encode()))

    def state(self, key: str, index: int = 0) -> float:
        """How a receiver was last set."""
        return float(self.library.stand_in_state(index, key.encode()))

    def reset(self) -> None:
        """Forget every command and every count."""
        self.library.stand_in_reset()


@contextmanager
def placed(library: Path) -> Iterator[StandIn]:
    """Within it, `import rtlsdr` loads the stand-in; what was imported before stands again after it."""
    before = {name: module for name, module in sys.modules.items() if name.partition(".")[0] in MODULES}
    for name in before:
        del sys.modules[name]
    stand_in = StandIn(library)
    bundle = ModuleType("pyrtlsdrlib")
    bundle.load_librtlsdr = lambda: stand_in.library  # type: ignore[attr-defined]
    sys.modules["pyrtlsdrlib"] = bundle
    try:
        yield stand_in
    finally:
        for name in [name for name in sys.modules if name.partition(".")[0] in MODULES]:
            del sys.modules[name]
        sys.modules.update(before)


def environment_of_a_program(
    library: Path, folder: Path, commands: Mapping[str, float | str] | None = None
) -> dict[str, str]:
    """Environment for a program that shall find the stand-in.

    Parameters
    ----------
    library : Path
        From :func:`compile_stand_in`.
    folder : Path
        For the module that puts it in place, and for `control.txt`: one "key value" a line, read again by
        the running program whenever it changes. `file` and `serial` are keys there, too.
    commands : mapping
        The first contents of `control.txt`.
    """
    (folder / "pyrtlsdrlib.py").write_text(
        f"import ctypes\n\n\ndef load_librtlsdr():\n    return ctypes.CDLL({str(library)!r})\n"
    )
    command(folder, commands or {})
    path = os.pathsep.join([str(folder), *filter(None, [os.environ.get("PYTHONPATH")])])
    return {**os.environ, "PYTHONPATH": path, "RADIO_STAND_IN_CONTROL": str(folder / "control.txt")}


def command(folder: Path, commands: Mapping[str, float | str]) -> None:
    """Change what a running program's stand-in does; commands given before stay as they are."""
    new = folder / "control.new"
    new.write_text("".join(f"{key} {value}\n" for key, value in commands.items()))
    new.replace(folder / "control.txt")
