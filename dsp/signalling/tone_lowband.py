"""The part of a demodulated channel where sub-audible signalling lives, at a rate cheap enough to keep.

This room turns discriminator samples into a low band of about 1.3 kS/s that holds 0 to 400 Hz: the
tones (67 to 254 Hz) and the second line of anything that only looks like one. It decides nothing.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

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
TURN_S = 0.11  # the longest stretch that shares one mean
ENOUGH_SAMPLES = 256  # of a block, for its means
JUMP = 2.0  # in power from the running mean to a block's: a carrier has come up, or a deep fade is over
GAIN = 1.2  # in weight: more than the scatter of a block's mean
_CHUNK_SAMPLES = 65536  # rows are taken in portions whose work arrays stay in a 1 MB cache


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
    different lengths; rows pushed together must bring equally many samples. Without `power` any split
    of the stream gives the same samples; with it the means behind the weights follow push by push, at
    most 0.11 s at once, and another split moves the output by less than the noise that is taken off.
    Cost: one multiplication of a (samples / decimation, decimation) by a (decimation, 11) matrix.

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
        self._means = np.zeros((3, rows), np.float32)
        self._length = len(taps)
        self._scratch = [np.empty(0, np.float32) for _ in range(2)]

    def reset(self, rows: NDArray[np.intp] | list[int]) -> None:
        """Forget everything of these rows: their next sample is their first."""
        self._partial[rows] = 0
        self._carry[rows] = 0
        self._seen[rows] = 0
        self._means[:, rows] = 0

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
        pieces: list[FloatArray] = []
        portion = max(1, _CHUNK_SAMPLES // max(1, discriminator_hz.shape[1]))
        for first in range(0, len(picked), portion):
            part = slice(first, first + portion)
            if power is None:
                pieces += self._push_portion(discriminator_hz[part], picked[part], None)
            else:
                pieces += self._push_in_turns(discriminator_hz[part], picked[part], power[part])
        return pieces

    def _push_in_turns(
        self, discriminator_hz: FloatArray, rows: NDArray[np.intp], power: FloatArray
    ) -> list[FloatArray]:
        """A long block in pieces, so that a carrier coming up in its midst is not averaged with noise."""
        turn = round(TURN_S * self.channel_rate_hz)
        if discriminator_hz.shape[1] <= turn:
            return self._push_portion(discriminator_hz, rows, power)
        turns = [
            self._push_portion(discriminator_hz[:, at : at + turn], rows, power[:, at : at + turn])
            for at in range(0, discriminator_hz.shape[1], turn)
        ]
        return [np.concatenate(pieces) for pieces in zip(*turns, strict=True)]

    def _push_portion(
        self, discriminator_hz: FloatArray, rows: NDArray[np.intp], power: FloatArray | None
    ) -> list[FloatArray]:
        """`push` for rows whose work arrays fit into the cache."""
        # Rows that have the same number of samples over from last time go through the matrix together.
        seen = self._seen[rows]
        phase = np.where(seen < self._length, seen, self._length + seen % self.decimation)
        if (phase == phase[0]).all():
            return list(self._advance(discriminator_hz, rows, power))
        pieces: list[FloatArray] = [np.empty(0, np.float32)] * len(rows)
        for value in np.unique(phase):
            lines = np.flatnonzero(phase == value)
            some_power = None if power is None else power[lines]
            advanced = self._advance(discriminator_hz[lines], rows[lines], some_power)
            for line, piece in zip(lines, advanced, strict=True):
                pieces[line] = piece
        return pieces

    def _advance(
        self, discriminator_hz: FloatArray, rows: NDArray[np.intp], power: FloatArray | None
    ) -> FloatArray:
        """Decimate rows of one phase; shape (len(rows), outputs)."""
        step, overlap = self.decimation, TAPS_PER_OUTPUT - 1
        seen = int(self._seen[rows[0]])
        fill = seen % step
        n, rest = divmod(fill + discriminator_hz.shape[1], step)
        whole = n + (rest > 0)  # the frame still being filled goes through the matrix and is not used
        held = self._work(0, len(rows) * whole * step).reshape(len(rows), whole * step)
        held[:, :fill] = self._partial[rows, :fill]
        fresh = held[:, fill : n * step + rest]
        if power is None or not discriminator_hz.shape[1]:
            fresh[:] = discriminator_hz
        else:
            self._mute_spins(discriminator_hz, power, rows, fresh)
        held[:, n * step + rest :] = 0
        self._seen[rows] += discriminator_hz.shape[1]
        self._partial[rows, :rest] = held[:, n * step : n * step + rest]
        if not n:
            return np.empty((len(rows), 0), np.float32)
        # Share j of frame k goes to output k + j: the sum over j runs along a slanted view, between zeros.
        shares = np.zeros((TAPS_PER_OUTPUT, len(rows), n + 2 * overlap), np.float32)
        products = (self._frame_taps @ held.reshape(-1, step).T).reshape(TAPS_PER_OUTPUT, len(rows), whole)
        shares[:, :, overlap : overlap + n] = products[:, :, :n]
        per_tap, per_row, per_output = shares.strides
        slanted: FloatArray = np.ndarray(
            (TAPS_PER_OUTPUT, len(rows), n + overlap),
            np.float32,
            shares.data,
            overlap * per_output,
            (per_tap - per_output, per_row, per_output),
        )
        summed: FloatArray = np.add.reduce(slanted, axis=0)
        summed[:, :overlap] += self._carry[rows]
        self._carry[rows] = summed[:, n:]
        # The first outputs after a reset would mix the start with zeros that were never received.
        unfounded = max(0, overlap - seen // step)
        return summed[:, min(unfounded, n) : n]

    def _mute_spins(
        self, discriminator_hz: FloatArray, power: FloatArray, rows: NDArray[np.intp], out: FloatArray
    ) -> None:
        """Discriminator with the samples of small envelope pulled towards the carrier's offset."""
        m = discriminator_hz.shape[1]
        every = max(1, m // ENOUGH_SAMPLES)
        few = power[:, ::every]
        block_power = np.add.reduce(few, axis=1) * np.float32(1.0 / few.shape[1])
        before = self._means[:, rows]  # of the power, of the weight, of the offset
        kept = np.minimum(self._seen[rows], np.int64(REFERENCE_S * self.channel_rate_hz))
        kept[block_power > np.float32(JUMP) * before[0]] = 0  # a carrier has come up: begin anew
        new = (m / (kept + m)).astype(np.float32)
        reference = before[0] + (block_power - before[0]) * new
        most = (np.float32(WEIGHT_CAP) * reference + np.float32(1e-30))[:, None]

        few_weights = np.minimum(few, most)
        weight_sum = np.add.reduce(few_weights, axis=1)
        block_weight = weight_sum * np.float32(1.0 / few.shape[1]) / most[:, 0]
        mean_weight = before[1] + (block_weight - before[1]) * new
        # Of a fade the weight may fall far under its mean, for that is what it is for; above it, it would
        # be a gain.
        mean_weight = np.where(block_weight > np.float32(GAIN) * mean_weight, block_weight, mean_weight)
        few_weights *= discriminator_hz[:, ::every]
        block_offset = np.add.reduce(few_weights, axis=1) / (weight_sum + np.float32(1e-30))
        offset = before[2] + (block_offset - before[2]) * new
        self._means[:, rows] = reference, mean_weight, offset

        # The offset goes out before the weight and comes back after it: it would turn every change of
        # the envelope into low-band noise, and its own small steps from block to block must not show.
        weight = np.minimum(power, most, out=self._work(1, power.size).reshape(power.shape))
        weight *= 1 / (most * np.maximum(mean_weight, np.float32(LEAST_MEAN_WEIGHT))[:, None])
        np.subtract(discriminator_hz, offset[:, None], out=out)
        out *= weight
        out += offset[:, None]

    def _work(self, which: int, size: int) -> FloatArray:
        """A work array that is used again and again: fresh ones of this size cost page faults."""
        if len(self._scratch[which]) < size:
            self._scratch[which] = np.empty(size, np.float32)
        return self._scratch[which][:size]


def low_band_taps(channel_rate_hz: float, decimation: int) -> NDArray[np.float64]:
    """Low-pass taps of `LowBand`, shape (11 * decimation,), sum 1."""
    taps: NDArray[np.float64] = scipy.signal.firwin(
        TAPS_PER_OUTPUT * decimation, CUT_HZ, fs=channel_rate_hz, window=("kaiser", KAISER_BETA)
    )
    return taps
