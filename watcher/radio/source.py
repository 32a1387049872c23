"""The protocol that every place of samples obeys: recordings now, radios later."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from dsp.blocks import IqBlock


@dataclass(frozen=True, slots=True)
class Stretch:
    """Blocks without a break: one rate, one centre, one anchor.

    Parameters
    ----------
    start_utc : datetime
        The instant of the sample whose count is 0 in this stretch's blocks.
    time_is_known : bool
        False where the source tells no time and `start_utc` is only an assumption.
    sample_rate_hz, centre_hz : int
    samples : int or None
        How many samples will come, or None for a live radio.
    label : str
        What a person would call it: the file name, or the radio.
    """

    start_utc: datetime
    time_is_known: bool
    sample_rate_hz: int
    centre_hz: int
    samples: int | None
    label: str


class SampleSource(Protocol):
    """Samples in order of time, one stretch after the other, in bounded memory."""

    def stretches(self) -> list[Stretch]:
        """What is known of the stretches before the first sample is read."""
        ...

    def blocks(self, stretch: int) -> Iterator[IqBlock]:
        """The blocks of one stretch; `first_sample` starts at 0 and every lost sample is told.

        Samples lost at the very end come as a last block that has none of its own.
        """
        ...

    def notes(self) -> list[str]:
        """What was odd about the samples so far, one sentence each: for the user, after the work."""
        ...

    def close(self) -> None:
        """Give the device or the files back."""
        ...
