"""A radio narrower than the recording: one sub-band of it, moved to 0 Hz and brought to a lower rate."""

from __future__ import annotations

from collections.abc import Iterator

from dsp.blocks import ComplexSamples
from dsp.channelizer import ChannelCut, Channelizer
from dsp.filter_bank_design import LOWEST_RATE_HZ, TRANSITION_HZ, shape_for_rate

_BINS_STEP = 64  # the filter bank gives lengths in such steps


def narrow_rate_hz(sample_rate_hz: int, wanted_hz: int) -> int | None:
    """The lowest whole rate, not under the wanted one, that the filter bank gives of a recording.

    None where only the recording's own rate will do.
    """
    bin_hz = shape_for_rate(sample_rate_hz).bin_hz
    length = shape_for_rate(sample_rate_hz).fft_length
    bins = _BINS_STEP
    while bins * bin_hz < max(wanted_hz, LOWEST_RATE_HZ) or (bins * sample_rate_hz) % length:
        bins += _BINS_STEP
    rate_hz = bins * sample_rate_hz // length
    return rate_hz if rate_hz < sample_rate_hz else None


class NarrowBand:
    """One sub-band of a stream, by the filter bank that cuts channels.

    Parameters
    ----------
    sample_rate_hz : int
        Of the stream.
    offset_hz : float
        Where the sub-band's middle lies; moved inwards where the band would reach beyond the stream's.
    rate_hz : int
        As :func:`narrow_rate_hz` gives it.

    Notes
    -----
    Flat to 1.5 kHz from each edge and 80 dB down outside. Without delay: an output sample shows the instant
    of its place. `finish` gives the last of a run and forgets it.
    """

    def __init__(self, sample_rate_hz: int, offset_hz: float, rate_hz: int) -> None:
        room_hz = (sample_rate_hz - rate_hz) / 2
        self.offset_hz = round(min(max(offset_hz, -room_hz), room_hz))
        self.rate_hz = rate_hz
        self._bank = Channelizer(sample_rate_hz, [ChannelCut(self.offset_hz, rate_hz - 2 * TRANSITION_HZ)])

    def push(self, samples: ComplexSamples) -> Iterator[ComplexSamples]:
        """Take input; yield output of the same instants as it becomes certain."""
        for piece in self._bank.push(samples):
            yield piece.blocks[0].samples[0]

    def finish(self) -> Iterator[ComplexSamples]:
        """What is left of the run; then the next sample pushed begins another."""
        for piece in self._bank.finish():
            yield piece.blocks[0].samples[0]
        self._bank.reset()
