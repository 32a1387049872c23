"""What a transmission's measures are gathered from: right samples, right frames, bounded memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.signalling.ctcss import TonePiece
from watcher.receive import gathering as room
from watcher.receive.gathering import EDGE_GUARD_S, FIRST_WORD_S, SAMPLE_S, FrameRun, Gathering

RATE_HZ = 16_000.0
LOW_HZ = 1_250.0


def gathering(carrier_up_s: float = 0.5, low_rate_hz: float = LOW_HZ, low_from_s: float = 0.004) -> Gathering:
    return Gathering(1, carrier_up_s, RATE_HZ, low_rate_hz, low_from_s)


def counted(first: int, count: int) -> NDArray[np.complex64]:
    return np.arange(first, first + count).astype(np.complex64)


def low_band(seconds: float, tone_hz: float = 0.0) -> NDArray[np.float32]:
    t = np.arange(round(seconds * LOW_HZ)) / LOW_HZ
    noise = np.random.default_rng(1).standard_normal(len(t))
    return (350.0 * np.sin(2 * np.pi * tone_hz * t) + 5.0 * noise).astype(np.float32)


class Noted:
    """Stands for a decoder and notes what it was asked to judge."""

    def __init__(self, tone_hz: float | None = 100.0) -> None:
        self.asked: list[NDArray[np.float32]] = []
        self._tone_hz = tone_hz

    def __call__(self, heard: NDArray[np.float32], rate_hz: float) -> TonePiece:
        assert rate_hz == LOW_HZ
        self.asked.append(heard.copy())
        return TonePiece(self._tone_hz, 100.1, 0.2, 345.0, 9.0, 0.999, 6.9)


@pytest.fixture
def decoders(monkeypatch: pytest.MonkeyPatch) -> Callable[[Noted, Noted], None]:
    def put(first: Noted, final: Noted) -> None:
        monkeypatch.setattr(room, "first_word", first)
        monkeypatch.setattr(room, "decide", final)

    return put


# --- channel samples ----------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [1, 7, 800, 100_000])
def test_samples_kept_begin_with_the_carrier(step: int) -> None:
    made = gathering(carrier_up_s=0.05)
    for at in range(0, 4000, step):
        made.take_samples(counted(at, min(step, 4000 - at)))
    np.testing.assert_array_equal(made.sample(carrier_down_s=10.0), counted(800, 3200))


def test_samples_end_with_the_carrier() -> None:
    made = gathering(carrier_up_s=0.05)
    made.take_samples(counted(0, 4000))
    np.testing.assert_array_equal(made.sample(carrier_down_s=0.1), counted(800, 800))
    assert made.sample(carrier_down_s=0.05).size == 0
    assert made.sample(carrier_down_s=0.0).size == 0


def test_no_more_than_two_seconds_are_kept_however_long_it_lasts() -> None:
    made = gathering(carrier_up_s=0.0)
    for second in range(10):
        made.take_samples(counted(16_000 * second, 16_000))
    np.testing.assert_array_equal(made.sample(100.0), counted(0, int(SAMPLE_S * RATE_HZ)))


def test_samples_kept_are_copies() -> None:
    made = gathering(carrier_up_s=0.0)
    samples = counted(0, 100)
    made.take_samples(samples)
    samples[:] = 0
    np.testing.assert_array_equal(made.sample(1.0), counted(0, 100))


def test_nothing_gathered_is_an_empty_sample() -> None:
    assert gathering().sample(1.0).dtype == np.complex64
    assert gathering().sample(1.0).size == 0


# --- frames -------------------------------------------------------------------------------------------


def run(first_frame: int, frames: int) -> FrameRun:
    """Three rows; row 1 holds the number of each frame."""
    numbers = np.arange(first_frame, first_frame + frames, dtype=np.float32)
    rows = np.stack([numbers * 0 - 1, numbers, numbers * 0 - 2])
    return FrameRun(first_frame, rows, rows + 0.5, rows.astype(np.complex64))


def test_frames_are_those_asked_for_of_the_own_row() -> None:
    made = gathering()
    for first in (32, 48, 64):
        made.take_frames(run(first, 16))
    found = made.frames(40, 70)
    assert found.first_frame == 40
    np.testing.assert_array_equal(found.power, np.arange(40, 70))
    np.testing.assert_array_equal(found.floor, np.arange(40, 70) + 0.5)
    np.testing.assert_array_equal(found.lag_one, np.arange(40, 70))


def test_frames_outside_what_was_seen_are_left_out() -> None:
    made = gathering()
    made.take_frames(run(32, 16))
    np.testing.assert_array_equal(made.frames(0, 40).power, np.arange(32, 40))
    np.testing.assert_array_equal(made.frames(44, 1000).power, np.arange(44, 48))
    assert made.frames(100, 200).power.size == 0
    assert gathering().frames(0, 10).power.size == 0


# --- tones --------------------------------------------------------------------------------------------


def test_first_word_is_asked_for_once_as_soon_as_there_is_enough(
    decoders: Callable[[Noted, Noted], None],
) -> None:
    first, final = Noted(), Noted()
    decoders(first, final)
    made = gathering(carrier_up_s=0.5)
    for _ in range(20):
        made.take_low_band(low_band(0.1))
    (asked,) = first.asked
    assert len(asked) == pytest.approx(FIRST_WORD_S * LOW_HZ, abs=1)
    assert made.first_word is not None
    assert made.first_word.first_word_ms == 1000 * FIRST_WORD_S


def test_too_short_a_transmission_has_no_first_word(decoders: Callable[[Noted, Noted], None]) -> None:
    first = Noted()
    decoders(first, Noted())
    made = gathering(carrier_up_s=0.5)
    made.take_low_band(low_band(0.75))
    assert not first.asked
    assert made.first_word is None


def test_final_word_judges_what_lies_between_the_edges(decoders: Callable[[Noted, Noted], None]) -> None:
    final = Noted()
    decoders(Noted(), final)
    made = gathering(carrier_up_s=0.5, low_from_s=0.004)
    numbered = np.arange(2500, dtype=np.float32)  # two seconds
    made.take_low_band(numbered[:1000])
    made.take_low_band(numbered[1000:])
    made.tone(carrier_down_s=1.5)
    (asked,) = final.asked
    assert asked[0] == pytest.approx((0.5 + EDGE_GUARD_S - 0.004) * LOW_HZ, abs=1)
    assert asked[-1] == pytest.approx((1.5 - EDGE_GUARD_S - 0.004) * LOW_HZ, abs=2)


def test_time_of_the_first_word_is_told_only_if_it_was_right(
    decoders: Callable[[Noted, Noted], None],
) -> None:
    for said, expected_ms in ((100.0, 1000 * FIRST_WORD_S), (103.5, None), (None, None)):
        decoders(Noted(said), Noted(100.0))
        made = gathering()
        made.take_low_band(low_band(2.0))
        tone = made.tone(1.9)
        assert tone is not None
        assert tone.tone_hz == 100.0
        assert tone.first_word_ms == expected_ms


def test_reading_carries_its_uncertainty(decoders: Callable[[Noted, Noted], None]) -> None:
    decoders(Noted(), Noted(None))
    made = gathering()
    made.take_low_band(low_band(2.0))
    tone = made.tone(1.9)
    assert tone is not None
    assert tone.tone_hz is None
    assert tone.first_word_ms is None
    assert tone.estimate_hz is not None
    assert (tone.estimate_hz.value, tone.estimate_hz.sigma) == (100.1, 0.2)
    assert tone.deviation_hz is not None
    assert (tone.deviation_hz.value, tone.deviation_hz.sigma) == (345.0, 9.0)
    assert tone.probability == 0.999


def test_mode_without_a_low_band_has_no_tone() -> None:
    assert gathering(low_rate_hz=0.0).tone(5.0) is None


@pytest.mark.parametrize("tone_hz", [67.0, 131.8, 254.1])
def test_steady_tone_is_named_by_the_real_decoder(tone_hz: float) -> None:
    made = gathering(carrier_up_s=0.2)
    made.take_low_band(low_band(2.5, tone_hz))
    tone = made.tone(2.4)
    assert tone is not None
    assert tone.tone_hz == tone_hz


def test_nothing_heard_claims_no_tone() -> None:
    tone = gathering().tone(0.6)
    assert tone is None or tone.tone_hz is None


def test_decoder_that_fails_leaves_the_rest_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> TonePiece:
        raise IndexError("a mistake in a decoder")

    monkeypatch.setattr(room, "first_word", broken)
    monkeypatch.setattr(room, "decide", broken)
    made = gathering(carrier_up_s=0.0)
    made.take_samples(counted(0, 100))
    made.take_low_band(low_band(2.0))
    assert made.first_word is None
    assert made.tone(1.9) is None
    assert made.sample(1.0).size == 100
    assert made.problems  # and somebody is told
