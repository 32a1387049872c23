"""Which instants of a slice were hit by an impulse: ignition, fences, arcs of the mains.

An impulse is broadband, so it rises in every part of the spectrum at the same instant; a station, however
pulsed, rises in its own. The instants are found in bands that nobody is listed on, and left out wherever a
channel is compared with its noise floor. Nothing is blanked: what goes to the ear stays as received.
Found at the channel rate and not in the wide stream, impulses show under any strong station elsewhere.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import ceil

import numpy as np
import scipy
import scipy.fft
from numpy.typing import NDArray

from dsp.blocks import ComplexSamples
from dsp.channelizer import ChannelCut, Slice
from dsp.filter_bank_design import (
    BASE_BINS,
    CELL_BINS,
    TRANSITION_HZ,
    BankShape,
    bin_weights,
    noise_bandwidth_hz,
)
from dsp.noise_floor import QUANTILE

BAND_HZ = 11_000.0  # pass band of a band looked at: an impulse rings in it as in the narrowest FM channel
MOST_BANDS = 12  # the mean of eight of them scatters by a third: impulses of 5 dB show
FEWEST_BANDS = 4  # with less, one pulsed station could pass for an impulse
GLANCED_BANDS = 4  # looked at in every slice; the others only where these show impulses
KEPT_SHARE = 2 / 3  # of the bands at each instant, the weakest: the others may hold stations
EDGE_SHARE = 0.04  # of the span at either end, where tuners roll off
GLANCED_ALIKE = 3  # bands in which a frame must look hit: the splatter of busy stations shows in two at once
GLANCE_ENVELOPE = 2.6  # of a frame in so many bands: 3.7 standard deviations under noise, each
FALSE_HIT = 1e-5  # chance that an instant of noise counts as hit: a sample in six seconds
QUIET_QUANTILE = 0.3  # of a frame's instants: up to two thirds of it may be hit
SPREAD_SAMPLES = 3  # either side of a hit: 0.2 ms, over which the channel filter rings
KEPT_SLICES = 8  # 1.6 s of masks: as far back as edges are looked for
LEAST_CLEAR = 0.15  # of a frame: with less, it was no impulse but a burst, and there is nothing to compare


class ImpulseMask:
    """Look for impulses in bands between the listed channels.

    Parameters
    ----------
    shape : BankShape
    cuts : sequence of ChannelCut
        The listed channels.

    Notes
    -----
    Each band goes through the filter of an 11 kHz channel to base-rate samples. A frame is suspected where
    the envelope measure (mean |y|^4 over the squared mean |y|^2; 2 for noise, 1 for FM) is high in three
    of four bands at once. Then the weakest two thirds of all bands are averaged instant by instant. The
    mean of n exponential powers follows gamma of shape n; an instant is hit where it stands over the frame's
    30 % quantile by more than that law allows once in 1 / `FALSE_HIT`. (Leaving out the strongest third makes
    the tail a little longer: about 10^-4, by simulation.)
    """

    def __init__(self, shape: BankShape, cuts: Sequence[ChannelCut]) -> None:
        self._shape = shape
        self._samples = BASE_BINS * shape.hop_samples // shape.fft_length
        self._centre_bins = _free_bands(shape, cuts)
        self._cells_of_noise = noise_bandwidth_hz(shape, BAND_HZ) / (shape.bin_hz * CELL_BINS)
        gain = BASE_BINS / shape.fft_length  # the inverse FFT divides by its own length
        self._weights = bin_weights(shape, BAND_HZ, 0.0, BASE_BINS) * np.float32(gain)
        self._kept = max(1, ceil(KEPT_SHARE * len(self._centre_bins)))
        law = scipy.stats.gamma(self._kept)
        self._hit_ratio = float(law.isf(FALSE_HIT) / law.ppf(QUIET_QUANTILE))
        self.reset()

    def reset(self) -> None:
        """Forget the impulses: a new run of samples begins."""
        self._clear: NDArray[np.bool_] | None = None  # of the slice in hand, shape (frames, n)
        self._quiet_power = np.empty(0)
        self._recent: deque[tuple[int, NDArray[np.bool_]]] = deque(maxlen=KEPT_SLICES)

    def push(self, piece: Slice, typical_cells: NDArray[np.float32]) -> bool:
        """Look for impulses in the next slice; True where some fell.

        Parameters
        ----------
        piece : Slice
        typical_cells : ndarray of float32, shape (cells,)
            The average spectrum, from :attr:`dsp.noise_floor.NoiseFloor.typical_cells`.
        """
        self._clear = None
        if not len(self._centre_bins):
            return False
        glanced = self._powers(piece.spectra, self._centre_bins[:GLANCED_BANDS])
        mean = np.maximum(glanced.mean(axis=2), 1e-18)
        envelope = np.einsum("bfs,bfs->bf", glanced, glanced) / (self._samples * mean**2)
        if not (np.partition(envelope, -GLANCED_ALIKE, axis=0)[-GLANCED_ALIKE] > GLANCE_ENVELOPE).any():
            return False
        others = self._powers(piece.spectra, self._centre_bins[GLANCED_BANDS:])
        powers = np.concatenate([glanced, others]) / self._typical(typical_cells)[:, None, None]
        together = np.partition(powers, self._kept - 1, axis=0)[: self._kept].mean(axis=0)
        rank = int(QUIET_QUANTILE * self._samples)
        quiet = np.partition(together, rank, axis=1)[:, rank]
        clear = ~_spread(together > self._hit_ratio * quiet[:, None])
        clear[clear.mean(axis=1) < LEAST_CLEAR] = True
        if clear.all():
            return False
        self._clear = clear
        self._recent.append((piece.first_frame, clear))
        held = np.einsum("bfs,fs->bf", powers, clear) / clear.sum(axis=1)
        self._quiet_power = np.median(held, axis=0).astype(np.float64)
        return True

    def clear(self, frame_samples: int, frames: slice = slice(None)) -> NDArray[np.bool_] | None:
        """Instants of some frames of the slice in hand that no impulse hit; None where all are clear.

        Frames hit for nearly all their length count as clear: that was a burst, with nothing to compare.

        Parameters
        ----------
        frame_samples : int
            Of the grid of instants wanted.
        """
        return None if self._clear is None else _on_grid(self._clear[frames], frame_samples)

    def floor_between(self, floor: NDArray[np.float32], typical: NDArray[np.float64]) -> None:
        """Put the noise of the clear instants into the frames that were hit, in place.

        Parameters
        ----------
        floor : ndarray of float32, shape (channels, frames)
            Of the slice in hand.
        typical : ndarray of float64, shape (channels,)
            The same floor from the average spectrum that `push` got.
        """
        if self._clear is not None:
            hit = np.flatnonzero(~self._clear.all(axis=1))
            floor[:, hit] = typical[:, None] * self._quiet_power[None, hit]

    def without_impulses(
        self, samples: ComplexSamples, first_sample: int, frame_samples: int
    ) -> ComplexSamples:
        """Samples of one channel, each instant that an impulse hit replaced by the clear one before it.

        Parameters
        ----------
        samples : ndarray of complex64, shape (n,)
        first_sample : int
            Count of `samples[0]` in channel samples since the run began. Impulses are known as far back as
            `KEPT_SLICES` slices that had some.
        frame_samples : int
            Of the channel's rate.
        """
        clear = np.ones(len(samples), dtype=bool)
        for first_frame, mask in self._recent:
            there = _on_grid(mask, frame_samples).reshape(-1)
            start = first_frame * frame_samples - first_sample
            begin, end = max(start, 0), min(start + len(there), len(samples))
            if begin < end:
                clear[begin:end] = there[begin - start : end - start]
        if clear.all():
            return samples
        taken = np.maximum.accumulate(np.where(clear, np.arange(len(samples)), 0))
        return np.asarray(samples[taken])

    def _typical(self, typical_cells: NDArray[np.float32]) -> NDArray[np.float32]:
        """Noise power in each band by the average spectrum; its own cells, by the floor's quantile."""
        by_band = typical_cells.reshape(-1, BASE_BINS // CELL_BINS)
        own = by_band[(self._centre_bins + self._shape.fft_length // 2) // BASE_BINS]
        rank = int(QUANTILE * (own.shape[1] - 1))
        power = np.partition(own, rank, axis=1)[:, rank] * np.float32(self._cells_of_noise)
        return np.asarray(np.maximum(power, 1e-18), dtype=np.float32)

    def _powers(self, spectra: ComplexSamples, centre_bins: NDArray[np.intp]) -> NDArray[np.float32]:
        """Squared magnitudes of some bands at the base rate, shape (bands, frames, n)."""
        half = BASE_BINS // 2
        near = np.concatenate([np.arange(half), np.arange(-half, 0)])
        taken = np.empty((len(centre_bins), len(spectra), BASE_BINS), dtype=np.complex64)
        for row, centre in enumerate(centre_bins.tolist()):
            np.take(spectra, centre + near, axis=1, out=taken[row], mode="wrap")
        taken *= self._weights
        skip = (BASE_BINS - self._samples) // 2
        pieces = scipy.fft.ifft(taken, axis=-1, overwrite_x=True)[:, :, skip : skip + self._samples]
        powers: NDArray[np.float32] = np.square(pieces.real) + np.square(pieces.imag)
        return powers


def _on_grid(clear: NDArray[np.bool_], frame_samples: int) -> NDArray[np.bool_]:
    """The same instants on a grid of so many samples per frame."""
    n = clear.shape[1]
    return clear if frame_samples == n else clear[:, (np.arange(frame_samples) * n) // frame_samples]


def _spread(hit: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Widen hits by `SPREAD_SAMPLES` either side, over the joints of frames too."""
    flat = hit.reshape(-1)
    wide = flat.copy()
    for step in range(1, SPREAD_SAMPLES + 1):
        wide[step:] |= flat[:-step]
        wide[:-step] |= flat[step:]
    return wide.reshape(hit.shape)


def _free_bands(shape: BankShape, cuts: Sequence[ChannelCut]) -> NDArray[np.intp]:
    """Centre bins of the bands, those first that are looked at in every slice."""
    centres = np.arange(-(shape.fft_length // 2) + BASE_BINS // 2, shape.fft_length // 2, BASE_BINS)
    reach_hz = BAND_HZ / 2 + TRANSITION_HZ
    at_hz = centres * shape.bin_hz
    inside = np.abs(at_hz) + reach_hz < (0.5 - EDGE_SHARE) * shape.sample_rate_hz
    inside &= np.abs(at_hz) > reach_hz + 2 * CELL_BINS * shape.bin_hz  # the spike at 0 Hz
    free = inside.copy()
    for cut in cuts:
        free &= np.abs(at_hz - cut.offset_hz) > reach_hz + cut.pass_band_hz / 2
    # A listed channel that is quiet shows impulses too.
    found = centres[free] if np.count_nonzero(free) >= FEWEST_BANDS else centres[inside]
    if len(found) < FEWEST_BANDS:
        return np.empty(0, dtype=np.intp)
    count = min(MOST_BANDS, len(found))
    chosen = found[np.round(np.linspace(0, len(found) - 1, count)).astype(int)]
    glanced = np.round(np.linspace(0, count - 1, GLANCED_BANDS)).astype(int)
    others = np.setdiff1d(np.arange(count), glanced)
    return np.asarray(chosen[np.concatenate([glanced, others])], dtype=np.intp)
