"""The sub-audible tones a channel may expect."""

from __future__ import annotations

from decimal import Decimal

from dsp.signalling.ctcss import TONES_HZ


def nearest_tone_hz(tone_hz: Decimal) -> float:
    """The listed tone closest to a figure."""
    return min(TONES_HZ, key=lambda listed: abs(Decimal(str(listed)) - tone_hz))


def is_listed_tone(tone_hz: Decimal) -> bool:
    """Whether the figure is one of the 50 tones, to the tenth of a hertz in which they are listed."""
    return tone_hz == Decimal(str(nearest_tone_hz(tone_hz)))
