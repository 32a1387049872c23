"""From what a decoder claims to findings a person can read, and the flags they raise."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from watcher.receive.records import (
    ALERT_TONE,
    BEACON,
    LONG_TONE,
    SAME,
    Finding,
    Kind,
    KindReading,
    Sign,
)

_FLAGS = {
    Sign.LONG_TONE: LONG_TONE,
    Sign.ALERT_TONE: ALERT_TONE,
    Sign.SAME: SAME,
    Sign.SAME_UNSURE: SAME,
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


_TONES = (Sign.DTMF, Sign.LONG_TONE, Sign.ALERT_TONE, Sign.TWO_TONE, Sign.MORSE, Sign.BEACON, Sign.SWEEP)
_SURE = 0.9
_LEAST_SPEECH_S = 0.5


def kind_with_findings(kind: KindReading, findings: Iterable[Finding]) -> KindReading:
    """The kind, where decoders have found that what was taken for a voice are tones.

    A keyed or swept tone has something of a voice's rhythm. Where such findings cover the seconds taken for
    speech, and it was not sure to be a voice, they were tones; a voice over an ident stays a voice.
    """
    tones = sorted((each.start_s, each.stop_s) for each in findings if each.sign in _TONES)
    if kind.kind is not Kind.VOICE or kind.probability >= _SURE or not tones:
        return kind
    covered_s, reached_s = 0.0, 0.0
    for start_s, stop_s in tones:
        covered_s += max(0.0, stop_s - max(start_s, reached_s))
        reached_s = max(reached_s, stop_s)
    speech_s = max(0.0, (kind.speech_s or 0.0) - covered_s)
    if speech_s >= _LEAST_SPEECH_S:
        return kind
    tone_s = (kind.tone_s or 0.0) + (kind.speech_s or 0.0) - speech_s
    return replace(kind, kind=Kind.TONES, probability=_SURE, speech_s=speech_s, tone_s=tone_s)
