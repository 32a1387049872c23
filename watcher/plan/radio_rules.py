"""What the keys of a `[[radio]]` table must be, alone and together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from watcher.plan.rules import Wrong, as_real

Gain = float | Literal["auto"]
DirectSampling = Literal["off", "i", "q"]

RADIO_KINDS = ("rtlsdr", "network", "soapy", "recording")
"""In step with `watcher.radio.opening.KINDS`, which this room does not know; a test compares them."""

LOWEST_GAIN_DB, HIGHEST_GAIN_DB = -20.0, 100.0
DIRECT_SAMPLING = '"off", "i" or "q"'
ADDRESS = 'a host and a port in quotes, like "127.0.0.1:1234"'
GAIN = f'"auto" in quotes or a figure in dB between {LOWEST_GAIN_DB:g} and {HIGHEST_GAIN_DB:g}'

_NEEDED: Mapping[str, str] = {"network": "address", "recording": "path", "soapy": "driver"}
_TAKEN: Mapping[str, frozenset[str]] = {
    "rtlsdr": frozenset({"serial", "index", "gain_db", "bias_tee", "direct_sampling"}),
    "network": frozenset({"address", "gain_db", "bias_tee", "direct_sampling"}),
    "soapy": frozenset({"driver", "gain_db"}),
    "recording": frozenset({"path", "loop"}),
}
_UNSAID: Mapping[str, object] = {
    **dict.fromkeys(("serial", "index", "address", "path", "driver")),
    **dict.fromkeys(("bias_tee", "loop"), False),
    "gain_db": "auto",
    "direct_sampling": "off",
}


def as_gain(value: object) -> Gain:
    """ "auto", or a number of dB."""
    if value == "auto":
        return "auto"
    try:
        gain_db = as_real(value)
    except ValueError:
        raise Wrong(f"it must be {GAIN}") from None
    if not LOWEST_GAIN_DB <= gain_db <= HIGHEST_GAIN_DB:
        raise Wrong(f"it must be {GAIN}")
    return gain_db


def check_address(address: str) -> str:
    """A host, a colon, and a port; an IPv6 address stands in square brackets."""
    host, colon, port = address.rpartition(":")
    bare = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    is_port = port.isascii() and port.isdigit() and len(port) <= 5 and 1 <= int(port) <= 65_535
    if not colon or not bare or any(each.isspace() for each in address) or (bare == host and ":" in host):
        raise Wrong(f"it must be {ADDRESS}")
    if not is_port:
        raise Wrong(f"it must be {ADDRESS}, the port between 1 and 65535")
    return address


def check_index(index: int | None, others: Mapping[str, object]) -> int | None:
    """A serial number says which receiver already."""
    if index is not None and others.get("serial") is not None:
        raise Wrong("it must be left out where serial is given")
    return index


def check_kind(kind: str | None, others: Mapping[str, object]) -> str | None:
    """A known kind, with what it needs and without what belongs to others.

    Parameters
    ----------
    kind : str or None
    others : mapping
        The other keys, as far as they were right.
    """
    if kind is None:
        return None
    if kind not in RADIO_KINDS:
        raise Wrong(f"it must be {', '.join(map(_quoted, RADIO_KINDS[:-1]))} or {_quoted(RADIO_KINDS[-1])}")
    needed = _NEEDED.get(kind)
    if needed is not None and needed in others and others[needed] is None:
        raise Wrong(f"it must come with {needed}")
    strange = [
        key
        for key, unsaid in _UNSAID.items()
        if key not in _TAKEN[kind] and others.get(key, unsaid) != unsaid
    ]
    if strange:
        raise Wrong(f"it must come without {' and '.join(strange)}")
    return kind


def _quoted(word: str) -> str:
    return f'"{word}"'
