"""What a radio that receives now must do: one protocol for a receiver on USB, on the network, or a stand-in.

A radio is opened, tuned as often as wanted, and closed. Tuning begins a stream; the blocks of a stream carry
sample counts from its start, and a jump in them, told by `lost_before`, is time that was not heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from dsp.blocks import IqBlock
from watcher.errors import RadioError


class RadioLost(RadioError):
    """The radio went away, stalled, or never came: worth trying again after a while."""


@dataclass(frozen=True, slots=True)
class StreamFacts:
    """A stream that has begun.

    Parameters
    ----------
    anchor_utc : datetime
        Instant of sample 0, by the system clock when the first samples came.
    sample_rate_hz : int
        As the radio really runs.
    centre_hz : int
        As the radio is really tuned, before the correction by ppm.
    """

    anchor_utc: datetime
    sample_rate_hz: int
    centre_hz: int


class LiveStream(Protocol):
    """Samples of one tuning as they come."""

    @property
    def facts(self) -> StreamFacts:
        """What the stream is like; known once the first block was read."""
        ...

    def read(self, timeout_s: float) -> IqBlock | None:
        """The next block, or None where none came in time; every lost sample is told.

        Raises
        ------
        RadioLost
            The radio is gone or has stalled; the stream is over and the radio must be opened anew.
        """
        ...

    def stop(self) -> None:
        """End the stream; returns within three seconds whatever the radio does. May be called twice."""
        ...


class LiveRadio(Protocol):
    """A radio that can be opened and tuned."""

    @property
    def label(self) -> str:
        """What a person would call it: kind and serial number."""
        ...

    def open(self) -> None:
        """Take the radio.

        Raises
        ------
        RadioLost
            It is not there or busy; the message says what to do.
        RadioError
            It will never do what the plan asks.
        """
        ...

    def tune(self, centre_hz: int) -> LiveStream:
        """Begin a stream around a frequency; an earlier stream must be stopped first.

        Raises
        ------
        RadioLost, RadioError
            As for :meth:`open`.
        """
        ...

    def close(self) -> None:
        """Give the radio back; never fails, may be called twice."""
        ...

    def notes(self) -> list[str]:
        """Sentences for the log since the last call: the gain chosen and why, what was odd."""
        ...
