"""From what a decoder claims to findings a person can read, and the flags they raise."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from watcher.receive.records import ALERT_TONE, BEACON, LONG_TONE, SAME, Finding, Sign

_FLAGS = {
    Sign.LONG_TONE: LONG_TONE,
    Sign.ALERT_TONE: ALERT_TONE,
    Sign.SAME: SAME,
    Sign.BEACON: BEACON,
}


def flags_of(findings: Iterable[Finding]) -> Iterator[str]:
    """The flags that findings raise, each once, in order."""
    yield from dict.fromkeys(_FLAGS[each.sign] for each in findings if each.sign in _FLAGS)


def merged(earlier: Iterable[Finding], later: Iterable[Finding]) -> list[Finding]:
    """All findings; a later one of the same sign and start takes the place of the earlier."""
    found: dict[tuple[Sign, float], Finding] = {}
    for each in (*earlier, *later):
        found[each.sign, each.start_s] = each
    return list(found.values())
