"""Frequencies and widths as a person writes them (MHz, kHz) and as the program counts them (whole Hz)."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal


def hz_from_mhz(megahertz: Decimal) -> int:
    """Whole hertz of a figure in MHz: `Decimal("146.520")` gives 146 520 000, with no binary rounding.

    Digits finer than 1 Hz are rounded to the nearest even hertz.
    """
    return int(megahertz.scaleb(6).to_integral_value(rounding=ROUND_HALF_EVEN))


def hz_from_khz(kilohertz: Decimal) -> int:
    """Whole hertz of a figure in kHz: `Decimal("8.33")` gives 8330."""
    return int(kilohertz.scaleb(3).to_integral_value(rounding=ROUND_HALF_EVEN))


def write_mhz(frequency_hz: int) -> str:
    """The frequency in MHz with three to six decimals: `146.520`, `462.5625`."""
    megahertz, hertz = divmod(frequency_hz, 1_000_000)
    decimals = f"{hertz:06d}"
    return f"{megahertz}.{decimals[:3]}{decimals[3:].rstrip('0')}"


def write_khz(width_hz: int) -> str:
    """The width in kHz without idle zeros: `12.5`, `25`, `8.33`."""
    kilohertz, hertz = divmod(width_hz, 1_000)
    return f"{kilohertz}.{hertz:03d}".rstrip("0").rstrip(".")


def write_number(number: Decimal | float) -> str:
    """A number without exponent and without idle zeros: `146.52`, `12.5`, `100`."""
    plain = format(Decimal(str(number)), "f")
    return plain.rstrip("0").rstrip(".") if "." in plain else plain
