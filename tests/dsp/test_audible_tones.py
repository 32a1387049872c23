"""All tone decoders on one search: the same claims as on their own, and none from what is no audio."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.modulate.tones import key_sequence, key_tone, silence, tone, two_tone
from dsp.signalling.alert_tone import AlertToneDecoder
from dsp.signalling.audible_tones import AudibleTones
from dsp.signalling.dtmf import DtmfDecoder
from dsp.signalling.passage import Passage
from dsp.signalling.two_tone import TwoToneDecoder
from tests.tones_on_air import RATE_HZ, claims, passages

DECODERS = [AudibleTones, DtmfDecoder, AlertToneDecoder, TwoToneDecoder]
BROKEN = [np.nan, np.inf, -np.inf, 3e38, -3e38, 1e-40, 0.0, 1.0]


def test_claims_are_those_of_the_decoders_on_their_own() -> None:
    gap = silence(seconds=1.5, rate_hz=RATE_HZ)
    sent = np.concatenate(
        [
            key_sequence("19*", rate_hz=RATE_HZ),
            gap,
            two_tone(800, 1200, rate_hz=RATE_HZ),
            gap,
            tone(tone_hz=1050, seconds=8, rate_hz=RATE_HZ),
            gap,
            key_tone("0", seconds=4, rate_hz=RATE_HZ),
            gap,
        ]
    )
    together = claims(AudibleTones(), sent)
    alone = [claim for decoder in DECODERS[1:] for claim in claims(decoder(), sent)]
    assert sorted(map(repr, together)) == sorted(map(repr, alone))
    assert [type(claim).__name__ for claim in together] == [
        *["Digit"] * 3,
        "TonePage",
        *["AlertTone"] * 2,
        "LongTone",
        "Digit",
        "LongTone",
    ]


@pytest.mark.parametrize("decoder", DECODERS)
@settings(max_examples=40)
@given(st.data())
def test_no_stream_crashes_a_decoder_or_makes_a_claim(decoder: type, data: st.DataObject) -> None:
    """Passages of anything: what is no number, what is too large, spectra that do not fit the audio."""
    values = st.sampled_from(BROKEN) | st.floats(width=32)
    running, said, first = decoder(), [], 0
    for hops in data.draw(st.lists(st.integers(0, 100), max_size=4)):
        few = np.array(data.draw(st.lists(values, min_size=1, max_size=9)), np.float32)
        rng = np.random.default_rng(data.draw(st.integers(0, 99)))
        audio = rng.choice(few, 160 * hops)
        spectra = rng.choice(few, (hops, 105))
        said += running.push(Passage(audio, first, spectra))
        first += len(audio)
    assert not said + running.finish()


@pytest.mark.parametrize("decoder", DECODERS)
@pytest.mark.parametrize("broken", BROKEN)
def test_one_broken_second_costs_only_itself(decoder: type, broken: float) -> None:
    sent = np.concatenate([two_tone(800, 1200, rate_hz=RATE_HZ), silence(seconds=1.0, rate_hz=RATE_HZ)])
    sent = np.concatenate([sent, key_sequence("5", rate_hz=RATE_HZ), np.zeros(800, np.float32)])
    sent = np.concatenate([sent, tone(tone_hz=1050, seconds=6, rate_hz=RATE_HZ)])
    cut = passages(sent)
    running = decoder()
    said = [
        c
        for p in [Passage(np.full(16_000, broken, "f4"), 0, np.full((100, 105), broken, "f4")), *cut]
        for c in running.push(p)
    ]
    assert said + running.finish()


def test_memory_does_not_grow_with_a_tone_without_end() -> None:
    """A long zero and a steady tone of two minutes each: what is kept stays below a megabyte."""
    import pickle

    for sent in (
        key_tone("0", seconds=10, rate_hz=RATE_HZ),
        tone(tone_hz=1050, seconds=10, rate_hz=RATE_HZ),
        key_sequence("0" * 50, rate_hz=RATE_HZ, tone_s=0.04, pause_s=0.04)[: 4 * RATE_HZ],
    ):
        decoder = AudibleTones()
        sizes = []
        for _ in range(12):
            for passage in passages(sent):
                decoder.push(passage)
            sizes.append(len(pickle.dumps(decoder)))
        assert max(sizes[6:]) < 1e6
        assert sizes[-1] < 1.5 * sizes[5]
