"""What the plan says of keeping and naming, beside the channels: handed to the receiver as one thing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watcher.plan.model import Channel, KeepIq, TonePair, WatchPlan
from watcher.receive.records import Transmission


@dataclass(frozen=True, slots=True)
class ReceiveRules:
    """What holds for every channel.

    Parameters
    ----------
    keep_iq : {"none", "flagged", "all"}
        Whose narrow IQ is kept beside the clip.
    tone_pairs : tuple of TonePair
        Two-tone pages that have a name.
    time_zone : str
        In which times are told.
    hear : callable or None
        Gets the audio of whatever is on the air, 16 kHz, as it comes: channel and samples, not to be changed.
    """

    keep_iq: KeepIq = "none"
    tone_pairs: tuple[TonePair, ...] = ()
    time_zone: str = "UTC"
    hear: Callable[[Channel, NDArray[np.int16]], None] | None = None

    @classmethod
    def of(
        cls, plan: WatchPlan, hear: Callable[[Channel, NDArray[np.int16]], None] | None = None
    ) -> ReceiveRules:
        """The rules of a plan."""
        return cls(plan.station.keep_iq, plan.tone_pairs, plan.station.time_zone, hear)

    def wants_iq(self, heard: Transmission) -> bool:
        """Whether the IQ of a finished transmission is kept."""
        return self.keep_iq == "all" or (self.keep_iq == "flagged" and bool(heard.flags))


def carries_expected(channel: Channel, heard: Transmission) -> bool:
    """Whether a transmission carries the tone or code its channel names; true where it names none."""
    if channel.expect_code is not None:
        return heard.code is not None and heard.code.code == channel.expect_code
    if channel.expect_tone_hz is None:
        return True
    found_hz = heard.tone.tone_hz if heard.tone is not None else None
    return found_hz is not None and abs(found_hz - channel.expect_tone_hz) < 0.05
