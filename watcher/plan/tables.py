"""The `[[channel]]` table as it is written, in MHz and kHz, before it becomes a :class:`Channel`.

The other tables need no change of unit: their keys are the fields of the models.
A field's `description` is what a wrong value is told: "it must be …".
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, StringConstraints

from watcher.plan.figures import hz_from_khz, hz_from_mhz
from watcher.plan.model import Channel, Keep, Mode, Name, Real, Whole
from watcher.plan.rules import as_number, check_bandwidth_khz, check_code, check_frequency_mhz, check_tone_hz

Told = Annotated[
    str, Strict(), StringConstraints(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")
]
Number = Annotated[Decimal, BeforeValidator(as_number)]


class ChannelTable(BaseModel):
    """One `[[channel]]` table, checked key by key."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Name = Field(description="a name in quotes")
    frequency_mhz: Annotated[Number, AfterValidator(check_frequency_mhz)] = Field(
        description="a number of MHz between 0.1 and 6000"
    )
    mode: Mode = Field(description='"nfm", "fm" or "am"')
    bandwidth_khz: Annotated[Number, AfterValidator(check_bandwidth_khz)] = Field(
        description="a number of kHz between 1 and 40"
    )
    expect_tone_hz: Annotated[Number, AfterValidator(check_tone_hz)] | None = Field(
        default=None, description="one of the 50 CTCSS tones as a number, like 100.0"
    )
    priority: Whole = Field(default=5, ge=1, le=9, description="a whole number between 1 (highest) and 9")
    raise_threshold_db: Real = Field(default=0.0, ge=0, le=20, description="a number between 0 and 20")

    expect_code: Annotated[str, AfterValidator(check_code)] | None = Field(
        default=None, description='one of the 104 digital codes in quotes, like "023" or "047I"'
    )
    require_tone: Annotated[bool, Strict()] = Field(default=False, description="true or false")
    keep: Keep = Field(default="all", description='"all" or "alerts"')
    calling: Annotated[bool, Strict()] = Field(default=False, description="true or false")
    purpose: Told | None = Field(default=None, description="a text in quotes of at most 200 characters")
    licence: Told | None = Field(default=None, description="a text in quotes of at most 200 characters")
    # Taken apart before this table is checked; here for the list of keys.
    repeater: None = Field(default=None, description="a table with output_mhz and offset_khz")
    watch_input: None = Field(default=None, description="true or false")

    def channel(self) -> Channel:
        """The same channel in whole hertz."""
        return Channel(
            name=self.name,
            frequency_hz=hz_from_mhz(self.frequency_mhz),
            mode=self.mode,
            bandwidth_hz=hz_from_khz(self.bandwidth_khz),
            expect_tone_hz=None if self.expect_tone_hz is None else float(self.expect_tone_hz),
            priority=self.priority,
            raise_threshold_db=self.raise_threshold_db,
            expect_code=self.expect_code,
            require_tone=self.require_tone,
            keep=self.keep,
            calling=self.calling,
            purpose=self.purpose,
            licence=self.licence,
        )
