"""Which channels a stream can show."""

from __future__ import annotations

from watcher.plan.model import Channel


def usable_half_span_hz(sample_rate_hz: int, channel: Channel) -> float:
    """How far from the centre a channel may lie in a stream of this rate."""
    return sample_rate_hz / 2 - channel.pass_band_hz / 2


def is_inside(channel: Channel, sample_rate_hz: int, centre_hz: int, ppm: float = 0.0) -> bool:
    """Does the channel's pass band lie within the span?"""
    offset_hz = channel.frequency_hz - centre_hz * (1 + ppm * 1e-6)
    return abs(offset_hz) <= usable_half_span_hz(sample_rate_hz, channel)
