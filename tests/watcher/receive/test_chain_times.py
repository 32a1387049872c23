"""When transmissions begin and end, where their clips begin, and what a break in the samples does to both."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from itertools import chain as joined
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from dsp.modulate import Scene, Unmodulated
from tests.on_the_air import (
    BEGAN_UTC,
    CENTRE_HZ,
    Heard,
    MemoryClips,
    call,
    cut,
    listed,
    receive,
    scene,
    seconds_in,
    speech,
    utc_at,
    without_measures,
)
from watcher.errors import RadioError
from watcher.plan.model import Channel
from watcher.receive.chain import LOOK_BACK_S, ReceiveChain
from watcher.receive.records import EndedBy, GapCause

RATE_HZ = 48_000
LOW, HIGH = listed(-12_500), listed(6_250)
CHANNELS = (LOW, HIGH)
SEQUENCE = (
    call(LOW, 0.5, 1.2, 12.0, modulation=speech(1, seconds=1.0)),
    call(HIGH, 0.9, 2.6, 20.0, modulation=speech(2, tone_hz=100.0, seconds=1.0)),
    call(LOW, 1.5, 2.1, 6.0, modulation=speech(3, seconds=1.0)),
    call(LOW, 3.0, 6.0, 15.0, modulation=Unmodulated()),
    call(HIGH, 3.2, 6.0, 9.0, modulation=speech(1, seconds=1.0)),
)
SCENE = scene(RATE_HZ, 4.0, *SEQUENCE)
SAMPLES: NDArray[np.complex64] = SCENE.render(np.random.default_rng(1))


def received(blocks: Iterable[IqBlock], channels: tuple[Channel, ...] = CHANNELS) -> Heard:
    return receive(blocks, channels, sample_rate_hz=RATE_HZ)


WHOLE = received(cut(SAMPLES, RATE_HZ, [len(SAMPLES)]))


# --- edges --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cnr_db", [6.0, 8.0, 12.0, 20.0, 35.0])
def test_edges_are_known_to_15_ms(cnr_db: float) -> None:
    """Twenty-four edges at every ratio; the worst of them counts."""
    rng = np.random.default_rng(round(cnr_db))
    calls = [
        call(
            listed(offset),
            start,
            start + float(rng.uniform(0.5, 0.9)),
            cnr_db,
            modulation=speech(n, seconds=1.0),
        )
        for offset in (-31_250, 6_250)
        for n, start in enumerate(0.7 + 1.5 * np.arange(6) + rng.uniform(0, 0.2, 6))
    ]
    made = scene(96_000, 10.0, *calls)
    heard = receive(made, [listed(-31_250), listed(6_250)])
    assert len(heard.transmissions) == len(calls)
    for truth in made.truth():
        (one,) = (
            t for t in heard.on(truth.label) if abs(t.start_sample - truth.start_sample) < 0.25 * 96_000
        )
        assert one.start_sample == pytest.approx(truth.start_sample, abs=0.015 * 96_000)
        assert one.stop_sample == pytest.approx(truth.stop_sample, abs=0.015 * 96_000)


def test_utc_and_sample_counts_tell_the_same_instant() -> None:
    for one in WHOLE.transmissions:
        for sample, instant in ((one.start_sample, one.start_utc), (one.stop_sample, one.end_utc)):
            assert instant - BEGAN_UTC == pytest.approx(
                timedelta(seconds=sample / RATE_HZ), abs=timedelta(microseconds=1)
            )


def test_carrier_up_when_the_samples_begin() -> None:
    heard = receive(scene(RATE_HZ, 3.0, call(LOW, -2.0, 1.5, 10.0)), CHANNELS)
    (one,) = heard.transmissions
    assert one.on_at_start
    assert one.start_utc == one.clip_start_utc == BEGAN_UTC
    assert one.ended_by == EndedBy.CARRIER_DROP
    assert seconds_in(one.end_utc) == pytest.approx(1.5, abs=0.015)


def test_carrier_that_comes_up_soon_after_the_beginning_was_not_up_at_it() -> None:
    heard = receive(scene(RATE_HZ, 3.0, call(LOW, 0.1, 1.5, 15.0)), CHANNELS)
    (one,) = heard.transmissions
    assert not one.on_at_start
    assert seconds_in(one.start_utc) == pytest.approx(0.1, abs=0.015)
    assert one.clip_start_utc == BEGAN_UTC  # there is no more to look back on


@pytest.mark.parametrize("ended_by", [EndedBy.END_OF_SAMPLES, EndedBy.STOPPED])
def test_carrier_up_when_the_samples_end(ended_by: EndedBy) -> None:
    heard = receive(scene(RATE_HZ, 3.0, call(LOW, 1.0, 9.0, 10.0)), CHANNELS, ended_by=ended_by)
    (one,) = heard.transmissions
    assert one.ended_by == ended_by
    assert one.end_utc == pytest.approx(utc_at(3.0), abs=timedelta(milliseconds=1))
    assert one.clip_end_utc == one.end_utc


@pytest.mark.parametrize("left_s", [0.03, 0.1, 0.3])
def test_carrier_that_comes_up_just_before_the_end_is_told_or_too_short(left_s: float) -> None:
    heard = receive(scene(RATE_HZ, 3.0, call(LOW, 3.0 - left_s, 9.0, 20.0)), CHANNELS)
    if left_s >= 0.1:  # twice the 50 ms that opening takes
        (one,) = heard.transmissions
        assert seconds_in(one.start_utc) == pytest.approx(3.0 - left_s, abs=0.015)
    assert all(one.ended_by == EndedBy.END_OF_SAMPLES for one in heard.transmissions)


# --- look-back ----------------------------------------------------------------------------------------


def test_clip_begins_a_quarter_second_before_the_carrier_or_where_the_last_one_ended() -> None:
    """250 ms of look-back are promised; before a second key-down there is only the pause."""
    for channel in CHANNELS:
        ended_utc = BEGAN_UTC
        for one in WHOLE.on(channel):
            back = one.start_utc - one.clip_start_utc
            assert back >= min(timedelta(milliseconds=250), one.start_utc - ended_utc)
            assert back <= timedelta(seconds=LOOK_BACK_S, milliseconds=1)
            assert one.clip_start_utc >= ended_utc
            assert one.clip_end_utc >= one.end_utc
            ended_utc = one.end_utc


def test_clip_shows_the_carrier_where_its_times_say() -> None:
    """Open-squelch noise is loud, a bare carrier 30 dB over it is not: the seam shows in the audio."""
    clips = MemoryClips()
    receive(scene(RATE_HZ, 4.0, call(LOW, 1.5, 3.0, 30.0, modulation=Unmodulated())), CHANNELS, clips=clips)
    (clip,) = clips.finished
    one = clip.facts
    up, down = (
        (instant - one.clip_start_utc).total_seconds() * 16_000 for instant in (one.start_utc, one.end_utc)
    )
    assert clip.carrier_frames == pytest.approx((up, down), abs=2)
    assert len(clip.kept) / 16_000 == pytest.approx(
        (one.clip_end_utc - one.clip_start_utc).total_seconds(), abs=0.001
    )
    under_carrier = clip.kept[int(up) + 1600 : int(down) - 1600].astype(float)
    loud = np.abs(clip.kept.astype(float)) > 8 * under_carrier.std()
    quiet_from = np.flatnonzero(loud[: int(up) + 800])[-1]
    loud_again = int(down) - 800 + np.flatnonzero(loud[int(down) - 800 :])[0]
    # the voice filter is 41 ms long: its ringing blurs the seam by half of that
    assert quiet_from == pytest.approx(up, abs=0.022 * 16_000)
    assert loud_again == pytest.approx(down, abs=0.022 * 16_000)


# The last size is the one that repeats: it must not make a hundred thousand blocks.
SIZES = st.tuples(st.lists(st.integers(1, 30_000), max_size=8), st.integers(1000, 30_000)).map(
    lambda drawn: [*drawn[0], drawn[1]]
)


# --- how the samples are cut does not matter ----------------------------------------------------------


@settings(max_examples=10)
@given(sizes=SIZES)
def test_any_cut_into_blocks_gives_the_same_records(sizes: list[int]) -> None:
    heard = received(cut(SAMPLES, RATE_HZ, sizes))
    assert heard.transmissions == WHOLE.transmissions
    assert heard.conditions == WHOLE.conditions
    for channel in CHANNELS:
        assert heard.watched_on(channel) == WHOLE.watched_on(channel) == [(BEGAN_UTC, utc_at(4.0))]


def test_sample_by_sample_gives_the_same_records() -> None:
    short = SAMPLES[: int(1.7 * RATE_HZ)]
    whole = received(cut(short, RATE_HZ, [len(short)]))
    single = received(cut(short, RATE_HZ, joined([1] * 5000, [7] * 3000, [1] * 5000, [len(short)])))
    assert single.transmissions == whole.transmissions
    assert len(whole.transmissions) == 3


def test_audio_does_not_depend_on_the_blocks() -> None:
    whole, pieces = MemoryClips(), MemoryClips()
    receive(cut(SAMPLES, RATE_HZ, [len(SAMPLES)]), CHANNELS, sample_rate_hz=RATE_HZ, clips=whole)
    receive(cut(SAMPLES, RATE_HZ, [1237]), CHANNELS, sample_rate_hz=RATE_HZ, clips=pieces)
    assert len(whole.finished) == 5
    for channel in CHANNELS:
        for one, other in zip(whole.audio_of(channel), pieces.audio_of(channel), strict=True):
            np.testing.assert_array_equal(one, other)


# --- lost samples -------------------------------------------------------------------------------------


def test_lost_samples_end_what_is_on_the_air_and_are_told() -> None:
    heard = received(cut(SAMPLES, RATE_HZ, [4096], lost=[(48_000, 72_000)]))
    first = heard.on(HIGH)[0]
    assert first.ended_by == EndedBy.GAP
    assert first.end_utc == pytest.approx(utc_at(1.0), abs=timedelta(milliseconds=1))
    assert {(gap.channel, gap.start_utc, gap.stop_utc, gap.cause) for gap in heard.gaps} == {
        (channel.name, utc_at(1.0), utc_at(1.5), GapCause.LOST_SAMPLES) for channel in CHANNELS
    }
    again = heard.on(HIGH)[1]
    assert again.on_at_start  # it was up when the samples came back
    assert again.start_utc == utc_at(1.5)
    for channel in CHANNELS:
        assert heard.watched_on(channel) == [(BEGAN_UTC, utc_at(1.0)), (utc_at(1.5), utc_at(4.0))]


def test_no_filter_carries_anything_over_a_break() -> None:
    """What follows a break is what a chain of its own would hear, but for the place in time."""
    heard = received(cut(SAMPLES, RATE_HZ, [5000], lost=[(60_000, 96_000)]))
    behind = received(cut(SAMPLES[96_000:], RATE_HZ, [5000]))
    after = [one for one in heard.transmissions if one.start_utc >= utc_at(2.0)]
    assert len(after) == len(behind.transmissions) > 0
    for one, alone in zip(after, behind.transmissions, strict=True):
        assert one.start_utc - alone.start_utc == timedelta(seconds=2)
        assert one.start_sample - alone.start_sample == 96_000
        assert (one.snr_db, one.tone, one.frequency_error_hz) == (
            alone.snr_db,
            alone.tone,
            alone.frequency_error_hz,
        )


def test_samples_lost_at_the_very_end_are_a_gap() -> None:
    heard = received(cut(SAMPLES, RATE_HZ, [48_000], lost=[(144_000, 192_000)]))
    assert {(gap.start_utc, gap.stop_utc) for gap in heard.gaps} == {(utc_at(3.0), utc_at(4.0))}
    assert heard.watched_on(LOW) == [(BEGAN_UTC, utc_at(3.0))]


def test_samples_lost_at_the_very_beginning_are_a_gap() -> None:
    heard = received(cut(SAMPLES, RATE_HZ, [48_000], lost=[(0, 12_000)]))
    assert {(gap.start_utc, gap.stop_utc) for gap in heard.gaps} == {(BEGAN_UTC, utc_at(0.25))}
    assert heard.watched_on(LOW) == [(utc_at(0.25), utc_at(4.0))]


CHANNEL_SAMPLE = timedelta(microseconds=63)  # at 16 kHz: what an edge at a break is rounded to

LOSSES = st.lists(st.tuples(st.integers(0, len(SAMPLES) - 1), st.integers(1, 30_000)), max_size=4).map(
    lambda spans: [(first, min(first + size, len(SAMPLES))) for first, size in sorted(spans)]
)


def test_transmission_broken_off_does_not_reach_into_the_gap() -> None:
    heard = received(cut(SAMPLES, RATE_HZ, [4096], lost=[(149_213, 149_214)]))
    (one,) = (one for one in heard.transmissions if one.ended_by == EndedBy.GAP)
    assert one.stop_sample <= 149_213


@pytest.mark.parametrize("samples", [1, 3])
def test_run_of_a_sample_or_two_is_watched(samples: int) -> None:
    heard = received(cut(SAMPLES, RATE_HZ, [samples], lost=[(samples, len(SAMPLES))]))
    assert not heard.transmissions
    assert heard.watched_on(LOW) == [(BEGAN_UTC, utc_at(samples / RATE_HZ))]


@pytest.mark.filterwarnings("ignore:(Mean of empty|invalid value)")  # has its own test
@settings(max_examples=15)
@given(lost=LOSSES, sizes=SIZES)
def test_every_instant_of_every_channel_is_watched_or_a_gap(
    lost: list[tuple[int, int]], sizes: list[int]
) -> None:
    spans = [span for n, span in enumerate(lost) if n == 0 or span[0] > max(stop for _, stop in lost[:n])]
    heard = received(cut(SAMPLES, RATE_HZ, sizes, lost=spans))
    for channel in CHANNELS:
        gaps = [(gap.start_utc, gap.stop_utc) for gap in heard.gaps if gap.channel == channel.name]
        told: list[tuple[datetime, datetime]] = sorted(gaps + heard.watched_on(channel))
        assert told[0][0] == BEGAN_UTC
        assert told[-1][1] == utc_at(4.0)
        assert all(before[1] == after[0] for before, after in pairwise(told))
        missing = sum((stop - start for start, stop in gaps), timedelta())
        assert missing / timedelta(seconds=1) == pytest.approx(
            sum(stop - first for first, stop in spans) / RATE_HZ, abs=2e-6 * (len(spans) + 1)
        )
        own = heard.on(channel)
        assert all(before.end_utc <= after.start_utc + CHANNEL_SAMPLE for before, after in pairwise(own))
        for one in own:  # nothing is heard in a gap, and all that is heard is in watched time
            assert one.start_utc < one.end_utc
            assert any(
                start <= one.start_utc and one.end_utc <= stop + CHANNEL_SAMPLE
                for start, stop in heard.watched_on(channel)
            )


@pytest.mark.filterwarnings("ignore:(Mean of empty|invalid value)")  # has its own test
@settings(max_examples=8)
@given(at=st.integers(1, len(SAMPLES) - 1), sizes=SIZES)
def test_a_break_of_one_sample_is_a_break(at: int, sizes: list[int]) -> None:
    heard = received(cut(SAMPLES, RATE_HZ, sizes, lost=[(at, at + 1)]))
    assert len(heard.gaps) == len(CHANNELS)
    before = [
        one for one in WHOLE.transmissions if one.start_sample < at - 4800 and one.stop_sample > at + 4800
    ]
    ended = {one.channel for one in heard.transmissions if one.ended_by == EndedBy.GAP}
    assert ended >= {one.channel for one in before}


# --- what a chain refuses -----------------------------------------------------------------------------


def test_samples_from_the_past_are_refused() -> None:
    chain = ReceiveChain(CHANNELS, RATE_HZ, CENTRE_HZ, BEGAN_UTC, None)
    list(chain.push(IqBlock(SAMPLES[:1000].copy(), 0, RATE_HZ, CENTRE_HZ)))
    with pytest.raises(ValueError, match="first_sample is 500; 1000 comes next"):
        chain.push(IqBlock(SAMPLES[:1000].copy(), 500, RATE_HZ, CENTRE_HZ))


def test_samples_of_another_rate_are_refused() -> None:
    chain = ReceiveChain(CHANNELS, RATE_HZ, CENTRE_HZ, BEGAN_UTC, None)
    with pytest.raises(ValueError, match="sample_rate_hz is 96000; this chain runs at 48000"):
        chain.push(IqBlock(SAMPLES[:1000].copy(), 0, 96_000, CENTRE_HZ))


def test_channel_outside_the_span_is_refused() -> None:
    with pytest.raises(RadioError, match="cannot be cut out of this recording"):
        ReceiveChain([listed(20_000)], RATE_HZ, CENTRE_HZ, BEGAN_UTC, None)


def test_nothing_pushed_says_nothing() -> None:
    assert ReceiveChain(CHANNELS, RATE_HZ, CENTRE_HZ, BEGAN_UTC, None).finish() == []
    assert received([IqBlock(np.empty(0, np.complex64), 0, RATE_HZ, CENTRE_HZ)]).records == []


def test_on_air_names_the_channels_that_are_up() -> None:
    chain = ReceiveChain(CHANNELS, RATE_HZ, CENTRE_HZ, BEGAN_UTC, None)
    chain.push(IqBlock(SAMPLES[:12_000].copy(), 0, RATE_HZ, CENTRE_HZ))
    assert chain.on_air == []
    chain.push(IqBlock(SAMPLES[12_000:53_000].copy(), 12_000, RATE_HZ, CENTRE_HZ))
    assert chain.on_air == [LOW.name, HIGH.name]
    assert chain.frame_s == pytest.approx(0.0125, rel=0.3)


def test_no_samples_of_the_scene_are_needed_twice() -> None:
    """The clips never change what is received."""
    with_clips = receive(SCENE, CHANNELS, clips=MemoryClips())
    assert [without_measures(one) for one in with_clips.transmissions] == [
        without_measures(one) for one in WHOLE.transmissions
    ]


def test_scene_is_what_its_truth_says() -> None:
    assert isinstance(SCENE, Scene)
    assert len(WHOLE.transmissions) == len(SCENE.truth())
