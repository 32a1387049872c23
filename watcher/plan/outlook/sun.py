"""How much sun a level panel gets: the sun's path above the air, times a share that the air lets through."""

from __future__ import annotations

import math

SOLAR_CONSTANT_W_M2 = 1367.0  # as in the FAO-56 formula, 0.0820 MJ/m² a minute
DAYS_IN_YEAR = 365
# The day of each month on which the radiation is closest to the month's mean (S. A. Klein, Solar Energy
# 19, 1977; as in Duffie and Beckman, Solar Engineering of Thermal Processes, table 1.6.1, from memory).
MEAN_DAYS = (17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344)


def radiation_above_air_wh_m2(latitude_deg: float, day_of_year: int) -> float:
    """Energy that falls on a level square metre above the air in one day, Wh/m².

    R. G. Allen and others, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56 (1998), equations
    21 and 23 to 25.
    """
    turn = 2 * math.pi * day_of_year / DAYS_IN_YEAR
    nearness = 1 + 0.033 * math.cos(turn)
    declination = 0.409 * math.sin(turn - 1.39)
    latitude = math.radians(max(-89.99, min(89.99, latitude_deg)))
    # Beyond the polar circles the sun does not set, or does not rise.
    sunset = math.acos(max(-1.0, min(1.0, -math.tan(latitude) * math.tan(declination))))
    height = sunset * math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(
        declination
    ) * math.sin(sunset)
    return max(0.0, 24 / math.pi * SOLAR_CONSTANT_W_M2 * nearness * height)


def sun_hours(latitude_deg: float, month: int, clearness: float) -> float:
    """Mean hours a day of 1000 W/m² on a level panel in a month, 1 to 12."""
    return clearness * radiation_above_air_wh_m2(latitude_deg, MEAN_DAYS[month - 1]) / 1000
