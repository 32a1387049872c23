"""The sub-audible tones and digital codes a channel may expect."""

from __future__ import annotations

from decimal import Decimal

from dsp.signalling.golay import listed, partner
from dsp.signalling.tone_table import TONES_HZ


def nearest_tone_hz(tone_hz: Decimal) -> float:
    """The listed tone closest to a figure."""
    return min(TONES_HZ, key=lambda listed: abs(Decimal(str(listed)) - tone_hz))


def is_listed_tone(tone_hz: Decimal) -> bool:
    """Whether the figure is one of the 50 tones, to the tenth of a hertz in which they are listed."""
    return tone_hz == Decimal(str(nearest_tone_hz(tone_hz)))


def normal_code(written: str) -> str | None:
    """A digital code as its normal name, "023N", from three digits with or without N or I; None if unlisted.

    The inverted code is its partner's normal one: "047I" is "023N". Another name of the same word, such as
    340 for 023, is taken for it.
    """
    digits, polarity = (written[:-1], written[-1].upper()) if written[-1:].isalpha() else (written, "N")
    if len(digits) != 3 or any(digit not in "01234567" for digit in digits) or polarity not in "NI":
        return None
    name = listed(digits) if polarity == "N" else partner(digits)
    return None if name is None else f"{name}N"
