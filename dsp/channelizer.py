"""Split a wide stream into its listed channels by fast convolution.

One forward FFT of each stretch of input serves every channel. A channel takes the bins around its
centre, weights them with its own filter and comes back through a short inverse FFT at its own low
rate; input samples are never touched once per channel. Source: M. Borgerding, "Turning overlap-save
into a multiband mixing, downsampling filter bank", IEEE Signal Processing Magazine, March 2006.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from dsp.blocks import ChannelBlock, ComplexSamples
from dsp.filter_bank_design import (
    CELL_BINS,
    BankShape,
    bin_weights,
    noise_bandwidth_hz,
    shape_for_rate,
)
from dsp.overlapping import overlapping

ROWS_TOGETHER = 16  # channels whose inverse FFTs are done at once: half a megabyte, which stays in the cache
FRAMES_PER_SLICE = 16  # FFTs done together: enough rows for SIMD, and 0.2 s of delay


@dataclass(frozen=True, slots=True)
class ChannelCut:
    """One channel to be cut out.

    Parameters
    ----------
    offset_hz : float
        Channel centre minus the stream's centre.
    pass_band_hz : float
        Full width that passes with at most 0.1 dB ripple.
    """

    offset_hz: float
    pass_band_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class RateGroup:
    """The channels that share one output rate."""

    members: NDArray[np.intp]  # indices into the list of channels given to the channelizer
    bins: int
    frame_samples: int  # outputs per frame
    rate_ratio: Fraction
    rate_hz: Fraction


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """A few consecutive frames of every channel, with the spectrum they came from.

    Parameters
    ----------
    first_frame : int
        Frames are counted from the start of the stretch and last `shape.hop_samples` each.
    blocks : tuple of ChannelBlock
        One for each rate group, in the order of `Channelizer.groups`.
    spectra : ndarray of complex64, shape (frames, fft_length)
        The forward FFTs, in FFT order, of overlapping input.
    """

    first_frame: int
    blocks: tuple[ChannelBlock, ...]
    spectra: ComplexSamples


class Channelizer:
    """Filter bank with any centre frequency and width per channel, streaming.

    The frames lie on a fixed grid of the sample count, so the output does not depend on how the
    input is cut into blocks. The filter's delay is taken off: output sample j of a block shows the
    instant `first_sample + j / rate_ratio`.

    Parameters
    ----------
    sample_rate_hz : int
        16 000 or more.
    cuts : sequence of ChannelCut

    Raises
    ------
    ValueError
        A channel reaches outside the span of the stream, or the rate is too low; the message
        carries the offending offset and the span.
    """

    def __init__(self, sample_rate_hz: int, cuts: Sequence[ChannelCut]) -> None:
        self.shape: BankShape = shape_for_rate(sample_rate_hz)
        self.cuts = tuple(cuts)
        half_span_hz = sample_rate_hz / 2
        for cut in self.cuts:
            if abs(cut.offset_hz) + cut.pass_band_hz / 2 > half_span_hz:
                raise ValueError(
                    f"offset_hz is {cut.offset_hz:.0f}; with a pass band of "
                    f"{cut.pass_band_hz:.0f} Hz it must lie within "
                    f"{half_span_hz - cut.pass_band_hz / 2:.0f} Hz of the centre"
                )
        self.noise_bandwidth_hz = np.array(
            [noise_bandwidth_hz(self.shape, cut.pass_band_hz) for cut in self.cuts], dtype=np.float64
        )
        self._plan_channels()
        self._buffer = np.empty(
            self.shape.fft_length + (FRAMES_PER_SLICE - 1) * self.shape.hop_samples, dtype=np.complex64
        )
        self.reset()

    @property
    def delay_samples(self) -> int:
        """Input samples that must follow an instant before its output can be computed."""
        return self.shape.half_overlap

    def reset(self) -> None:
        """Forget everything: the next sample pushed is sample 0, with silence before it."""
        self._buffer[: self.shape.half_overlap] = 0
        self._filled = self.shape.half_overlap
        self._next_frame = 0
        self._received = 0

    def push(self, samples: ComplexSamples) -> Iterator[Slice]:
        """Take input; yield every slice that is complete.

        Parameters
        ----------
        samples : ndarray of complex64, shape (n,)
            Any n, zero included.
        """
        taken = 0
        while taken < len(samples):
            room = min(len(self._buffer) - self._filled, len(samples) - taken)
            self._buffer[self._filled : self._filled + room] = samples[taken : taken + room]
            self._filled += room
            self._received += room
            taken += room
            if self._filled == len(self._buffer):
                yield self._slice(FRAMES_PER_SLICE)
                self._keep_overlap()

    def _keep_overlap(self) -> None:
        """What the next slice needs again moves to the front of the buffer."""
        kept = len(self._buffer) - FRAMES_PER_SLICE * self.shape.hop_samples
        self._buffer[:kept] = self._buffer[-kept:]
        self._filled = kept

    def finish(self) -> Iterator[Slice]:
        """Yield what is left, as if silence followed, cut to the instants that had input.

        The channelizer must be reset before it is used again.
        """
        hop = self.shape.hop_samples
        while (frames := -(-(self._received - self._next_frame * hop) // hop)) > 0:
            self._buffer[self._filled :] = 0
            yield self._slice(min(frames, FRAMES_PER_SLICE))
            self._keep_overlap()

    def _plan_channels(self) -> None:
        shape = self.shape
        bins_of = np.array([shape.bins_for(cut.pass_band_hz) for cut in self.cuts], dtype=int)
        self._centre_bins = np.round(np.array([cut.offset_hz for cut in self.cuts]) / shape.bin_hz).astype(
            np.int64
        )
        self.groups: list[RateGroup] = []
        self._weights: list[ComplexSamples] = []
        self._residual_turns: list[ComplexSamples] = []
        self._known_weights: dict[tuple[float, float, int], NDArray[np.complex64]] = {}
        for bins in sorted(set(bins_of.tolist())):
            members = np.flatnonzero(bins_of == bins)
            ratio = shape.rate_ratio(bins)
            frame_samples = bins * shape.hop_samples // shape.fft_length
            residuals = np.array([self._residual_hz(c) for c in members.tolist()])
            weights = np.stack([self._filter_of(c, bins) for c in members.tolist()])
            j = np.arange(frame_samples) / float(ratio)
            turns = np.exp(-2j * np.pi * residuals[:, None] * j / shape.sample_rate_hz)
            self.groups.append(RateGroup(members, bins, frame_samples, ratio, ratio * shape.sample_rate_hz))
            # The inverse FFT divides by its own length; the forward one was fft_length long.
            self._weights.append((weights * (bins / shape.fft_length)).astype(np.complex64))
            self._residual_turns.append(turns.astype(np.complex64))

    def _residual_hz(self, channel: int) -> float:
        return float(self.cuts[channel].offset_hz - self._centre_bins[channel] * self.shape.bin_hz)

    def _filter_of(self, channel: int, bins: int) -> NDArray[np.complex64]:
        key = (self.cuts[channel].pass_band_hz, round(self._residual_hz(channel), 3), bins)
        if key not in self._known_weights:
            self._known_weights[key] = bin_weights(self.shape, *key)
        return self._known_weights[key]

    def _slice(self, frames: int) -> Slice:
        shape = self.shape
        windows = overlapping(self._buffer, shape.fft_length, shape.hop_samples)
        spectra: ComplexSamples = scipy.fft.fft(windows[:frames], axis=-1)
        first_frame = self._next_frame
        first_sample = first_frame * shape.hop_samples
        self._next_frame += frames
        blocks = []
        for number, group in enumerate(self.groups):
            samples = self._cut_group(number, group, spectra, first_frame)
            left = (self._received - first_sample) * group.rate_ratio
            samples = samples[:, : min(samples.shape[1], -(-left.numerator // left.denominator))]
            blocks.append(ChannelBlock(samples, first_sample, group.rate_ratio))
        return Slice(first_frame, tuple(blocks), spectra)

    def _cut_group(
        self, number: int, group: RateGroup, spectra: ComplexSamples, first_frame: int
    ) -> ComplexSamples:
        frames, members = len(spectra), group.members.tolist()
        skip = (group.bins - group.frame_samples) // 2
        kept = slice(skip, skip + group.frame_samples)
        turns = self._frame_turns(group, first_frame, frames)
        samples = np.empty((len(members), frames, group.frame_samples), dtype=np.complex64)
        taken = np.empty((min(ROWS_TOGETHER, len(members)), frames, group.bins), dtype=np.complex64)
        for first in range(0, len(members), ROWS_TOGETHER):
            rows = slice(first, first + ROWS_TOGETHER)
            some = taken[: len(members[rows])]
            for row, channel in enumerate(members[rows]):
                centre, weights = int(self._centre_bins[channel]), self._weights[number][first + row]
                self._take_bins(spectra, centre, weights, some[row])
            pieces = scipy.fft.ifft(some, axis=-1, overwrite_x=True)
            np.multiply(pieces[:, :, kept], self._residual_turns[number][rows, None, :], out=samples[rows])
            samples[rows] *= turns[rows, :, None]
        return samples.reshape(len(members), frames * group.frame_samples)

    def _take_bins(
        self, spectra: ComplexSamples, centre: int, weights: ComplexSamples, into: ComplexSamples
    ) -> None:
        """Copy the weighted bins around `centre` into FFT order; the band may wrap at either end."""
        length, bins = spectra.shape[1], into.shape[1]
        upper = (bins + 1) // 2  # bins at and above the centre
        for start, first, count in (
            (centre % length, 0, upper),
            ((centre - bins // 2) % length, upper, bins // 2),
        ):
            whole = min(count, length - start)
            np.multiply(
                spectra[:, start : start + whole],
                weights[first : first + whole],
                out=into[:, first : first + whole],
            )
            if whole < count:
                rest = slice(first + whole, first + count)
                np.multiply(spectra[:, : count - whole], weights[rest], out=into[:, rest])

    def _frame_turns(self, group: RateGroup, first_frame: int, frames: int) -> ComplexSamples:
        """Undo the phase that the mixing to 0 Hz gathered up to each frame's first output, exactly."""
        shape = self.shape
        numbers = first_frame + np.arange(frames)
        # The piece starts half an overlap before its frame. Whole turns are dropped in integers.
        lead = numbers * shape.hop_samples - shape.half_overlap
        bin_turns = (self._centre_bins[group.members][:, None] * lead[None, :]) % shape.fft_length
        residuals = np.array([self._residual_hz(c) for c in group.members.tolist()])
        residual_turns = residuals[:, None] * (numbers * shape.hop_seconds)[None, :]
        turns = bin_turns / shape.fft_length + residual_turns % 1.0
        rotation: ComplexSamples = np.exp(-2j * np.pi * turns).astype(np.complex64)
        return rotation


def cell_powers(spectra: ComplexSamples) -> NDArray[np.float32]:
    """Power of the Hann-tapered spectrum in cells of 32 bins, lowest frequency first.

    The taper is applied after the FFT, as the three-term convolution (-1/4, 1/2, -1/4), so the same
    FFT that feeds the channels (which need none) also gives a spectrum whose leakage dies with the
    third power of distance: a station 60 dB over the noise leaves the floor alone a few kHz away.

    Parameters
    ----------
    spectra : ndarray of complex64, shape (frames, n)
        n a multiple of 32, in FFT order.

    Returns
    -------
    ndarray of float32, shape (frames, n // 32)
        Mean squared magnitude per input sample that falls into the cell: for white noise of power P
        the cells of one frame sum to P.

    References
    ----------
    F. J. Harris, Proc. IEEE 66 (1978), the Hann window and its transform.
    """
    frames, length = spectra.shape
    cells = np.empty((frames, length // CELL_BINS), dtype=np.float32)
    # (-1, 2, -1) is the difference of differences: two passes without a multiplication.
    steps = np.empty(length + 1, dtype=np.complex64)
    tapered = np.empty(length, dtype=np.complex64)
    groups = tapered.view(np.float32).reshape(-1, 2 * CELL_BINS)
    for frame in range(frames):
        line = spectra[frame]
        np.subtract(line[1:], line[:-1], out=steps[1:-1])
        steps[0] = steps[-1] = line[0] - line[-1]
        np.subtract(steps[1:], steps[:-1], out=tapered)
        np.einsum("cf,cf->c", groups, groups, out=cells[frame])
    # Parseval over n bins, and 6 for the taper (-1, 2, -1) against none.
    cells *= np.float32(1.0 / (6 * length**2))
    return np.roll(cells, cells.shape[1] // 2, axis=1)
