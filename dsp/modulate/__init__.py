"""The test transmitter: signals with known truth, for tests, the demo recording and trials.

From audio to the samples of an imperfect receiver, at exact carrier-to-noise ratios. Arrays in, arrays out:
there is no path from here to any radio. Every random choice comes from a generator the caller hands in.

=================  ==============================================================
`voice`            speech-like audio and test tones
`audio_shaping`    pre-emphasis, limiter, low-pass
`digital_code`     the code of 134.4 bit/s under speech
`transmitter`      FM, AM and bare carriers from key-down to key-up
`air`              noise, impulses, fading
`front_end`        spikes, images, birdies, droop, eight bits
`span`             many narrow transmissions brought to one wide span
`scene`            everything in one recording, and the truth about it
=================  ==============================================================
"""

from dsp.modulate.air import (
    Fading,
    FadingPath,
    ImpulseNoise,
    Impulses,
    add_noise,
    carrier_power,
    complex_noise,
)
from dsp.modulate.audio_shaping import pre_emphasis, shape_audio
from dsp.modulate.digital_code import DigitalCode
from dsp.modulate.front_end import Birdie, FrontEnd, FrontEndFaults, from_cu8, image_coefficients, to_cu8
from dsp.modulate.scene import Emission, NoiseRise, Scene, Truth
from dsp.modulate.transmitter import Am, Audio, Ctcss, Fm, Modulation, Sender, Unmodulated, transmit
from dsp.modulate.voice import VOICE_RATE_HZ, audio_tone, voice

__all__ = [
    "VOICE_RATE_HZ",
    "Am",
    "Audio",
    "Birdie",
    "Ctcss",
    "DigitalCode",
    "Emission",
    "Fading",
    "FadingPath",
    "Fm",
    "FrontEnd",
    "FrontEndFaults",
    "ImpulseNoise",
    "Impulses",
    "Modulation",
    "NoiseRise",
    "Scene",
    "Sender",
    "Truth",
    "Unmodulated",
    "add_noise",
    "audio_tone",
    "carrier_power",
    "complex_noise",
    "from_cu8",
    "image_coefficients",
    "pre_emphasis",
    "shape_audio",
    "to_cu8",
    "transmit",
    "voice",
]
