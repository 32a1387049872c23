"""The channels that share one rate: their recent samples and their demodulators."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Self

import numpy as np
from numpy.typing import NDArray

from dsp.channelizer import RateGroup
from watcher.plan.model import Channel
from watcher.receive.channel_history import ChannelHistory
from watcher.receive.voice_path import VoicePath


@dataclass(frozen=True, slots=True, eq=False)
class ReceiveGroup:
    """One rate group of the filter bank with its history and its demodulators.

    Parameters
    ----------
    members : ndarray of intp
        The channels, by their place in the plan; a row of the group each.
    frame_samples : int
        Channel samples per frame.
    rate_ratio : Fraction
        Channel rate over input rate.
    rate_hz : float
    """

    members: NDArray[np.intp]
    frame_samples: int
    rate_ratio: Fraction
    rate_hz: float
    history: ChannelHistory
    fm: VoicePath
    am: VoicePath

    @classmethod
    def build(cls, group: RateGroup, history_s: float) -> Self:
        """The receiving half of one of the filter bank's groups."""
        rows = len(group.members)
        return cls(
            members=group.members,
            frame_samples=group.frame_samples,
            rate_ratio=group.rate_ratio,
            rate_hz=float(group.rate_hz),
            history=ChannelHistory(int(history_s * group.rate_hz)),
            fm=VoicePath(group.rate_hz, rows, is_am=False),
            am=VoicePath(group.rate_hz, rows, is_am=True),
        )

    def path_of(self, channel: Channel) -> VoicePath:
        """The demodulator of the channel's mode."""
        return self.am if channel.mode == "am" else self.fm
