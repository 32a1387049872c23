"""What a transmitter does to its audio before it reaches the modulator.

Pre-emphasis, speech limiter, the low-pass behind the limiter, and a last guard that lets nothing pass
the limit. Works on the whole of one programme at once; the programme is taken to repeat, so filters wrap
round its ends. Holds no state and knows nothing of carriers.
"""

from __future__ import annotations

from math import gcd

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage

PROGRAMME_RATE_HZ = 48_000
"""Rate of shaped audio: 16 times the highest speech frequency, so that cubic interpolation is enough."""

PRE_EMPHASIS_S = 750e-6
"""Time constant of land-mobile FM (common practice, no source; the standard gives a 6 dB/octave line)."""

SPEECH_TOP_HZ = 3000.0
"""Upper end of land-mobile speech (TIA-603-E, 2.1.10 method, secondary: 300 to 3000 Hz)."""

LIMITER_STOP_HZ = 4200.0
"""Nothing passes the low-pass behind the limiter above this; leaves 1.2 kHz to fall in (our choice)."""

REFERENCE_HZ = 1000.0
"""Where pre-emphasis has a gain of 1: the frequency of standard test modulation (TIA-603-E, 1.3.3.5)."""

_MARGIN_S = 0.05  # programme repeated before and after itself, so that filters see it turn round
_GUARD_SAMPLES = 97  # 2 ms: slow beside speech, so the guard's gain adds no spectrum that matters


def pre_emphasis(frequency_hz: ArrayLike, *, tau_s: float = PRE_EMPHASIS_S) -> NDArray[np.complex128]:
    """Gain of a transmitter's pre-emphasis, 1 at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Audio frequencies, Hz.
    tau_s : float
        Time constant of the lift, s; its corner lies at 1 / (2 pi tau).

    Returns
    -------
    ndarray of complex128, shape of `frequency_hz`
        (1 + j 2 pi f tau) over its own magnitude at 1 kHz.
    """
    rise = 2.0 * np.pi * tau_s
    gain = 1.0 + 1j * rise * np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(gain / abs(1.0 + 1j * rise * REFERENCE_HZ), dtype=np.complex128)


def shape_audio(
    samples: ArrayLike,
    *,
    audio_rate_hz: int,
    full_scale: float,
    limit: float,
    emphasised: bool,
    low_cut_hz: float | None = None,
    repeats: bool = True,
) -> NDArray[np.float32]:
    """Audio as it leaves the speech limiter of a transmitter, at 48 kHz.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Audio; a full-scale sine has an amplitude of 1. Empty gives one zero.
    audio_rate_hz : int
        Rate of `samples`, Hz.
    full_scale : float
        What a full-scale 1 kHz sine becomes before the limiter: Hz of deviation, or depth.
    limit : float
        Nothing that comes back is larger than this, in the unit of `full_scale`.
    emphasised : bool
        Whether the 6 dB/octave lift is applied.
    low_cut_hz : float or None
        Corner of a 24 dB/octave high-pass ahead of the limiter, or None to let the low end through.
    repeats : bool
        False adds 10 ms of silence, so that the end does not ring into the beginning.

    Returns
    -------
    ndarray of float32, shape (m,)
        One turn of the programme at 48 kHz.

    Raises
    ------
    ValueError
        The audio is not one-dimensional or not finite, a rate is not positive, or `limit` is negative.

    Notes
    -----
    Filters work through one Fourier transform of the whole programme and have no delay, save for the
    phase of the lift itself. The low-pass behind the limiter overshoots, as every steep one does; where it
    would pass the limit a gain that moves over 2 ms pulls the peak back, so the limit holds exactly.
    """
    audio = np.asarray(samples, dtype=np.float32)
    if audio.ndim != 1:
        raise ValueError(f"audio has {audio.ndim} dimensions; it must have one")
    if audio_rate_hz <= 0:
        raise ValueError(f"audio_rate_hz is {audio_rate_hz}; it must be positive")
    if limit < 0:
        raise ValueError(f"limit is {limit}; it must not be negative")
    if not np.isfinite(audio).all():
        raise ValueError("audio holds values that are not finite")
    if audio.size == 0 or limit <= 0:
        return np.zeros(1, dtype=np.float32)

    if not repeats:
        audio = np.concatenate([audio, np.zeros(audio_rate_hz // 100, dtype=np.float32)])
    lifted = _lifted(audio, audio_rate_hz, emphasised=emphasised, low_cut_hz=low_cut_hz)
    clipped = np.clip(lifted * np.float32(full_scale), -limit, limit)
    return _held_to(_smoothed(clipped), limit)


def _lifted(
    audio: NDArray[np.float32], audio_rate_hz: int, *, emphasised: bool, low_cut_hz: float | None
) -> NDArray[np.float32]:
    """Audio brought to 48 kHz, band-limited, lifted and cut, all in one pass through the spectrum."""
    step = audio_rate_hz // gcd(audio_rate_hz, PROGRAMME_RATE_HZ)
    audio = np.pad(audio, (0, -audio.size % step))  # a whole number of samples at both rates
    margin = -(-round(_MARGIN_S * audio_rate_hz) // step) * step
    turned = np.pad(audio, margin, mode="wrap")
    length = fft.next_fast_len(-(-turned.size // step), real=True) * step
    longer = length * PROGRAMME_RATE_HZ // audio_rate_hz
    spectrum = fft.rfft(turned, length)
    kept = min(spectrum.size, longer // 2 + 1)
    bins_hz = _passed_bins_hz(longer)[:kept]
    response = _low_pass(bins_hz) * np.float32(longer / length)
    if emphasised:
        response = response * pre_emphasis(bins_hz).astype(np.complex64)
    if low_cut_hz is not None:
        ratio = low_cut_hz / np.maximum(bins_hz, 1e-3 * low_cut_hz + 1e-9)
        response = response * (1.0 / np.sqrt(1.0 + ratio**8)).astype(np.float32)
    lifted = fft.irfft(_padded(spectrum[: len(bins_hz)] * response, longer), longer)
    start = margin * PROGRAMME_RATE_HZ // audio_rate_hz
    return np.asarray(
        lifted[start : start + audio.size * PROGRAMME_RATE_HZ // audio_rate_hz], dtype=np.float32
    )


def _smoothed(programme: NDArray[np.float32]) -> NDArray[np.float32]:
    """The programme through the low-pass behind the limiter."""
    margin = round(_MARGIN_S * PROGRAMME_RATE_HZ)
    turned = np.pad(programme, margin, mode="wrap")
    length = fft.next_fast_len(turned.size, real=True)
    bins_hz = _passed_bins_hz(length)
    smooth = fft.irfft(_padded(fft.rfft(turned, length)[: len(bins_hz)] * _low_pass(bins_hz), length), length)
    return np.asarray(smooth[margin : margin + programme.size], dtype=np.float32)


def _passed_bins_hz(length: int) -> NDArray[np.float64]:
    """Frequencies of a real transform at 48 kHz as far as the low-pass lets anything through, Hz."""
    count = min(int(LIMITER_STOP_HZ * length / PROGRAMME_RATE_HZ) + 1, length // 2 + 1)
    return np.arange(count, dtype=np.float64) * np.float64(PROGRAMME_RATE_HZ / length)


def _padded(bins: NDArray[np.complex64], length: int) -> NDArray[np.complex64]:
    """Bins of a real transform with zeros for all that the low-pass stops."""
    whole = np.zeros(length // 2 + 1, dtype=np.complex64)
    whole[: len(bins)] = bins
    return whole


def _low_pass(bins_hz: NDArray[np.float64]) -> NDArray[np.float32]:
    """Flat to 3 kHz, nothing above 4.2 kHz, a raised cosine between."""
    depth = np.clip((bins_hz - SPEECH_TOP_HZ) / (LIMITER_STOP_HZ - SPEECH_TOP_HZ), 0.0, 1.0)
    return (0.5 + 0.5 * np.cos(np.pi * depth)).astype(np.float32)


def _held_to(programme: NDArray[np.float32], limit: float) -> NDArray[np.float32]:
    """The programme with a slow gain on its peaks, so that none passes the limit, between samples either.

    The gain is the smallest needed anywhere within 1 ms, averaged over 2 ms: every value in the
    average is small enough for the peak in the middle, so the average is as well.
    """
    peak = np.maximum(np.abs(programme), np.float32(1e-12))
    before, after, beyond = (np.roll(programme, shift) for shift in (1, -1, -2))
    for x in (0.25, 0.5, 0.75):  # third-order Lagrange; what hides between quarters is under 0.3 % at 4.2 kHz
        between = (
            np.float32(-x * (x - 1.0) * (x - 2.0) / 6.0) * before
            + np.float32((x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0) * programme
            + np.float32(-(x + 1.0) * x * (x - 2.0) / 2.0) * after
            + np.float32((x + 1.0) * x * (x - 1.0) / 6.0) * beyond
        )
        np.maximum(peak, np.abs(between), out=peak)
    needed = np.minimum(np.float32(1.0), np.float32(limit) / peak)
    size = min(_GUARD_SAMPLES, len(programme))
    size -= 1 - size % 2  # odd, so that both filters are centred
    least = ndimage.minimum_filter1d(needed, size, mode="wrap")
    gain = ndimage.uniform_filter1d(least, size, mode="wrap")
    return np.asarray(np.clip(programme * gain, -limit, limit), dtype=np.float32)
