"""What the tests of the tone decoders share: audio sent by FM, through noise, to passages.

The channel is 16 kS/s; the carrier-to-noise ratio is stated in the 11 kHz of its pass band, which is cut
before the project's discriminator, de-emphasis and voice filter, as the receiver does it.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from dsp.audio import VoiceFilter
from dsp.demodulate import instantaneous_frequency
from dsp.modulate import Audio, Fm, transmit
from dsp.signalling.passage import Passage, PassageCutter

RATE_HZ, PASS_HZ = 16_000, 11_000


def passages(audio: NDArray[Any], *, block: int = 16_000) -> list[Passage]:
    """Audio at 16 kHz as the decoders get it, pushed in blocks of this many samples."""
    cutter = PassageCutter()
    made = [p for at in range(0, len(audio), block) for p in cutter.push(audio[at : at + block].astype("f4"))]
    return made + cutter.finish()


def received(
    audio: NDArray[Any],
    *,
    cnr_db: float,
    rng: np.random.Generator,
    emphasised: bool = True,
    drive: float = 1.0,
    fading: NDArray[Any] | None = None,
) -> NDArray[np.float32]:
    """Audio at 16 kHz after the air: Hz of deviation. `fading` multiplies the carrier's amplitude."""
    seconds = len(audio) / RATE_HZ
    # Standard test modulation is 60 % of the limit of 2.5 kHz at an amplitude of 0.6.
    modulation = Fm(audio=Audio(samples=audio, rate_hz=RATE_HZ), emphasised=emphasised, drive=drive)
    wave = transmit(modulation, sample_rate_hz=RATE_HZ, seconds=seconds)
    if fading is not None:
        wave = wave * fading[: len(wave)]
    power = 10 ** (-cnr_db / 10) * RATE_HZ / PASS_HZ
    noise = rng.standard_normal((2, len(wave))) * np.sqrt(power / 2)
    count = fft.next_fast_len(len(wave))
    away = np.abs(fft.fftfreq(count, 1 / RATE_HZ)) / (PASS_HZ / 2)
    bins = fft.fft(wave + noise[0] + 1j * noise[1], count) * np.clip((1.1 - away) / 0.1, 0, 1)
    samples = fft.ifft(bins)[: len(wave)].astype(np.complex64)[None]
    frequency = instantaneous_frequency(samples, np.zeros(1, np.complex64), float(RATE_HZ))
    row = np.array([0])
    voice = VoiceFilter(Fraction(RATE_HZ), "nfm", 1)
    pieces = [voice.push(frequency, row, 0), voice.finish(row, frequency.shape[1])]
    whole = np.concatenate(pieces, axis=1)[0]
    return np.asarray(whole[voice.frame_at(0) :])


def claims(decoder: Any, audio: NDArray[Any], *, block: int = 16_000) -> list[Any]:
    """Everything a decoder says about audio at 16 kHz."""
    said = [claim for passage in passages(audio, block=block) for claim in decoder.push(passage)]
    return said + list(decoder.finish())
