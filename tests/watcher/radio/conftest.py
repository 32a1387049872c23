"""Every recording a test opens is closed after it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from watcher.radio.sample_file import SampleFile


@pytest.fixture(autouse=True)
def _close_recordings(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    opened: list[SampleFile] = []
    make = SampleFile.__init__

    def noted(self: SampleFile, *arguments: object) -> None:
        opened.append(self)
        make(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(SampleFile, "__init__", noted)
    yield
    for source in opened:
        source.close()
