"""When exactly a carrier came up and fell, by the channel's samples around the squelch's frames."""

from __future__ import annotations

import numpy as np

from dsp.blocks import ComplexSamples
from dsp.change_point import fall_sample, rise_sample
from dsp.detector import Detection, Detector
from dsp.squelch import Closing, Opening
from watcher.receive.receive_group import ReceiveGroup

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
    return first + rise_sample(samples, _level_without(samples, n, floor, up), up)


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
    return max(first + fall_sample(samples, up, _level_without(samples, n, floor, up)), start + 1)


def _level_without(samples: ComplexSamples, frame_samples: int, floor: float, up: float) -> float:
    """Power in the channel without the carrier: the noise, or what else stands there, an image or a birdie.

    The lower quarter of the frames shows it wherever the search reaches beyond the edge. Where it does not
    they hold the carrier: never more than half of its power is believed.
    """
    whole = len(samples) // frame_samples
    if not whole:
        return floor
    squared = np.abs(samples[: whole * frame_samples].reshape(whole, frame_samples)) ** 2
    return min(max(floor, float(np.quantile(squared.mean(axis=1), 0.25))), max(floor, up / 2))
