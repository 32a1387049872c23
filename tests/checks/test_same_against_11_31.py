"""SAME against the rule itself, and against generators that this project did not write.

47 CFR 11.31(a)(1): 520.83 bit/s, mark 2083.3 Hz, space 1562.5 Hz, 1.92 ms; (c): preamble of sixteen bytes of
AB hexadecimal, seven-bit ASCII with a null eighth bit, header three times, `NNNN` three times. The order of
bits, least significant first, is from memory; the generator of others confirms it.
"""

from __future__ import annotations

import warnings
from math import gcd

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from dsp.modulate.same import same_burst, same_message
from dsp.signalling.passage import RATE_HZ, PassageCutter
from dsp.signalling.same import SameDecoder, SameEnd, SameMessage

HEADERS = (
    "ZCZC-WXR-RWT-016001+0015-0011200-QQ0/TEST-",
    "ZCZC-CIV-EVI-016027-316001+0130-3662345-QQ0 RIDG-",
    "ZCZC-PEP-EAN-000000+0600-1000000-QQ0/0000-",
)


def by_the_rule(text: str, rate_hz: int) -> NDArray[np.float64]:
    """A burst made from the figures of the rule alone: frequency over time, summed to a phase."""
    octets = [0xAB] * 16 + [ord(letter) for letter in text]
    bits = "".join(f"{octet:08b}"[::-1] for octet in octets)
    instants = np.arange(int(len(bits) * rate_hz / 520.83)) / rate_hz
    sent = np.array([2083.3 if bit == "1" else 1562.5 for bit in bits])
    number = np.minimum((instants * 520.83).astype(int), len(bits) - 1)
    return np.sin(2 * np.pi * np.cumsum(sent[number]) / rate_hz)


def decoded(audio: NDArray[np.floating], rate_hz: int) -> list[SameMessage | SameEnd]:
    shared = gcd(rate_hz, RATE_HZ)
    at_16k = signal.resample_poly(audio, RATE_HZ // shared, rate_hz // shared).astype(np.float32)
    cutter, decoder = PassageCutter(), SameDecoder()
    passages = [*cutter.push(at_16k), *cutter.finish()]
    return [claim for passage in passages for claim in decoder.push(passage)] + decoder.finish()


def summary(claims: list[SameMessage | SameEnd]) -> list[tuple[str, int]]:
    return [(c.header if isinstance(c, SameMessage) else "NNNN", c.bursts) for c in claims]


@pytest.mark.parametrize("header", HEADERS)
@pytest.mark.parametrize("rate_hz", [22_050, 48_000])
def test_message_made_by_the_rule_is_read(header: str, rate_hz: int) -> None:
    """At these figures the tones slip by a degree a bit against whole cycles: 2083.3 / 520.83 is 3.99996."""
    pause = np.zeros(rate_hz)
    parts = [by_the_rule(header, rate_hz), pause] * 3 + [by_the_rule("NNNN", rate_hz), pause] * 3
    assert summary(decoded(np.concatenate(parts), rate_hz)) == [(header, 3), ("NNNN", 3)]


@pytest.mark.parametrize("header", HEADERS)
@pytest.mark.parametrize("rate_hz", [24_000, 44_100])
def test_message_of_an_independent_generator_is_read(header: str, rate_hz: int) -> None:
    """EASGen 0.1 from PyPI, a library that makes SAME audio; in the extra `test`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its audio library looks for players and decoders
        generator = pytest.importorskip("EASGen.EASGen").EASGen
        made = generator.genEAS(
            header=header, attentionTone=True, mode="NWS", endOfMessage=True, sampleRate=rate_hz
        )
    assert made.frame_rate == rate_hz and made.channels == 1
    audio = np.array(made.get_array_of_samples()) / 32768
    assert summary(decoded(audio, rate_hz)) == [(header, 3), ("NNNN", 3)]


def test_our_transmitter_sends_the_bits_of_the_rule() -> None:
    """Z is 5A hexadecimal, sent from its lowest bit 0 1 0 1 1 0 1 0; AB is sent 1 1 0 1 0 1 0 1."""
    rate_hz = 100_000  # 192 samples a bit
    audio = same_burst("Z", rate_hz=rate_hz).reshape(-1, 192)
    cycles = (np.diff(np.signbit(audio[:, 1:]), axis=1).sum(axis=1) + 1) // 2
    assert cycles[-16:-8].tolist() == [4, 4, 3, 4, 3, 4, 3, 4]
    assert cycles[-8:].tolist() == [3, 4, 3, 4, 4, 3, 4, 3]
    assert len(audio) == 17 * 8


def test_our_transmitter_keeps_the_frequencies_and_pauses_of_the_rule() -> None:
    """A burst of a 42-letter header lasts (16 + 42) * 8 * 1.92 ms = 890.88 ms, the pause 1 s."""
    audio = same_message(HEADERS[0], rate_hz=50_000, end_of_message=False)
    loud = np.flatnonzero(np.abs(audio) > 0)
    gaps = np.diff(loud)
    assert gaps.max() == pytest.approx(50_000, abs=60) and np.count_nonzero(gaps > 1000) == 2
    assert loud[-1] / 50_000 == pytest.approx(3 * 0.89088 + 2, abs=1e-3)
    marks = same_burst("", rate_hz=50_000, preamble=b"\xff" * 64)
    spaces = same_burst("", rate_hz=50_000, preamble=b"\x00" * 64)
    for made, expected_hz in ((marks, 2083.3), (spaces, 1562.5)):
        spectrum = np.abs(np.fft.rfft(made * np.hanning(len(made)), 1 << 19))
        assert spectrum.argmax() * 50_000 / (1 << 19) == pytest.approx(expected_hz, abs=0.2)


@pytest.mark.parametrize(
    ("rate_hz", "text", "words"), [(4000, "A", "rate_hz is 4000"), (16000, "é", "ASCII")]
)
def test_transmitter_says_what_it_cannot_send(rate_hz: int, text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        same_burst(text, rate_hz=rate_hz)
