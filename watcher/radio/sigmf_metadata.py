"""The metadata file of a SigMF recording, with errors that name the key and the value."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watcher.errors import RadioError
from watcher.radio.sample_file import cannot_read, open_samples

MAX_METADATA_BYTES = 100_000_000
"""Hundreds of thousands of annotations; beyond it, somebody gave the samples for the metadata."""

_SHOWN_CHARACTERS = 60  # of a wrong value: enough to find it, and the sentence stays one line


@dataclass(frozen=True, slots=True)
class Scope:
    """One object of the metadata: the globals, a capture or an annotation."""

    path: Path
    name: str
    values: dict[str, Any]

    def trail(self, key: str) -> str:
        """File, object and key, as errors begin with them."""
        return f"{self.path}: {self.name}: {key}"

    def wrong(self, key: str, right: str) -> RadioError:
        """The sentence for a value that cannot be; `right` says what could."""
        value = json.dumps(self.values.get(key), ensure_ascii=False)
        shown = value if len(value) <= _SHOWN_CHARACTERS else value[:_SHOWN_CHARACTERS] + "…"
        return RadioError(f"{self.trail(key)} is {shown}; {right}")

    def text(self, key: str) -> str | None:
        """The text under a key, or None."""
        value = self.values.get(key)
        if value is not None and not isinstance(value, str):
            raise self.wrong(key, "it must be a text")
        return value

    def number(self, key: str) -> float | None:
        """The finite number under a key, or None."""
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.wrong(key, "it must be a number")
        return value

    def whole(self, key: str, absent: int | None) -> int:
        """The count under a key; `absent` stands for a missing one, None means it must not be missing."""
        value = self.values.get(key, absent)
        if value is None:
            raise RadioError(f"{self.trail(key)} is missing; it must be a whole number from 0")
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            raise self.wrong(key, "it must be a whole number from 0")
        return value

    def yes_or_no(self, key: str) -> bool:
        """Whether a key says true; a missing one does not."""
        value = self.values.get(key, False)
        if not isinstance(value, bool):
            raise self.wrong(key, "it must be true or false")
        return value


@dataclass(frozen=True, slots=True)
class Metadata:
    """The three objects of a metadata file, each list in the file's order."""

    globals: Scope
    captures: list[Scope]
    annotations: list[Scope]

    def implied_capture(self) -> Scope:
        """The one capture that the standard says an empty list stands for."""
        offset = self.globals.whole("core:offset", 0)
        return Scope(self.globals.path, "captures[0]", {"core:sample_start": offset})


def read_metadata(meta_path: Path) -> Metadata:
    """What a metadata file says, its shape checked and its values not yet.

    Raises
    ------
    RadioError
        The file cannot be read, is no JSON, or lacks the objects SigMF asks for.
    """
    file, size_bytes = open_samples(meta_path)
    with file:
        if size_bytes > MAX_METADATA_BYTES:
            raise RadioError(
                f"{meta_path}: has {size_bytes} bytes and metadata at most {MAX_METADATA_BYTES}; "
                "are these the samples?"
            )
        try:
            written = file.read()
        except OSError as error:
            raise cannot_read(meta_path, error) from error
    try:
        tree = json.loads(written)
    except (ValueError, RecursionError) as error:
        raise RadioError(f"{meta_path}: is no SigMF metadata, which is JSON ({_where(error)})") from error
    if not isinstance(tree, dict) or not isinstance(tree.get("global"), dict):
        raise RadioError(
            f'{meta_path}: is no SigMF metadata; it must be a JSON object with an object "global"'
        )
    return Metadata(
        Scope(meta_path, "global", tree["global"]),
        _scopes(meta_path, tree, "captures"),
        _scopes(meta_path, tree, "annotations"),
    )


def _scopes(meta_path: Path, tree: dict[str, Any], name: str) -> list[Scope]:
    entries = tree.get(name, [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise RadioError(f'{meta_path}: "{name}" must be a list of objects')
    return [Scope(meta_path, f"{name}[{position}]", entry) for position, entry in enumerate(entries)]


def _where(error: Exception) -> str:
    if isinstance(error, json.JSONDecodeError):
        return f"line {error.lineno}, column {error.colno}: {error.msg}"
    return "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "it is nested too deep"
