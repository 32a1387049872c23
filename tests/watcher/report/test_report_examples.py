"""The examples in the docstrings run."""

from __future__ import annotations

import doctest

from watcher.report import occupancy


def test_the_examples_of_a_module_say_what_it_does() -> None:
    found = doctest.testmod(occupancy, raise_on_error=True)
    assert found.attempted > 0
