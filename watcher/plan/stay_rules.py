"""What a plan says of staying: `[dwell]` on a tuning, `[follow_up]` after a call for help."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from watcher.plan.figures import write_number
from watcher.plan.rules import as_real, as_whole

Whole = Annotated[int, BeforeValidator(as_whole)]
Real = Annotated[float, BeforeValidator(as_real)]


class _Rules(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DwellRules(_Rules):
    """How long a radio stays on a tuning when it has several.

    Parameters
    ----------
    dwell_seconds : float
        On a tuning where nothing is heard. Three seconds show a carrier and its tone (common practice, no
        source).
    longest_stay_seconds : float
        On a tuning where a transmission lasts; then the radio moves on. Most key-downs end within it (from
        memory).
    """

    dwell_seconds: Real = Field(
        default=3.0, ge=1, le=600, description="a number of seconds between 1 and 600"
    )
    longest_stay_seconds: Real = Field(
        default=30.0, ge=1, le=3600, description="a number of seconds between 1 and 3600"
    )


class FollowUpRules(_Rules):
    """What is watched beyond the windows after a call for help.

    Parameters
    ----------
    quiet_minutes : float
        The watch goes on until the channel has been quiet for so long; 0 ends it with its window.
    hours : int
        Around so many full hours of the local clock after the call an extra window opens.
    length_minutes, lead_minutes : float
        Of each extra window, as of any other.
    most_extra_minutes_a_day : float
        The power budget: beyond the plan's own windows no more than this a local day; 0 switches all off.
    """

    quiet_minutes: Real = Field(
        default=10.0, ge=0, le=240, description="a number of minutes between 0 and 240"
    )
    hours: Whole = Field(default=6, ge=0, le=48, description="a whole number between 0 and 48")
    length_minutes: Real = Field(
        default=5.0, gt=0, le=60, description="a number of minutes above 0 and up to 60"
    )
    lead_minutes: Real = Field(default=2.0, ge=0, le=30, description="a number of minutes between 0 and 30")
    most_extra_minutes_a_day: Real = Field(
        default=120.0, ge=0, le=1440, description="a number of minutes between 0 and 1440"
    )


def stay_contradictions(dwell: DwellRules, file: str) -> list[str]:
    """What the keys of `[dwell]` cannot mean together, one problem each."""
    if dwell.longest_stay_seconds >= dwell.dwell_seconds:
        return []
    return [
        f"{file}: dwell: longest_stay_seconds is {write_number(dwell.longest_stay_seconds)}; it must be at "
        f"least dwell_seconds, which is {write_number(dwell.dwell_seconds)}"
    ]
