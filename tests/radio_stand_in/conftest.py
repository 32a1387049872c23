"""The stand-in driver library, compiled once, in place for each test that asks for it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.radio_stand_in.placing import StandIn, compile_stand_in, placed


@pytest.fixture(scope="session")
def stand_in_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled library."""
    return compile_stand_in(tmp_path_factory.mktemp("driver"))


@pytest.fixture(scope="session")
def _placed_stand_in(stand_in_library: Path) -> Iterator[StandIn]:
    with placed(stand_in_library) as library:
        yield library


@pytest.fixture
def stand_in(_placed_stand_in: StandIn) -> Iterator[StandIn]:
    """The stand-in as new; afterwards every receiver must be closed and none used after that."""
    _placed_stand_in.reset()
    yield _placed_stand_in
    assert _placed_stand_in.count("closed_uses") == 0, "a closed receiver was used"
    assert _placed_stand_in.count("opens") == _placed_stand_in.count("closes"), "a receiver was left open"
