"""When exactly a carrier came up and fell, by the channel's samples around the squelch's frames."""

from __future__ import annotations

import numpy as np

from dsp.blocks import ComplexSamples
from dsp.change_point import fall_sample, rise_sample
from dsp.detector import Detection, Detector
from dsp.squelch import Closing, Opening
from watcher.receive.receive_group import ReceiveGroup

FAR_FRAMES = 2  # at the far end of the search, which show what stands there without the carrier
FRAMES_OF_CARRIER = 4  # by which its power is known
BEFORE_FALL, AFTER_FALL = 6, 5  # frames around the last one over the threshold


def rise_of(
    event: Opening, detection: Detection, detector: Detector, place: tuple[ReceiveGroup, int], earliest: int
) -> int:
    """Channel sample at which the carrier came up, `earliest` at the earliest; `place` is group and row."""
    group, row = place
    n = group.frame_samples
    first = max(event.searched_from * n, group.history.first, earliest)
    samples = group.history.take(row, first, (event.frame + 1) * n)
    samples = detector.impulses.without_impulses(samples, first, n)
    samples = detector.without_carrier(event.channel, samples, n)
    floor = float(detection.floor[event.channel].mean())
    up = float(np.mean(np.abs(samples[-FRAMES_OF_CARRIER * n :]) ** 2)) if len(samples) else floor
    if detector.holds_more_than_noise(event.channel):
        floor = _level_without(samples[: FAR_FRAMES * n], floor, up)
    return first + rise_sample(samples, floor, up)


def fall_of(
    event: Closing, detection: Detection, detector: Detector, place: tuple[ReceiveGroup, int], start: int
) -> int:
    """Channel sample at which the carrier that came up at `start` fell."""
    group, row = place
    n = group.frame_samples
    first = max((event.last_up - BEFORE_FALL) * n, start)
    samples = group.history.take(row, first, (event.last_up + AFTER_FALL) * n)
    first = max(first, group.history.first)
    samples = detector.impulses.without_impulses(samples, first, n)
    samples = detector.without_carrier(event.channel, samples, n)
    floor = float(detection.floor[event.channel].mean())
    up = float(np.mean(np.abs(samples[: FRAMES_OF_CARRIER * n]) ** 2)) if len(samples) else floor
    if detector.holds_more_than_noise(event.channel):
        floor = _level_without(samples[-FAR_FRAMES * n :], floor, up)
    return max(first + fall_sample(samples, up, floor), start + 1)


def _level_without(far: ComplexSamples, floor: float, up: float) -> float:
    """Power in the channel without the carrier: the noise, or what else stands there, an image or a birdie.

    `far` are the samples of the search that lie farthest from the carrier. Where the search does not reach
    beyond the edge they hold the carrier: never more than half of its power is believed.
    """
    seen = float(np.mean(np.abs(far) ** 2)) if len(far) else floor
    return max(floor, min(seen, up / 2))
