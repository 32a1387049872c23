"""What a written value must be, and what to tell who wrote another.

Every rule raises :class:`Wrong` with the end of a sentence: "it must be …".
"""

from __future__ import annotations

import difflib
from decimal import Decimal
from zoneinfo import ZoneInfo, available_timezones

from watcher.plan.figures import write_number
from watcher.plan.tones import is_listed_tone, nearest_tone_hz, normal_code

LOWEST_MHZ, HIGHEST_MHZ = Decimal("0.1"), Decimal(6000)
NARROWEST_KHZ, WIDEST_KHZ = Decimal(1), Decimal(40)


class Wrong(ValueError):
    """A value is not right; the text says what would be, as the end of a sentence."""


def as_number(value: object) -> Decimal:
    """A TOML integer or float, exactly; a boolean, a text, `inf` and `nan` are no numbers here."""
    if isinstance(value, float):
        value = Decimal(str(value))
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("not a number")
    number = Decimal(value)
    if not number.is_finite():
        raise ValueError("not a finite number")
    return number


def as_real(value: object) -> float:
    """The same as a float; what lies outside a float's range becomes infinite and fails the range check."""
    return float(as_number(value))


def as_whole(value: object) -> int:
    """A whole number; `2.4e6` is one as well as `2400000`."""
    number = as_number(value)
    if number.adjusted() > 15 or number != number.to_integral_value():
        raise ValueError("not a whole number of reasonable size")
    return int(number)


def check_frequency_mhz(megahertz: Decimal) -> Decimal:
    """Between 0.1 and 6000 MHz; a figure in Hz or kHz is recognized by its size."""
    if LOWEST_MHZ <= megahertz <= HIGHEST_MHZ:
        return megahertz
    right = f"it must be a number of MHz between {LOWEST_MHZ} and {HIGHEST_MHZ}"
    # A figure that could be either is taken for kHz: 146520 is 146.52 MHz sooner than 0.14652 MHz.
    for unit, exponent in (("kHz", -3), ("Hz", -6)):
        if megahertz > HIGHEST_MHZ and LOWEST_MHZ <= megahertz.scaleb(exponent) <= HIGHEST_MHZ:
            right += f" and looks like {unit}: write {write_number(megahertz.scaleb(exponent))}"
            break
    raise Wrong(right)


def check_bandwidth_khz(kilohertz: Decimal) -> Decimal:
    """Between 1 and 40 kHz; a figure in Hz or MHz is recognized by its size."""
    if NARROWEST_KHZ <= kilohertz <= WIDEST_KHZ:
        return kilohertz
    right = f"it must be between {NARROWEST_KHZ} and {WIDEST_KHZ}"
    for unit, exponent in (("Hz", -3), ("MHz", 3)):
        if NARROWEST_KHZ <= kilohertz.scaleb(exponent) <= WIDEST_KHZ:
            right += f" and looks like {unit}: write {write_number(kilohertz.scaleb(exponent))}"
            break
    raise Wrong(right)


def check_tone_hz(tone_hz: Decimal) -> Decimal:
    """One of the 50 CTCSS tones."""
    if not is_listed_tone(tone_hz):
        raise Wrong(
            f"it must be one of the 50 CTCSS tones, and the nearest is {nearest_tone_hz(tone_hz):.1f}"
        )
    return tone_hz


def check_code(written: str) -> str:
    """One of the 104 digital codes; returns its normal name, "023N"."""
    code = normal_code(written)
    if code is None:
        raise Wrong('it must be one of the 104 digital codes in quotes, like "023" or "047I"')
    return code


def check_time_zone(name: str) -> str:
    """A zone that the system or the tzdata package knows."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        zones = sorted(available_timezones())
        # Also by the city alone: "boise" is America/Boise.
        by_fold = {zone.casefold().rpartition("/")[2]: zone for zone in zones}
        by_fold |= {zone.casefold(): zone for zone in zones}
        near = difflib.get_close_matches(name.casefold(), by_fold, n=1, cutoff=0.8)
        meant = f": did you mean {by_fold[near[0]]}?" if near else ', like "America/Boise" or "UTC"'
        raise Wrong(f"it must be the name of a time zone{meant}") from None
    return name


def check_window_hours(hours: int) -> int:
    """A divisor of the day, so that the windows of every day are the same."""
    if hours <= 0 or 24 % hours:
        raise ValueError("not a divisor of 24")
    return hours
