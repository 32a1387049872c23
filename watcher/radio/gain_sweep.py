"""Gains measured on a running stream, and the choices kept for when the radio comes back to a frequency."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from dsp.blocks import IqBlock
from watcher.radio.gain_choice import GainStep
from watcher.radio.iq_measures import clipped_share, noise_floor_dbfs_hz, peak_dbfs
from watcher.radio.live import LiveStream, RadioLost
from watcher.radio.ring_stream import RingStream

SETTLE_S = 0.02
"""From the command to the first samples taken with the new gain: two short blocks under way, and the tuner
itself."""

MEASURED_SAMPLES = 32_768
"""64 pieces of 512 bins: the floor scatters by less than 0.1 dB, and one clipped sample in 30 000 is seen."""

SILENT_S = 2.5

CHOICE_LASTS_S = 3600.0
"""The band changes over the day; measuring costs under a second."""

CLIPPED_TOO_MUCH = 1e-4


def wait_for_samples(stream: LiveStream, label: str) -> IqBlock:
    """The next block.

    Raises
    ------
    RadioLost
        The radio is gone, or none comes.
    """
    block = stream.read(SILENT_S)
    if block is None:
        raise RadioLost(f"{label} sent too few samples to choose its gain; check its plug and its cable")
    return block


def measure_step(stream: RingStream, label: str, settle_s: float = SETTLE_S) -> GainStep:
    """What the samples show after a change of gain that was just made.

    Raises
    ------
    RadioLost
        The radio is gone, or gives too little to measure.
    """
    stream.skip_waiting()  # a reader that is late has samples of the gain before
    blocks = []
    settling: int | None = None
    have = 0
    while have < MEASURED_SAMPLES:
        block = wait_for_samples(stream, label)
        if settling is None:
            settling = round(settle_s * block.sample_rate_hz) + len(block.samples)
        if settling > 0:
            settling -= len(block.samples)
            continue
        blocks.append(block)
        have += len(block.samples)
    samples = np.concatenate([block.samples for block in blocks])
    floor = noise_floor_dbfs_hz(samples, blocks[0].sample_rate_hz)
    return GainStep(floor, peak_dbfs(samples), clipped_share(blocks))


class KeptGains:
    """The gain last chosen at each frequency, for as long as it is to be trusted.

    Parameters
    ----------
    clock : callable
        Seconds that never step.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._chosen: dict[int, tuple[int, float]] = {}
        self._told: dict[int, int] = {}

    def at(self, centre_hz: int) -> int | None:
        """The index of the gain, or None where it must be measured."""
        index, chosen_s = self._chosen.get(centre_hz, (0, -CHOICE_LASTS_S))
        known = centre_hz in self._chosen and self._clock() - chosen_s < CHOICE_LASTS_S
        return index if known else None

    def keep(self, centre_hz: int, index: int) -> bool:
        """Keep a choice; is it another than the last one there?"""
        self._chosen[centre_hz] = (index, self._clock())
        is_news = self._told.get(centre_hz) != index
        self._told[centre_hz] = index
        return is_news

    def forget_if_clipped(self, share: float) -> None:
        """Measure anew everywhere after a stream that clipped."""
        if share > CLIPPED_TOO_MUCH:
            self._chosen.clear()
