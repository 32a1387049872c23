"""The part of a demodulated channel where sub-audible signalling lives, at a rate cheap enough to keep.

This room turns discriminator samples into a low band of about 1.3 kS/s that holds 0 to 400 Hz: the
tones (67 to 254 Hz) and the second line of anything that only looks like one. It decides nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import signal

FloatArray = NDArray[np.float32]

LOWEST_CHANNEL_RATE_HZ = 8_000.0  # a discriminator needs twice the widest deviation plus the voice
TARGET_RATE_HZ = 1_300.0  # the lowest that keeps what folds onto 0..270 Hz out of the transition band
PASS_EDGE_HZ = 400.0
TAPS_PER_OUTPUT = 11  # with the Kaiser taper below: 0.1 dB to 400 Hz, 60 dB on all that folds onto the tones
KAISER_BETA = 6.5
CUT_HZ = 650.0

# Below the FM threshold the discriminator spins where the envelope is small. Weighting by the squared
# product of neighbouring magnitudes, capped at a fifth of its mean, leaves the strong samples alone and
# mutes the spins; measured on noise at 3 dB carrier-to-noise: 2 dB less noise from 60 to 260 Hz.
WEIGHT_CAP = 0.2
REFERENCE_S = 0.5  # memory of the reference power: longer than a fade, shorter than a change of station
LEAST_MEAN_WEIGHT = 0.02


class LowBand:
    """The 0 to 400 Hz part of discriminator outputs of many channels, decimated to about 1.3 kS/s.

    Parameters
    ----------
    channel_rate_hz : float
        Rate of the discriminator samples, 8 kHz or more.
    rows : int
        How many channels have a memory here.

    Attributes
    ----------
    rate_hz : float
        Rate of the low band: `channel_rate_hz / decimation`.
    decimation : int
    delay_samples : float
        Output j of a row shows the instant of that row's input sample
        `delay_samples + j * decimation`, counted from its last reset. Outputs whose filter would
        reach before the reset are not given, so nothing is padded.

    Raises
    ------
    ValueError
        The rate is under 8 kHz or there is no row.

    Notes
    -----
    Causal. Each row counts its own samples, so rows may be reset at different instants and fed
    different lengths; rows pushed together must bring equally many samples. Cost: one multiplication of
    a (samples / decimation, decimation) by a (decimation, 11) matrix.

    References
    ----------
    Polyphase decimation: Crochiere and Rabiner, "Multirate Digital Signal Processing", 1983, 3.3 (from
    memory).
    """

    def __init__(self, channel_rate_hz: float, rows: int) -> None:
        if not channel_rate_hz >= LOWEST_CHANNEL_RATE_HZ:
            raise ValueError(f"channel_rate_hz is {channel_rate_hz}; it must be 8000 or more")
        if rows < 1:
            raise ValueError(f"rows is {rows}; it must be 1 or more")
        self.channel_rate_hz = float(channel_rate_hz)
        self.decimation = int(channel_rate_hz // TARGET_RATE_HZ)
        self.rate_hz = self.channel_rate_hz / self.decimation
        taps = low_band_taps(self.channel_rate_hz, self.decimation)
        self.delay_samples = (len(taps) - 1) / 2.0
        # Column j holds the taps that a frame of `decimation` samples lends to the output j frames on.
        frames = taps.reshape(TAPS_PER_OUTPUT, self.decimation)[:, ::-1]
        self._frame_taps = np.ascontiguousarray(frames, dtype=np.float32)
        self._partial = np.zeros((rows, self.decimation), np.float32)
        self._carry = np.zeros((rows, TAPS_PER_OUTPUT - 1), np.float32)
        self._seen = np.zeros(rows, np.int64)
        self._offset_hz = np.zeros(rows, np.float32)
        self._reference = np.zeros(rows, np.float32)
        self._mean_weight = np.zeros(rows, np.float32)

    def reset(self, rows: NDArray[np.intp] | list[int]) -> None:
        """Forget everything of these rows: their next sample is their first."""
        self._partial[rows] = 0
        self._carry[rows] = 0
        self._seen[rows] = 0
        self._offset_hz[rows] = 0
        self._reference[rows] = 0
        self._mean_weight[rows] = 0

    def push(
        self,
        discriminator_hz: FloatArray,
        rows: NDArray[np.intp] | list[int],
        power: FloatArray | None = None,
    ) -> list[FloatArray]:
        """Low-band samples that these discriminator samples complete.

        Parameters
        ----------
        discriminator_hz : ndarray of float32, shape (len(rows), m)
            Arctangent discriminator before de-emphasis, Hz; not changed. m may be anything, even 0.
        rows : index array, shape (len(rows),)
            Which channel each line belongs to; no channel twice.
        power : ndarray of float32, same shape, optional
            `|y[n] conj(y[n-1])|**2` of the samples the discriminator came from, any scale. With it the
            noise of weak carriers falls by about 2 dB; without it every sample weighs the same.

        Returns
        -------
        list of ndarray of float32
            One for each line, Hz, the carrier's offset still in it. Lengths differ by more than one
            only for rows reset a moment ago.

        Raises
        ------
        ValueError
            The shapes do not fit.
        """
        picked = np.asarray(rows, dtype=np.intp)
        if discriminator_hz.ndim != 2 or len(discriminator_hz) != len(picked):
            raise ValueError(
                f"discriminator_hz has shape {discriminator_hz.shape}; it must be ({len(picked)}, samples)"
            )
        if power is not None and power.shape != discriminator_hz.shape:
            raise ValueError(f"power has shape {power.shape}; it must be {discriminator_hz.shape}")
        if power is None or discriminator_hz.shape[1] == 0:
            steady = discriminator_hz
        else:
            steady = self._mute_spins(discriminator_hz, power, picked)
        # Rows that have the same number of samples over from last time go through the matrix together.
        phase = self._phase(picked)
        if len(picked) and np.all(phase == phase[0]):
            return list(self._filter(steady, picked))
        pieces: list[FloatArray] = [np.empty(0, np.float32)] * len(picked)
        for value in np.unique(phase):
            lines = np.flatnonzero(phase == value)
            for line, piece in zip(lines, self._filter(steady[lines], picked[lines]), strict=True):
                pieces[line] = piece
        return pieces

    def _phase(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """What decides how many outputs a push yields: the fill, and how far the start lies back."""
        seen = self._seen[rows]
        length = TAPS_PER_OUTPUT * self.decimation
        return np.where(seen < length, seen, length + seen % self.decimation)

    def _mute_spins(
        self, discriminator_hz: FloatArray, power: FloatArray, rows: NDArray[np.intp]
    ) -> FloatArray:
        """Discriminator with the samples of small envelope pulled towards the carrier's offset."""
        m = np.float32(discriminator_hz.shape[1])
        kept = np.minimum(self._seen[rows], REFERENCE_S * self.channel_rate_hz).astype(np.float32)
        old, new = kept / (kept + m), m / (kept + m)

        reference = self._reference[rows] * old + power.mean(axis=1) * new
        self._reference[rows] = reference
        weight = power * (1.0 / np.maximum(reference, np.float32(1e-30)))[:, None]
        np.minimum(weight, np.float32(WEIGHT_CAP), out=weight)
        block_weight = weight.mean(axis=1)
        mean_weight = self._mean_weight[rows] * old + block_weight * new
        self._mean_weight[rows] = mean_weight
        np.maximum(mean_weight, np.float32(LEAST_MEAN_WEIGHT * WEIGHT_CAP), out=mean_weight)

        block_offset = np.einsum("ij,ij->i", discriminator_hz, weight) / m
        block_offset /= np.maximum(block_weight, np.float32(1e-6))
        offset = self._offset_hz[rows] * old + block_offset * new
        self._offset_hz[rows] = offset
        # The offset goes out before the weight and comes back after it: it would turn every change of
        # the envelope into low-band noise, and its own small steps from block to block must not show.
        weight *= (1.0 / mean_weight)[:, None]
        steady: FloatArray = discriminator_hz - offset[:, None]
        steady *= weight
        steady += offset[:, None]
        return steady

    def _filter(self, steady: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
        """Decimate lines of one phase; shape (len(rows), outputs)."""
        step, overlap = self.decimation, TAPS_PER_OUTPUT - 1
        seen = int(self._seen[rows[0]])
        fill = seen % step
        n, rest = divmod(fill + steady.shape[1], step)
        self._seen[rows] += steady.shape[1]
        if n == 0:
            self._partial[rows, fill:rest] = steady
            return np.empty((len(rows), 0), np.float32)
        frames = np.empty((len(rows), n * step), np.float32)
        frames[:, :fill] = self._partial[rows, :fill]
        frames[:, fill:] = steady[:, : n * step - fill]
        self._partial[rows, :rest] = steady[:, n * step - fill :]
        shares = (self._frame_taps @ frames.reshape(-1, step).T).reshape(TAPS_PER_OUTPUT, len(rows), n)
        summed = np.zeros((len(rows), n + overlap), np.float32)
        summed[:, :overlap] = self._carry[rows]
        for j in range(TAPS_PER_OUTPUT):
            summed[:, j : j + n] += shares[j]
        self._carry[rows] = summed[:, n:]
        # The first outputs after a reset would mix the start with zeros that were never received.
        unfounded = max(0, overlap - seen // step)
        return summed[:, min(unfounded, n) : n]


def low_band_taps(channel_rate_hz: float, decimation: int) -> NDArray[np.float64]:
    """Low-pass taps of `LowBand`, shape (11 * decimation,), sum 1."""
    taps: NDArray[np.float64] = signal.firwin(
        TAPS_PER_OUTPUT * decimation, CUT_HZ, fs=channel_rate_hz, window=("kaiser", KAISER_BETA)
    )
    return taps
