"""What every test stands on: one numeric thread, no network, the same examples every time."""

from __future__ import annotations

import os

os.environ.update(
    OMP_NUM_THREADS="1",  # before numpy is first imported: worker processes would fight over the cores
    OPENBLAS_NUM_THREADS="1",
    MKL_NUM_THREADS="1",
    MPLBACKEND="Agg",  # pictures go to files; no test needs a screen
    NO_COLOR="1",  # texts are compared without colour codes,
    COLUMNS="110",  # and broken at the same place on every terminal
)
os.environ.pop("FORCE_COLOR", None)

import socket
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

# Derandomised: a failure seen once is seen by everybody. No deadline: the machine may be busy.
settings.register_profile(
    "midwatch",
    derandomize=True,
    deadline=None,
    database=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("midwatch")

LOOPBACK = ("127.", "localhost", "::1")


@pytest.fixture(autouse=True)
def _only_loopback(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test that reaches for the network fails at that line, not on the day the network is away."""
    connect = socket.socket.connect

    def guarded_connect(self: socket.socket, address: object) -> None:
        if isinstance(address, tuple) and not str(address[0]).startswith(LOOPBACK):
            raise AssertionError(f"a test tried to reach {address[0]!r}; tests stay on this machine")
        connect(self, address)  # type: ignore[arg-type]

    monkeypatch.setattr(socket.socket, "connect", guarded_connect)


@pytest.fixture
def rng() -> np.random.Generator:
    """Seeded randomness; a test that needs many seeds makes its own."""
    return np.random.default_rng(20310504)


@pytest.fixture(scope="session")
def checkout() -> Path:
    """The top folder of the project."""
    return Path(__file__).resolve().parents[1]


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty folder that is the working folder during the test."""
    monkeypatch.chdir(tmp_path)
    yield tmp_path
