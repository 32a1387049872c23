"""The examples in the docstrings run."""

from __future__ import annotations

import doctest

import pytest

from watcher.log import spans, writing


@pytest.mark.parametrize("module", [spans, writing])
def test_the_examples_of_a_module_say_what_it_does(module: object) -> None:
    found = doctest.testmod(module, raise_on_error=True)  # type: ignore[arg-type]
    assert found.attempted > 0
