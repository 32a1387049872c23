"""Channel names: when two are the same to a reader, and what a name becomes inside a file name."""

from __future__ import annotations

import unicodedata

LONGEST_NAME = 60  # characters; fits one column of a report
LONGEST_FILE_PART_BYTES = 80  # most file systems allow 255 for the whole name


def folded(name: str) -> str:
    """The name as a hurried reader sees it: capitals and runs of spaces make no difference."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def file_part(name: str) -> str:
    """The name as it stands inside a file name: letters and digits kept, all else one hyphen.

    Two names can give the same part; a watch plan with two such channels is refused.
    """
    words = "".join(
        letter if letter.isalnum() else " " for letter in unicodedata.normalize("NFC", name)
    ).split()
    whole = "-".join(words).encode()[:LONGEST_FILE_PART_BYTES].decode(errors="ignore").rstrip("-")
    return whole or "channel"


def clean_name_problem(name: str) -> str | None:
    """What keeps this text from being a name, as the end of a sentence; None where nothing does."""
    if not name.strip():
        return "it must hold at least one letter or digit"
    if any(unicodedata.category(letter) in {"Cc", "Cs", "Cf", "Zl", "Zp"} for letter in name):
        return "it must not hold control characters, line breaks or invisible characters"
    if len(name) > LONGEST_NAME:
        return f"it must be at most {LONGEST_NAME} characters long, and has {len(name)}"
    if name != name.strip():
        return f"it must not begin or end with a space; write {name.strip()!r}".replace("'", '"')
    if not any(letter.isalnum() for letter in name):
        return "it must hold at least one letter or digit"
    return None
