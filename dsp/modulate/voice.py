"""Audio to send when no recorded speech is at hand: a voice-like source and a test tone.

The voice is a glottal pulse train through formant resonators, with syllables, hiss for consonants, words
and pauses. It says nothing, but its pitch, spectrum, crest factor and rhythm are those of speech,
and its fundamental lies where sub-audible tones live.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

VOICE_RATE_HZ = 16_000

# Formants of ten men's mean vowels reduced to six, Hz (Peterson and Barney, J. Acoust. Soc. Am. 24, 1952,
# Table II; figures from memory). The fourth formant is a fixed common value.
_VOWELS_HZ = (
    (270.0, 2290.0, 3010.0, 3500.0),
    (530.0, 1840.0, 2480.0, 3500.0),
    (660.0, 1720.0, 2410.0, 3500.0),
    (730.0, 1090.0, 2440.0, 3500.0),
    (570.0, 840.0, 2410.0, 3500.0),
    (300.0, 870.0, 2240.0, 3500.0),
)
_FORMANT_WIDTHS_HZ = (60.0, 90.0, 130.0, 200.0)  # common practice, no source

# What six steady vowels lack against the long-term mean spectrum of speech (Byrne et al., J. Acoust. Soc. Am.
# 96, 1994; from memory): frequency in Hz, lift in dB.
_BALANCE = (
    (0, 6),
    (200, 5),
    (300, 1),
    (450, 2),
    (700, -5),
    (900, -4),
    (1200, 4),
    (2000, 5),
    (3000, 12),
    (8000, 9),
)


def audio_tone(
    *, seconds: float, tone_hz: float = 1000.0, amplitude: float = 1.0, rate_hz: int
) -> NDArray[np.float32]:
    """A steady sine, float32, shape (round(seconds * rate_hz),)."""
    instants_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return (amplitude * np.sin(2.0 * np.pi * tone_hz * instants_s)).astype(np.float32)


def voice(
    *,
    seconds: float,
    rng: np.random.Generator,
    pitch_low_hz: float = 80.0,
    pitch_high_hz: float = 300.0,
    pauses: bool = True,
) -> NDArray[np.float32]:
    """Speech-like audio at 16 kHz from one invented speaker.

    Parameters
    ----------
    seconds : float
        Length; not positive gives an empty array.
    rng : numpy.random.Generator
        Chooses the speaker's pitch and everything said; the same state gives the same voice.
    pitch_low_hz, pitch_high_hz : float
        The pitch moves inside this range. The speaker's own middle is drawn from it.
    pauses : bool
        False leaves only the short breaks between words.

    Returns
    -------
    ndarray of float32, shape (round(seconds * 16000),)
        Largest magnitude 1 from one second on; a shorter piece is cut from the beginning of a second.

    Raises
    ------
    ValueError
        The pitch range is empty or outside 40 to 500 Hz.
    """
    if not 40.0 <= pitch_low_hz < pitch_high_hz <= 500.0:
        raise ValueError(
            f"the pitch range is {pitch_low_hz} to {pitch_high_hz} Hz; "
            "it must rise and lie within 40 to 500 Hz"
        )
    count = max(round(seconds * VOICE_RATE_HZ), 0)
    if count == 0:
        return np.zeros(0, dtype=np.float32)
    wanted, count = count, max(count, VOICE_RATE_HZ)  # a second at least, so that somebody speaks
    pitch_hz, loudness, hiss, vowels = _speak(count, rng, pitch_low_hz, pitch_high_hz, pauses)
    buzz = _glottis(pitch_hz, rng) * loudness
    spoken = np.zeros(count)
    for formants_hz, share in zip(_VOWELS_HZ, vowels, strict=True):
        spoken += _resonate(buzz, formants_hz) * share
    spoken /= max(float(np.sqrt(np.mean(spoken**2))), 1e-12)
    breath = scipy.signal.sosfilt(
        scipy.signal.butter(2, 2200.0, "highpass", fs=VOICE_RATE_HZ, output="sos"), rng.standard_normal(count)
    )
    spoken += 0.35 * hiss * breath
    spoken = scipy.signal.oaconvolve(spoken, _balance_taps(), mode="same")
    return np.asarray(spoken[:wanted] / np.abs(spoken).max(), dtype=np.float32)


def _speak(
    count: int, rng: np.random.Generator, low_hz: float, high_hz: float, pauses: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Pitch, loudness of the voice, loudness of the hiss, and the share of each vowel, sample by sample."""
    pitch_hz = np.full(count, np.sqrt(low_hz * high_hz))
    loudness = np.zeros(count)
    hiss = np.zeros(count)
    vowels = np.zeros((len(_VOWELS_HZ), count))
    vowels[0] = 1.0
    speaker_hz = np.exp(rng.uniform(np.log(low_hz * 1.15), np.log(high_hz / 1.15)))
    at = 0
    syllables_left_in_word, syllables_left_in_phrase = int(rng.integers(1, 4)), int(rng.integers(4, 14))
    phrase_hz = speaker_hz * rng.uniform(1.0, 1.25)
    while at < count:
        onset = int(VOICE_RATE_HZ * rng.uniform(0.03, 0.09))
        nucleus = int(VOICE_RATE_HZ * rng.uniform(0.09, 0.24))
        if rng.random() < 0.6:
            _add(hiss, at, np.hanning(onset + 2)[1:-1] * rng.uniform(0.3, 1.0))
        start = at + onset
        _add(loudness, start, scipy.signal.windows.tukey(nucleus, 0.5) * rng.uniform(0.5, 1.0))
        middle_hz = phrase_hz * 2.0 ** (rng.normal(0.0, 2.0) / 12.0)
        slope = 2.0 ** (np.linspace(-0.5, 0.5, onset + nucleus) * rng.normal(-1.0, 2.0) / 12.0)
        stop = min(start + nucleus, count)
        pitch_hz[at:stop] = (middle_hz * slope)[: stop - at]
        vowels[:, at:stop] = 0.0
        vowels[rng.integers(len(_VOWELS_HZ)), at:stop] = 1.0
        phrase_hz *= 0.985  # the voice sinks through a phrase
        at = start + nucleus
        syllables_left_in_word -= 1
        syllables_left_in_phrase -= 1
        if syllables_left_in_phrase <= 0 and pauses:
            at += int(VOICE_RATE_HZ * rng.uniform(0.25, 0.7))
            syllables_left_in_phrase = int(rng.integers(4, 14))
            phrase_hz = speaker_hz * rng.uniform(1.0, 1.25)
        elif syllables_left_in_word <= 0:
            at += int(VOICE_RATE_HZ * rng.uniform(0.02, 0.08))
            syllables_left_in_word = int(rng.integers(1, 4))
    glide = int(0.03 * VOICE_RATE_HZ)  # mouth and larynx move over about 30 ms
    vowels = scipy.ndimage.uniform_filter1d(vowels, glide, axis=1, mode="nearest")
    pitch_hz = scipy.ndimage.uniform_filter1d(np.clip(pitch_hz, low_hz, high_hz), glide, mode="nearest")
    return pitch_hz, loudness, hiss, vowels


def _add(track: NDArray[np.float64], at: int, shape: NDArray[np.float64]) -> None:
    """Adds a shape into a track, cut at the track's end."""
    stop = min(at + shape.size, track.size)
    if stop > at:
        track[at:stop] += shape[: stop - at]


def _glottis(pitch_hz: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Flow through the glottis, differentiated: a slow opening, a fast closing, then shut.

    Pulse shape after Rosenberg, J. Acoust. Soc. Am. 49, 1971 (opening 40 %, closing 16 % of the period), the
    period wandering by about 1 % (jitter).
    """
    wander = scipy.ndimage.gaussian_filter1d(rng.standard_normal(pitch_hz.size), 0.005 * VOICE_RATE_HZ)
    wander *= 0.01 / max(float(wander.std()), 1e-12)
    turn = np.cumsum(pitch_hz * (1.0 + wander)) / VOICE_RATE_HZ % 1.0
    opening = 0.5 * (1.0 - np.cos(np.pi * turn / 0.40))
    closing = np.cos(0.5 * np.pi * (turn - 0.40) / 0.16)
    flow = np.where(turn < 0.40, opening, np.where(turn < 0.56, closing, 0.0))
    return np.asarray(np.gradient(flow) * VOICE_RATE_HZ / 1000.0, dtype=np.float64)


def _resonate(buzz: NDArray[np.float64], formants_hz: tuple[float, ...]) -> NDArray[np.float64]:
    """The buzz through one vowel's resonances in cascade, each with a gain of 1 at 0 Hz."""
    sections = []
    for centre_hz, width_hz in zip(formants_hz, _FORMANT_WIDTHS_HZ, strict=True):
        radius = np.exp(-np.pi * width_hz / VOICE_RATE_HZ)
        middle = -2.0 * radius * np.cos(2.0 * np.pi * centre_hz / VOICE_RATE_HZ)
        sections.append([1.0 + middle + radius**2, 0.0, 0.0, 1.0, middle, radius**2])
    return np.asarray(scipy.signal.sosfilt(np.array(sections), buzz), dtype=np.float64)


def _balance_taps() -> NDArray[np.float64]:
    """Linear-phase filter that brings the long-term spectrum to that of speech; 1/4 octave wide at 300 Hz."""
    edges_hz, lifts_db = zip(*_BALANCE, strict=True)
    gains = 10.0 ** (np.array(lifts_db) / 20.0)
    return np.asarray(scipy.signal.firwin2(513, edges_hz, gains, fs=VOICE_RATE_HZ), dtype=np.float64)
