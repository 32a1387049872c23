"""SAME headers and ends: found, read, told apart from everything else."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from numpy.typing import NDArray

from dsp.modulate import audio_tone, voice
from dsp.modulate.same import same_burst, same_message
from dsp.signalling.passage import BINS, RATE_HZ, Passage, PassageCutter
from dsp.signalling.same import SameDecoder, SameEnd, SameMessage

HEADER = "ZCZC-WXR-TOR-016001-016027+0045-1261805-QQ0/TEST-"
HEADER_BITS_S = 8 * len(HEADER) * 1.92e-3
PREAMBLE_S = 128 * 1.92e-3


def decoded(audio: NDArray[np.floating], pieces: Sequence[int] = ()) -> list[SameMessage | SameEnd]:
    cutter, decoder = PassageCutter(), SameDecoder()
    told = []
    for piece in np.split(audio.astype(np.float32), np.cumsum(pieces)):
        told += [claim for passage in cutter.push(piece) for claim in decoder.push(passage)]
    told += [claim for passage in cutter.finish() for claim in decoder.push(passage)]
    return told + decoder.finish()


def in_noise(audio: NDArray[np.floating], snr_db: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """With white noise, the ratio in 300 to 3000 Hz while a tone of SAME is sent."""
    power = 0.5 * 0.8**2  # of same_burst's sine
    in_band = power / 10 ** (snr_db / 10)
    return audio + rng.normal(scale=np.sqrt(in_band * (RATE_HZ / 2) / 2700), size=len(audio))


def led(audio: NDArray[np.float32], before_s: float = 0.5, after_s: float = 0.5) -> NDArray[np.float32]:
    return np.pad(audio, (int(before_s * RATE_HZ), int(after_s * RATE_HZ)))


def test_whole_message_with_tone_and_voice_gives_header_and_end(rng: np.random.Generator) -> None:
    spoken = voice(seconds=4, rng=rng)
    sent = led(same_message(HEADER, rate_hz=RATE_HZ, message=spoken, alert_tone_s=3.0))
    message, end = decoded(in_noise(sent, 20, rng))
    assert isinstance(message, SameMessage) and isinstance(end, SameEnd)
    assert (message.header, message.bursts, message.confident) == (HEADER, 3, True)
    assert end.bursts == 3 and not message.heard_once
    burst_s = PREAMBLE_S + HEADER_BITS_S
    assert message.start_s == pytest.approx(0.5, abs=0.002)
    assert message.stop_s == pytest.approx(0.5 + 3 * burst_s + 2, abs=0.002)
    end_burst_s = PREAMBLE_S + 32 * 1.92e-3
    assert end.stop_s == pytest.approx((len(sent) / RATE_HZ) - 1.5, abs=0.005)
    assert end.stop_s - end.start_s == pytest.approx(3 * end_burst_s + 2, abs=0.005)


@pytest.mark.parametrize("bursts", [1, 2, 3])
@pytest.mark.parametrize(("clock", "space_gain"), [(1.01, 1.0), (0.99, 2.0), (1.0, 0.5)])
def test_clock_error_and_twist_do_no_harm(
    bursts: int, clock: float, space_gain: float, rng: np.random.Generator
) -> None:
    """Clock ±1 %, space 6 dB over and under mark."""
    sent = same_message(HEADER, rate_hz=RATE_HZ, bursts=bursts, clock=clock, space_gain=space_gain)
    message, end = decoded(in_noise(led(sent), 12, rng))
    assert isinstance(message, SameMessage)
    assert (message.header, message.bursts, message.confident) == (HEADER, bursts, True)
    assert message.heard_once == (bursts == 1)
    assert isinstance(end, SameEnd) and end.bursts == bursts


def test_three_bursts_say_together_what_none_says_alone() -> None:
    """At an audio SNR of 1 dB one burst of three is right at best; 8 trials of three bursts, one may fail."""
    right = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        sent = same_message(HEADER, rate_hz=RATE_HZ, end_of_message=False)
        claims = decoded(in_noise(led(sent), 1, rng))
        right += any(isinstance(claim, SameMessage) and claim.header == HEADER for claim in claims)
        wrong = [c for c in claims if isinstance(c, SameMessage) and c.header != HEADER and c.confident]
        assert not wrong
    assert right >= 7


def test_claim_comes_two_seconds_after_the_last_burst_heard() -> None:
    sent = led(same_message(HEADER, rate_hz=RATE_HZ, bursts=1, end_of_message=False), 0.0, 5.0)
    cutter, decoder = PassageCutter(), SameDecoder()
    for passage in cutter.push(sent):
        if decoder.push(passage):
            heard_s = (passage.first_sample + len(passage.audio)) / RATE_HZ
            break
    burst_s = PREAMBLE_S + HEADER_BITS_S
    assert burst_s + 1.9 <= heard_s <= burst_s + 3.1


@given(st.lists(st.integers(0, 30_000), max_size=6))
@settings(max_examples=4)
def test_any_split_of_the_audio_gives_the_same_claims(pieces: list[int]) -> None:
    sent = led(same_message(HEADER, rate_hz=RATE_HZ, bursts=2))
    assert decoded(sent, pieces) == decoded(sent)


def test_preamble_at_the_very_start_and_cut_in_half_still_locks() -> None:
    sent = same_burst(HEADER, rate_hz=RATE_HZ, preamble=b"\xab" * 9)
    (message,) = decoded(np.pad(sent, (0, 3000)))
    assert isinstance(message, SameMessage) and message.header == HEADER


def test_header_of_31_places_is_read() -> None:
    places = "".join(f"-0{16:02d}{n:03d}" for n in range(1, 63, 2))
    header = f"ZCZC-CIV-CEM{places}+0100-3652359-QQ0 TEST-"
    message, _ = decoded(led(same_message(header, rate_hz=RATE_HZ)))
    assert isinstance(message, SameMessage) and (message.header, message.confident) == (header, True)


def test_header_outside_the_grammar_is_shown_and_not_confident() -> None:
    header = "ZCZC-wxr-T?R-016001+0045-1261805-QQ0TEST-"
    message, _ = decoded(led(same_message(header, rate_hz=RATE_HZ)))
    assert isinstance(message, SameMessage)
    assert (message.header, message.confident) == (header, False)


def test_two_messages_are_two_claims() -> None:
    other = HEADER.replace("TOR", "SVR")
    sent = np.concatenate(
        [same_message(text, rate_hz=RATE_HZ, end_of_message=False) for text in (HEADER, other)]
    )
    claims = decoded(led(sent))
    assert [claim.header for claim in claims if isinstance(claim, SameMessage)] == [HEADER, other]


@lru_cache(maxsize=1)
def _others() -> dict[str, NDArray[np.floating]]:
    rng = np.random.default_rng(87)
    bits = rng.integers(0, 2, 20_000)
    one_clock = np.repeat(bits, 31)[: 20 * RATE_HZ]
    phase = 2 * np.pi * np.cumsum(np.where(one_clock, 2083.3, 1562.5)) / RATE_HZ
    return {
        "noise": rng.normal(size=60 * RATE_HZ),
        "voice": voice(seconds=60, rng=rng),
        "alert tone": audio_tone(seconds=20, tone_hz=1050, rate_hz=RATE_HZ),
        "mark alone": audio_tone(seconds=20, tone_hz=2083.3, rate_hz=RATE_HZ),
        "random bits of the same modem": np.sin(phase),
        "preamble for ever": same_burst("", rate_hz=RATE_HZ, preamble=b"\xab" * 300),
        "silence": np.zeros(10 * RATE_HZ),
    }


@pytest.mark.parametrize("kind", list(_others()))
def test_nothing_else_makes_a_claim(kind: str) -> None:
    assert decoded(_others()[kind]) == []


WILD = st.floats(width=32, allow_nan=True, allow_infinity=True)


@given(
    st.lists(arrays.arrays(np.float32, st.integers(0, 4000), elements=WILD), max_size=4),
    st.integers(1, 20),
)
@settings(max_examples=40)
def test_broken_samples_neither_crash_nor_claim(pieces: list[NDArray[np.float32]], repeats: int) -> None:
    stream = np.tile(np.concatenate([*pieces, np.zeros(0, np.float32)]), repeats)
    with np.errstate(all="ignore"):  # the cutter's own spectra of what is not finite
        passages = [*(cutter := PassageCutter()).push(stream), *cutter.finish()]
    decoder = SameDecoder()
    assert [claim for passage in passages for claim in decoder.push(passage)] + decoder.finish() == []


def test_not_a_number_in_the_pause_costs_no_header() -> None:
    sent = led(same_message(HEADER, rate_hz=RATE_HZ, end_of_message=False))
    between = int((0.5 + PREAMBLE_S + HEADER_BITS_S + 0.5) * RATE_HZ)
    sent[between : between + 5] = np.nan
    with np.errstate(all="ignore"):
        (message,) = decoded(sent)
    assert isinstance(message, SameMessage) and message.header == HEADER


def test_memory_stays_bounded() -> None:
    decoder = SameDecoder()
    audio, spectra = np.zeros(RATE_HZ, np.float32), np.ones((100, BINS), np.float32)
    for n in range(100):
        decoder.push(Passage(audio, n * RATE_HZ, spectra))
    assert sum(len(piece) for piece in decoder._kept) <= 8 * RATE_HZ
