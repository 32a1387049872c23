"""Cells of a person's own channel list: numbers, frequencies, widths, modes, tones as people write them."""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation

from watcher.plan.rules import HIGHEST_MHZ, LOWEST_MHZ, Wrong
from watcher.plan.tones import is_listed_tone, nearest_tone_hz, normal_code

EMPTY = {"", "-", "–", "off", "none", "no", "n/a", "na", "csq", "carrier", "0", "0.0", "000"}
_UNITS_MHZ = {"hz": Decimal("1e-6"), "khz": Decimal("1e-3"), "mhz": Decimal(1), "ghz": Decimal(1000)}
LARGEST_OFFSET_KHZ = 100_000
_NARROW = {
    "nfm",
    "nbfm",
    "fm-n",
    "fmn",
    "fm narrow",
    "narrow fm",
    "narrow",
    "n",
    "f3e narrow",
    "11k0f3e",
    "8k50f3e",
}
_WIDE = {
    "fm",
    "fmw",
    "fm wide",
    "wide",
    "w",
    "f3e",
    "16k0f3e",
    "14k0f3e",
    "20k0f3e",
    "fm voice",
    "analog",
    "analogue",
}
_AMPLITUDE = {"am", "a3e", "6k00a3e", "am voice"}


def is_empty(text: str) -> bool:
    """Whether a cell says nothing, or says that there is nothing."""
    return text.strip().casefold() in EMPTY


def read_number(text: str) -> Decimal:
    """A number with a decimal point or comma, with or without marks between thousands.

    Where both marks stand, the last is the decimal one; a mark that comes twice parts thousands.

    Raises
    ------
    Wrong
        It is no number.
    """
    bare = re.sub(r"[\s'_\u00a0\u202f]", "", text)
    points, commas = bare.count("."), bare.count(",")
    if points and commas:
        decimal = max(".", ",", key=bare.rfind)
        bare = bare.replace("," if decimal == "." else ".", "").replace(",", ".")
    elif points > 1 or commas > 1:
        bare = bare.replace(".", "").replace(",", "")
    else:
        bare = bare.replace(",", ".")
    try:
        number = Decimal(bare)
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite():
        raise Wrong("it must be a number")
    return number


def read_mhz(text: str, unit: str | None = None) -> Decimal:
    """A frequency in MHz; the unit is in the cell, or given by the column, or told by the size.

    Up to 6000 is taken for MHz, up to 6 000 000 for kHz, above for Hz.
    """
    found = re.fullmatch(r"(.*?)\s*(ghz|mhz|khz|hz)?", text.strip(), flags=re.IGNORECASE | re.DOTALL)
    assert found is not None  # everything matches
    unit = (found[2] or unit or "").lower()
    try:
        number = read_number(found[1])
        if unit:
            megahertz = number * _UNITS_MHZ[unit]
            if megahertz < 1 and re.search(r"^[^.,]*,\d{3}$", found[1].strip()):
                megahertz = read_number(found[1].replace(",", "")) * _UNITS_MHZ[unit]  # 146,520 kHz
        elif number <= HIGHEST_MHZ:
            megahertz = number
        else:
            megahertz = number.scaleb(-3 if number <= HIGHEST_MHZ * 1000 else -6)
    except Wrong:
        raise Wrong("it must be a frequency, like 146.520 or 146520 kHz") from None
    if not LOWEST_MHZ <= megahertz <= HIGHEST_MHZ:
        raise Wrong(f"it must be a frequency between {LOWEST_MHZ} and {HIGHEST_MHZ} MHz")
    return megahertz.normalize()


def read_offset_khz(text: str, unit: str | None = None) -> Decimal:
    """How far the input lies from the output: kHz from 100 up, else MHz, where no unit is said."""
    found = re.fullmatch(r"(.*?)\s*(mhz|khz|hz)?", text.strip(), flags=re.IGNORECASE | re.DOTALL)
    assert found is not None  # everything matches
    number = read_number(found[1].replace("−", "-"))
    unit = (found[2] or unit or "").lower()
    if not unit:
        unit = "hz" if abs(number) >= 100_000 else "khz" if abs(number) >= 100 else "mhz"
    offset = number * _UNITS_MHZ[unit] * 1000
    if abs(offset) > LARGEST_OFFSET_KHZ:
        raise Wrong("it must be an offset of at most 100 MHz, like -600 kHz")
    return offset.normalize()


def read_khz(text: str, unit: str | None = None) -> Decimal:
    """A width in kHz: a number below 0.1 is taken for MHz, above 1000 for Hz; narrow is 12.5 and wide 25."""
    word = text.strip().casefold()
    if word in {"narrow", "n"}:
        return Decimal("12.5")
    if word in {"wide", "w"}:
        return Decimal(25)
    found = re.fullmatch(r"(.*?)\s*(mhz|khz|hz|k)?", word, flags=re.DOTALL)
    assert found is not None  # everything matches
    number = read_number(found[1])
    unit = {"k": "khz"}.get(found[2] or "", found[2] or unit or "")
    if not unit:
        unit = "mhz" if number < Decimal("0.1") else "hz" if number > 1000 else "khz"
    width = number * _UNITS_MHZ[unit] * 1000
    if not 1 <= width <= 40:
        raise Wrong("it must be a width between 1 and 40 kHz, like 12.5")
    return width.normalize()


def read_mode(text: str) -> str:
    """nfm, fm or am, from what the trade writes for them.

    Raises
    ------
    Wrong
        It is a mode that this program cannot hear.
    """
    word = " ".join(text.casefold().split())
    for mode, spellings in (("nfm", _NARROW), ("fm", _WIDE), ("am", _AMPLITUDE)):
        if word in spellings:
            return mode
    raise Wrong("it must be nfm, fm or am; nothing else can be heard")


def read_tone(text: str) -> tuple[Decimal | None, str | None]:
    """A CTCSS tone in Hz, or a digital code as "023N"; one of the two is None.

    Raises
    ------
    Wrong
        It is neither a listed tone nor a listed code.
    """
    word = re.sub(r"(ctcss|tone|dcs|cdcss|hz|code|[\s:])", "", text.casefold())
    code = re.fullmatch(r"d?(\d{3})([ni])?", word)
    by_name = re.search(r"dcs|^\s*d\d", text.casefold()) is not None
    if code and (by_name or code[2] or code[1][0] == "0"):
        name = normal_code(f"{code[1]}{code[2] or 'n'}")
        if name is None:
            raise Wrong("it must be one of the 104 digital codes, like 023N")
        return None, name
    try:
        tone = read_number(word)
    except Wrong:
        raise Wrong("it must be a CTCSS tone like 100.0, or a digital code like D023N") from None
    if not is_listed_tone(tone):
        raise Wrong(f"it must be one of the 50 CTCSS tones, and the nearest is {nearest_tone_hz(tone):.1f}")
    return tone, None
