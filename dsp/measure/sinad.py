"""SINAD of a receiver's audio."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.measure.reading import PIECES, Reading, decibels, piece_lengths, piece_sums


def sinad_db(audio: NDArray[np.floating], *, audio_rate_hz: float, tone_hz: float = 1000.0) -> Reading | None:
    """Signal, noise and distortion over noise and distortion, for a steady test tone, dB.

    Parameters
    ----------
    audio : ndarray of float, shape (n,)
        The receiver's audio with the test tone in it, already in the band it is to be judged in.
    audio_rate_hz : float
    tone_hz : float
        The tone's frequency, known to 3 %.

    Returns
    -------
    Reading or None
        Sigma from the scatter of what is left over 16 pieces. None for fewer than 20 periods of the tone,
        or silence.

    Notes
    -----
    The tone is taken out by a least-squares fit of constant, sine, cosine and frequency in place of the
    notch filter of a meter: the fit removes the tone alone. A meter's notch, at least 40 dB deep and at most
    0.6 dB down at half and twice the tone (TIA-603-E, 1.3.3.11, secondary), takes the noise beside the tone
    as well and reads higher: by 0.7 dB for a notch of Q 4 in 300 to 3000 Hz.

    References
    ----------
    SINAD: TIA-603-E, 1.3.3.12 (secondary). Four-parameter sine fit: IEEE Std 1057, annex (from memory).
    """
    count = len(audio)
    if count < 20.0 * audio_rate_hz / tone_hz or count < 8 * PIECES:
        return None
    heard = np.asarray(audio, dtype=np.float64)
    heard = heard - heard.mean()
    total = float(np.mean(heard**2))
    if total <= 0.0:
        return None
    left_over = _without_tone(heard, audio_rate_hz, tone_hz) ** 2
    rest = float(np.mean(left_over))
    if rest <= 0.0:
        return None
    pieces = piece_sums(left_over).real / piece_lengths(count)
    return Reading(
        float(10.0 * np.log10(total / rest)), decibels(float(np.std(pieces)) / np.sqrt(PIECES - 1) / rest)
    )


def _without_tone(audio: NDArray[np.float64], audio_rate_hz: float, tone_hz: float) -> NDArray[np.float64]:
    """What a least-squares sine of the best frequency near `tone_hz` leaves."""
    count = len(audio)
    places = np.arange(count) - 0.5 * (count - 1)
    spectrum = np.abs(np.fft.rfft(audio * np.hanning(count)))
    bin_hz = audio_rate_hz / count
    low = max(int(0.97 * tone_hz / bin_hz), 1)
    high = min(int(1.03 * tone_hz / bin_hz) + 2, len(spectrum) - 1)
    frequency = 2.0 * np.pi * (low + int(np.argmax(spectrum[low:high]))) / count
    rest = audio
    basis = np.ones((count, 3))
    for _ in range(5):  # Gauss and Newton; from within a bin it settles in three or four steps
        turns = np.exp(1j * frequency * places)
        cosine, sine = turns.real, turns.imag
        basis[:, 0], basis[:, 1] = cosine, sine
        fitted = np.linalg.solve(basis.T @ basis, basis.T @ audio)
        rest = audio - basis @ fitted
        slope = places * (fitted[1] * cosine - fitted[0] * sine)
        step = float(slope @ rest) / max(float(slope @ slope), 1e-30)
        frequency += step
        if abs(step) * count < 1e-5:  # the phase at the ends is right to a hundred-thousandth: -100 dB
            break
    return rest
