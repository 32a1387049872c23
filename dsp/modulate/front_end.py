"""What a cheap receiver does to its samples: spikes, images, birdies, droop and eight bits.

Each fault is stated in decibels or hertz; all of them work on consecutive blocks and remember what they must.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

CU8_MIDDLE = 127.5
"""Where zero lies between the codes of 8-bit radios: x = (u - 127.5) / 127.5."""

_SKIRT_RATE_HZ = 24_000.0
_SKIRT_CORNERS_HZ = (8.0, 64.0, 512.0)  # equal powers an octave triple apart fall about as 1/f between


@dataclass(frozen=True, slots=True, kw_only=True)
class Birdie:
    """A steady line the receiver makes itself.

    Parameters
    ----------
    offset_hz : float
        Where it stands at the first sample, from the centre.
    power_dbfs : float
    drift_hz_per_s : float
    """

    offset_hz: float
    power_dbfs: float
    drift_hz_per_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontEnd:
    """The faults of a receiver; each is absent unless stated.

    Parameters
    ----------
    zero_spike_dbfs : float or None
        Power of the steady line at 0 Hz.
    skirt_dbfs : float or None
        Power of the noise that falls about as 1/f to both sides of 0 Hz (corners 8 to 512 Hz).
    gain_imbalance_db : float
        Q against I.
    phase_imbalance_deg : float
        Departure of Q from quadrature.
    birdies : tuple of Birdie
    edge_droop_db : float
        Loss at the two edges of the span; under 1 % of it in the middle half.
    """

    zero_spike_dbfs: float | None = None
    skirt_dbfs: float | None = None
    gain_imbalance_db: float = 0.0
    phase_imbalance_deg: float = 0.0
    birdies: tuple[Birdie, ...] = ()
    edge_droop_db: float = 0.0


def image_coefficients(*, gain_db: float, phase_deg: float) -> tuple[complex, complex]:
    """The weights of a sample and of its conjugate under I/Q imbalance.

    I stays as it is and Q becomes g (Q cos p + I sin p); the sum I + jQ is then a x + b conj(x).

    Returns
    -------
    a, b : complex
        The image stands |b / a|^2 under the wanted scipy.signal.
    """
    gain = 10.0 ** (gain_db / 20.0)
    turn = np.exp(1j * np.deg2rad(phase_deg))
    return complex(0.5 * (1.0 + gain * turn)), complex(0.5 * (1.0 - gain * np.conj(turn)))


class FrontEndFaults:
    """Applies a :class:`FrontEnd` to consecutive blocks.

    Order: droop of the tuner's filter, birdies, I/Q imbalance, then the spike at zero and its skirt, as
    these arise behind the mixer.
    """

    def __init__(self, front_end: FrontEnd, *, sample_rate_hz: float, rng: np.random.Generator) -> None:
        self._front_end = front_end
        self._rate_hz = sample_rate_hz
        self._at = 0
        self._birdie_rad = rng.uniform(0.0, 2.0 * np.pi, len(front_end.birdies))
        self._droop_taps = _droop_taps(front_end.edge_droop_db)
        self._droop_tail = np.zeros(len(self._droop_taps) - 1, dtype=np.complex64)
        spike = _amplitude(front_end.zero_spike_dbfs)
        self._spike = np.complex64(spike * np.exp(2j * np.pi * rng.random()))
        self._skirt = None
        if front_end.skirt_dbfs is not None:
            self._skirt = _Skirt(10.0 ** (front_end.skirt_dbfs / 10.0), sample_rate_hz, rng)

    @property
    def delay_samples(self) -> int:
        """How late samples leave: half the length of the droop filter."""
        return len(self._droop_taps) // 2

    def push(self, block: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """The block with the faults on it; same length."""
        front_end = self._front_end
        out: NDArray[np.complex64] = block
        if len(self._droop_taps) > 1:
            joined = np.concatenate([self._droop_tail, block])
            self._droop_tail = joined[len(joined) - len(self._droop_tail) :]
            out = np.asarray(np.convolve(joined, self._droop_taps, mode="valid"), dtype=np.complex64)
        out = out.astype(np.complex64, copy=True)
        for birdie, start_rad in zip(front_end.birdies, self._birdie_rad, strict=True):
            instants_s = (self._at + np.arange(len(out))) / self._rate_hz
            turns = (birdie.offset_hz + 0.5 * birdie.drift_hz_per_s * instants_s) * instants_s % 1.0
            phase = (2.0 * np.pi * turns + start_rad).astype(np.float32)
            amplitude = np.float32(_amplitude(birdie.power_dbfs))
            out.real += amplitude * np.cos(phase)
            out.imag += amplitude * np.sin(phase)
        if front_end.gain_imbalance_db or front_end.phase_imbalance_deg:
            direct, mirrored = image_coefficients(
                gain_db=front_end.gain_imbalance_db, phase_deg=front_end.phase_imbalance_deg
            )
            mirror = np.complex64(mirrored) * np.conj(out)
            out *= np.complex64(direct)
            out += mirror
        if self._spike:
            out += self._spike
        if self._skirt is not None:
            out += self._skirt.take(len(out))
        self._at += len(out)
        return out


def to_cu8(samples: NDArray[np.complex64]) -> tuple[NDArray[np.uint8], int]:
    """Samples as the interleaved unsigned bytes of 8-bit radios, and how many samples clipped.

    Parameters
    ----------
    samples : ndarray of complex64, shape (n,)
        Full scale is 1 in each of I and Q.

    Returns
    -------
    codes : ndarray of uint8, shape (2 n,)
        I and Q in turn: round(127.5 x + 127.5), held within 0 to 255.
    clipped : int
        Samples with a part beyond the outermost codes by more than half a step.
    """
    parts = np.ascontiguousarray(samples).view(np.float32) * np.float32(CU8_MIDDLE)
    parts += np.float32(CU8_MIDDLE)
    np.rint(parts, out=parts)
    beyond = (parts < 0) | (parts > 255)
    clipped = int(np.count_nonzero(beyond.reshape(-1, 2).any(axis=1))) if beyond.any() else 0
    return np.clip(parts, 0, 255, out=parts).astype(np.uint8), clipped


def from_cu8(codes: NDArray[np.uint8]) -> NDArray[np.complex64]:
    """Interleaved unsigned bytes back to complex64: (u - 127.5) / 127.5, shape (n / 2,)."""
    parts = codes.astype(np.float32)
    parts -= np.float32(CU8_MIDDLE)
    parts *= np.float32(1.0 / CU8_MIDDLE)
    return parts.view(np.complex64)


class _Skirt:
    """Noise around 0 Hz whose density falls about as 1/f, made at a low rate and interpolated linearly."""

    def __init__(self, power: float, sample_rate_hz: float, rng: np.random.Generator) -> None:
        self._step = max(int(sample_rate_hz // _SKIRT_RATE_HZ), 1)
        low_hz = sample_rate_hz / self._step
        self._filters = []
        # a generator each, so that what one draws does not depend on how often the others were asked
        self._rngs = rng.spawn(len(_SKIRT_CORNERS_HZ))
        for corner_hz in _SKIRT_CORNERS_HZ:
            keep = np.exp(-2.0 * np.pi * corner_hz / low_hz)
            part = np.sqrt(power / len(_SKIRT_CORNERS_HZ) * (1.0 - keep**2))  # unit noise to this power
            memory = np.array([complex(*rng.standard_normal(2)) * np.sqrt(0.5 * power / 3.0) * keep])
            self._filters.append((part, keep, memory))
        self._held = self._low(1)
        self._at = 0  # output samples since `_held[0]`

    def take(self, count: int) -> NDArray[np.complex64]:
        """The next samples, complex64."""
        place = (self._at + np.arange(count)) / self._step
        needed = int(np.floor(place[-1])) + 2 if count else 0
        if needed > len(self._held):
            self._held = np.concatenate([self._held, self._low(needed - len(self._held))])
        nodes = np.arange(len(self._held))
        out = np.empty(count, dtype=np.complex64)
        out.real = np.interp(place, nodes, self._held.real)
        out.imag = np.interp(place, nodes, self._held.imag)
        spent = (self._at + count) // self._step
        spent = min(spent, len(self._held) - 1)
        self._held = self._held[spent:]
        self._at += count - spent * self._step
        return out

    def _low(self, count: int) -> NDArray[np.complex128]:
        """The next samples at the low rate."""
        total = np.zeros(count, dtype=np.complex128)
        for index, (part, keep, memory) in enumerate(self._filters):
            white = self._rngs[index].standard_normal(2 * count).view(np.complex128) * np.sqrt(0.5)
            shaped, kept = scipy.signal.lfilter([part], [1.0, -keep], white, zi=memory)
            self._filters[index] = (part, keep, kept)
            total += shaped
        return total


def _droop_taps(droop_db: float) -> NDArray[np.float32]:
    """A symmetric filter with gain 1 - (1 - edge) sin(pi f / rate)^8: flat inside, down at the edges."""
    if droop_db <= 0:
        return np.ones(1, dtype=np.float32)
    loss = 1.0 - 10.0 ** (-droop_db / 20.0)
    # sin^2(w/2) is the response of (-1/4, 1/2, -1/4); four in a row make the eighth power
    once = np.array([-0.25, 0.5, -0.25])
    taps = -loss * np.convolve(np.convolve(once, once), np.convolve(once, once))
    taps[4] += 1.0
    return np.asarray(taps, dtype=np.float32)


def _amplitude(power_dbfs: float | None) -> float:
    """Amplitude of a complex line of this power; 0 for None."""
    return 0.0 if power_dbfs is None else float(10.0 ** (power_dbfs / 20.0))
