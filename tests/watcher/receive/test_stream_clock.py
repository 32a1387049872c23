"""Frames, channel samples and input samples stand at one instant each."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.receive.stream_clock import StreamClock

ANCHOR = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)
CLOCK = StreamClock(ANCHOR, 2_400_000, run_first=4_800_000, hop_samples=28_800)
RATIO = Fraction(1, 150)


def test_run_counts_from_its_own_first_sample() -> None:
    assert CLOCK.input_sample(0, RATIO) == 4_800_000
    assert CLOCK.input_sample(16_000, RATIO) == 4_800_000 + 2_400_000
    assert CLOCK.utc(4_800_000) == CLOCK.utc_of_frame(0) == ANCHOR + timedelta(seconds=2)
    assert CLOCK.utc_of_frame(1000) == ANCHOR + timedelta(seconds=2 + 12)


@pytest.mark.parametrize(("ratio", "sample", "expected"), [(Fraction(2, 3), 1, 2), (Fraction(3, 5), 1, 2)])
def test_channel_sample_is_rounded_to_the_nearest_input_sample(
    ratio: Fraction, sample: int, expected: int
) -> None:
    """1 / (2/3) is 1.5 and goes to the even 2; 1 / (3/5) is 1.67."""
    assert StreamClock(ANCHOR, 48_000, 0, 600).input_sample(sample, ratio) == expected


@given(sample=st.integers(0, 10**12), ratio=st.fractions(Fraction(1, 300), 1))
def test_channel_sample_is_never_off_by_more_than_half(sample: int, ratio: Fraction) -> None:
    assert abs(CLOCK.input_sample(sample, ratio) - CLOCK.run_first - sample / ratio) <= Fraction(1, 2)


def test_frames_do_not_drift_from_samples_in_a_month() -> None:
    frame = 30 * 86_400 * 80
    assert CLOCK.utc_of_frame(frame) == CLOCK.utc(CLOCK.run_first + frame * CLOCK.hop_samples)
    assert CLOCK.utc_of_frame(frame) - CLOCK.utc_of_frame(0) == timedelta(
        microseconds=frame * 28_800 * 1_000_000 // 2_400_000
    )
