"""What the standard asks of a receiver, beside each the source and how sure it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from watcher.trial.bench_lab import NARROW, WIDE, Service


@dataclass(frozen=True, slots=True)
class Limit:
    """A bound and where it stands; `at_least` says on which side of it a receiver must be."""

    value: float
    at_least: bool
    source: str

    def is_met(self, figure: float) -> bool:
        """Whether a figure is on the right side."""
        return figure >= self.value if self.at_least else figure <= self.value


SENSITIVITY_DBM = Limit(-116.0, False, "TIA-603-E 3.1.4, class A (from memory)")
DISTORTION_PER_CENT = Limit(5.0, False, "TIA-603-E 3.1 (from memory)")
ATTACK_MS = Limit(150.0, False, "TIA-603-E 3.1 (from memory)")
CLOSING_MS = Limit(
    250.0, False, "TIA-603-E 3.1 (from memory), of a noise squelch without the hang time kept here"
)
TONE_OPENING_MS = Limit(250.0, False, "TIA-603-E 4, subaudible (from memory)")
SPURIOUS_DB = Limit(75.0, True, "TIA-603-E 3.1.8, class A mobile (from memory)")
INTERMODULATION_DB = Limit(75.0, True, "TIA-603-E 3.1.9, class A mobile (from memory)")
RESPONSE_LOW_DB = Limit(-3.0, True, "TIA-603-E 2.1.10 method, against 6 dB an octave (secondary)")
RESPONSE_HIGH_DB = Limit(1.0, False, "TIA-603-E 2.1.10 method, against 6 dB an octave (secondary)")
SQUELCH_SINAD_DB = Limit(
    12.0, False, "makers set 6 to 25 dB SINAD, mostly 10 to 12 (service manual, secondary)"
)
ADJACENT_DB: Mapping[Service, Limit] = MappingProxyType(
    {
        NARROW: Limit(45.0, True, "TIA-603-E 3.1.6, class A (from memory)"),
        WIDE: Limit(75.0, True, "TIA-603-E 3.1.6, class A mobile (from memory)"),
    }
)
HUM_DB: Mapping[Service, Limit] = MappingProxyType(
    {
        NARROW: Limit(40.0, True, "TIA-603-E 2.1.11 method (from memory)"),
        WIDE: Limit(45.0, True, "TIA-603-E 2.1.11 method (from memory)"),
    }
)
