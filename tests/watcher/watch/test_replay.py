"""A watch over recordings: what lands in the log, in which order, and what of what was not watched."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.on_the_air import (
    BEGAN_UTC,
    CENTRE_HZ,
    Recorded,
    call,
    listed,
    scene,
    speech,
    utc_at,
)
from watcher.errors import RadioError, StorageError
from watcher.log.facts import WatchEndedBy
from watcher.log.reading import (
    LoggedTransmission,
    LoggedWatch,
    conditions,
    gaps,
    transmissions,
    watched_spans,
    watches,
)
from watcher.log.spans import Span, Spans
from watcher.log.writing import WatchLog
from watcher.plan.model import Channel, Radio, Station, WatchPlan
from watcher.receive.records import EndedBy, GapCause
from watcher.watch.replay import Outcome, Step, replay

RATE_HZ = 48_000
LOW, HIGH = listed(-12_500, name="low"), listed(6_250, name="high")
FAR = listed(200_000, name="far")
PLAN = WatchPlan(
    channels=(LOW, HIGH), station=Station(name="Corrin lookout", time_zone="America/Boise"), text="# p"
)
SAMPLES = scene(
    RATE_HZ,
    6.0,
    call(LOW, 0.6, 1.6, 15.0, modulation=speech(1, seconds=1.0)),
    call(HIGH, 1.0, 3.0, 20.0, modulation=speech(2, tone_hz=100.0, seconds=1.0)),
    call(LOW, 2.2, 3.2, 15.0, modulation=speech(3, seconds=1.0)),
    call(HIGH, 4.0, 9.0, 12.0, modulation=speech(1, seconds=1.0)),
).render(np.random.default_rng(1))


def night(start: datetime = BEGAN_UTC, **more: object) -> Recorded:
    return Recorded([(start, CENTRE_HZ, SAMPLES)], **more)  # type: ignore[arg-type]


class Logged:
    """All that a folder's log says."""

    def __init__(self, folder: Path) -> None:
        with WatchLog.open_to_read(folder) as log:
            self.watches: list[LoggedWatch] = watches(log)
            self.transmissions: list[LoggedTransmission] = list(transmissions(log))
            self.gaps = list(gaps(log))
            self.watched: dict[str, Spans] = watched_spans(log)
            self.conditions = list(conditions(log))

    def on(self, channel: Channel) -> list[LoggedTransmission]:
        return [one for one in self.transmissions if one.transmission.channel == channel.name]


def test_everything_heard_lands_in_the_log_with_its_clip(tmp_path: Path) -> None:
    outcome = replay(PLAN, [night()], tmp_path)
    assert outcome == Outcome(tmp_path, outcome.watch_id, heard=4)
    logged = Logged(tmp_path)
    assert len(logged.transmissions) == 4
    for one in logged.transmissions:
        assert one.clip_path is not None
        info = soundfile.info(tmp_path / one.clip_path)
        assert (info.samplerate, info.channels, info.frames) == (16_000, 1, one.clip_audio_frames)
    assert [one.transmission.channel for one in logged.transmissions] == ["low", "high", "low", "high"]
    assert logged.transmissions[-1].transmission.ended_by == EndedBy.END_OF_SAMPLES
    assert [path.name for path in (tmp_path / "unfinished").iterdir()] == ["lock"]


def test_watch_itself_is_in_the_log(tmp_path: Path) -> None:
    source = night(lost=((240_000, 250_000),))
    outcome = replay(PLAN, [source], tmp_path)
    (watch,) = Logged(tmp_path).watches
    assert watch.watch_id == outcome.watch_id
    assert (watch.started_utc, watch.ended_utc) == (BEGAN_UTC, utc_at(6.0))
    assert watch.ended_by == WatchEndedBy.END_OF_SAMPLES
    assert watch.source_label == "night.wav"
    assert (watch.station, watch.time_zone) == ("Corrin lookout", "America/Boise")
    assert watch.plan_text == "# p"
    assert watch.plan_sha256 == PLAN.digest
    assert watch.channels == PLAN.channels
    assert watch.stretches == tuple(source.stretches())
    assert (watch.samples_read, watch.samples_lost) == (len(SAMPLES) - 10_000, 10_000)


def test_every_instant_is_watched_or_a_gap(tmp_path: Path) -> None:
    replay(PLAN, [night(lost=((48_000, 60_000),))], tmp_path)
    logged = Logged(tmp_path)
    whole = Spans([Span(BEGAN_UTC, utc_at(6.0))])
    for channel in PLAN.channels:
        missed = Spans(
            Span(gap.start_utc, gap.stop_utc) for gap in logged.gaps if gap.channel == channel.name
        )
        assert missed == Spans([Span(utc_at(1.0), utc_at(1.25))])
        assert missed | logged.watched[channel.name] == whole
        assert not len(missed & logged.watched[channel.name])
    assert {gap.cause for gap in logged.gaps} == {GapCause.LOST_SAMPLES}


# --- several recordings -------------------------------------------------------------------------------


def test_recordings_are_taken_in_order_of_time(tmp_path: Path) -> None:
    later, earlier = night(utc_at(3600.0), label="b.wav"), night(label="a.wav")
    replay(PLAN, [later, earlier], tmp_path)
    logged = Logged(tmp_path)
    starts = [one.transmission.start_utc for one in logged.transmissions]
    entries = [one.entry_id for one in logged.transmissions]
    assert starts == sorted(starts)
    assert max(entries[:4]) < min(entries[4:])  # the earlier recording was received first
    assert logged.watches[0].source_label == "a.wav, b.wav"
    assert (logged.watches[0].started_utc, logged.watches[0].ended_utc) == (BEGAN_UTC, utc_at(3606.0))


def test_pause_between_captures_of_one_recording_is_a_gap(tmp_path: Path) -> None:
    source = Recorded([(BEGAN_UTC, CENTRE_HZ, SAMPLES), (utc_at(6.5), CENTRE_HZ, SAMPLES)])
    replay(PLAN, [source], tmp_path)
    found = {(gap.channel, gap.start_utc, gap.stop_utc, gap.cause) for gap in Logged(tmp_path).gaps}
    assert found == {
        (channel.name, utc_at(6.0), utc_at(6.5), GapCause.NO_SAMPLES) for channel in PLAN.channels
    }


def test_pause_between_two_recordings_is_nobodys_promise(tmp_path: Path) -> None:
    replay(PLAN, [night(), night(utc_at(100.0), label="later.wav")], tmp_path)
    assert not Logged(tmp_path).gaps


def test_channel_that_only_one_tuning_shows_is_a_gap_in_the_other(tmp_path: Path) -> None:
    plan = WatchPlan(channels=(LOW, FAR))
    source = Recorded(
        [(BEGAN_UTC, CENTRE_HZ, SAMPLES), (utc_at(6.0), CENTRE_HZ + 200_000, np.zeros(96_000, np.complex64))]
    )
    replay(plan, [source], tmp_path)
    logged = Logged(tmp_path)
    told = {(gap.channel, gap.start_utc, gap.stop_utc, gap.cause) for gap in logged.gaps}
    assert told == {
        ("far", BEGAN_UTC, utc_at(6.0), GapCause.OUTSIDE_SPAN),
        ("low", utc_at(6.0), utc_at(8.0), GapCause.OUTSIDE_SPAN),
    }
    assert list(logged.watched["far"]) == [Span(utc_at(6.0), utc_at(8.0))]


def test_transmission_does_not_run_on_from_one_recording_into_the_next(tmp_path: Path) -> None:
    """The carrier is up where the first ends and where the second begins: nobody knows what was between."""
    upside = Recorded([(utc_at(6.0), CENTRE_HZ, SAMPLES[4 * RATE_HZ :])], label="next.wav")
    replay(PLAN, [night(), upside], tmp_path)
    first, second = Logged(tmp_path).on(HIGH)[1:]
    assert first.transmission.ended_by == EndedBy.END_OF_SAMPLES
    assert second.transmission.start_utc >= first.transmission.end_utc


# --- channels outside ---------------------------------------------------------------------------------


def test_channel_outside_the_span_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(RadioError) as refused:
        replay(WatchPlan(channels=(LOW, FAR)), [night()], tmp_path / "log")
    assert str(refused.value) == (
        'channel "far" (146.720 MHz) lies outside the recording\'s span of 146.496 to 146.544 MHz; '
        "take it out of the plan, or give --allow-outside to log it as not watched"
    )
    assert not (tmp_path / "log").exists()  # refused before anything was made


def test_channel_outside_the_span_may_be_allowed(tmp_path: Path) -> None:
    outcome = replay(WatchPlan(channels=(LOW, FAR)), [night()], tmp_path, allow_outside=True)
    assert outcome.heard == 2
    (gap,) = Logged(tmp_path).gaps
    assert (gap.channel, gap.cause) == ("far", GapCause.OUTSIDE_SPAN)
    assert (gap.start_utc, gap.stop_utc) == (BEGAN_UTC, utc_at(6.0))


def test_recording_that_shows_no_channel_at_all_may_be_allowed(tmp_path: Path) -> None:
    outcome = replay(WatchPlan(channels=(FAR,)), [night()], tmp_path, allow_outside=True)
    assert outcome.heard == 0
    logged = Logged(tmp_path)
    assert not logged.watched
    assert logged.watches[0].ended_utc == utc_at(6.0)


def test_channel_at_the_very_edge_is_inside_or_refused_in_words(tmp_path: Path) -> None:
    """24 kHz of half span less 5.5 kHz of half pass band."""
    for offset_hz, inside in ((18_500, True), (18_501, False), (-18_500, True), (-18_501, False)):
        plan = WatchPlan(channels=(listed(offset_hz, name="edge"),))
        if inside:
            replay(plan, [night()], tmp_path / str(offset_hz))
        else:
            with pytest.raises(RadioError, match="lies outside"):
                replay(plan, [night()], tmp_path / str(offset_hz))


def test_ppm_of_the_plan_is_used_unless_another_is_given(tmp_path: Path) -> None:
    """At +150 ppm the radio sits 22 kHz too high: a channel 18 kHz down falls out of the span of 48 kHz."""
    low = WatchPlan(channels=(listed(-18_000, name="edge"),), radios=(Radio(ppm=150.0),))
    with pytest.raises(RadioError, match="lies outside"):
        replay(low, [night()], tmp_path)
    replay(low, [night()], tmp_path, ppm=0.0)


def test_rate_too_low_for_a_voice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RadioError, match="sample rate is 15000 Hz; it must be at least 16000 Hz"):
        replay(PLAN, [night(sample_rate_hz=15_000)], tmp_path)


def test_no_recording_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RadioError, match="hold no samples"):
        replay(PLAN, [], tmp_path)
    with pytest.raises(RadioError, match="hold no samples"):
        replay(PLAN, [Recorded([])], tmp_path)


# --- continuing ---------------------------------------------------------------------------------------


def test_folder_with_a_log_is_continued(tmp_path: Path) -> None:
    first = replay(PLAN, [night()], tmp_path)
    kept = {path: path.read_bytes() for path in tmp_path.rglob("*.flac")}
    second = replay(PLAN, [night(utc_at(60.0))], tmp_path)
    logged = Logged(tmp_path)
    assert first.watch_id != second.watch_id
    assert len(logged.watches) == 2
    assert len(logged.transmissions) == 8
    assert len({one.clip_path for one in logged.transmissions}) == 8
    assert {path: path.read_bytes() for path in kept} == kept


def test_same_recording_twice_keeps_both_and_overwrites_nothing(tmp_path: Path) -> None:
    replay(PLAN, [night()], tmp_path)
    kept = {path: path.read_bytes() for path in tmp_path.rglob("*.flac")}
    replay(PLAN, [night()], tmp_path)
    assert {path: path.read_bytes() for path in kept} == kept
    assert len(list(tmp_path.rglob("*.flac"))) == 8
    assert len({one.clip_path for one in Logged(tmp_path).transmissions}) == 8


def test_folder_in_use_by_another_watch_is_refused(tmp_path: Path) -> None:
    def another(step: Step) -> None:
        with pytest.raises(StorageError, match="another watch is writing here"):
            replay(PLAN, [night()], tmp_path)

    replay(PLAN, [night(block_samples=100_000)], tmp_path, progress=another)
    assert len(Logged(tmp_path).watches) == 1


# --- notes and time -----------------------------------------------------------------------------------


def test_notes_of_the_recordings_are_told(tmp_path: Path) -> None:
    outcome = replay(PLAN, [night(said=("night.wav: was cut short",))], tmp_path)
    assert outcome.notes == ["night.wav: was cut short"]


def test_unknown_time_is_written_into_the_log(tmp_path: Path) -> None:
    replay(PLAN, [night(time_is_known=False)], tmp_path)
    (watch,) = Logged(tmp_path).watches
    assert "night.wav is not known" in watch.notes
    assert not watch.stretches[0].time_is_known


# --- progress and stopping ----------------------------------------------------------------------------


def test_progress_rises_to_the_end(tmp_path: Path) -> None:
    steps: list[Step] = []
    source = Recorded([(BEGAN_UTC, CENTRE_HZ, SAMPLES), (utc_at(6.0), CENTRE_HZ, SAMPLES[:96_000])])
    replay(PLAN, [source], tmp_path, progress=steps.append)
    assert all(a.samples_done <= b.samples_done and a.heard <= b.heard for a, b in pairwise(steps))
    assert all(a.seconds_done <= b.seconds_done for a, b in pairwise(steps))
    last = steps[-1]
    assert (last.samples_done, last.samples_total) == (len(SAMPLES) + 96_000,) * 2
    assert last.seconds_done == last.seconds_total == 8.0
    assert last.label == "night.wav"
    assert last.heard == len(Logged(tmp_path).transmissions)


def stop_after(blocks: int) -> Callable[[], bool]:
    asked = 0

    def wanted() -> bool:
        nonlocal asked
        asked += 1
        return asked > blocks

    return wanted


def test_stopped_in_the_middle_ends_in_good_order(tmp_path: Path) -> None:
    outcome = replay(PLAN, [night()], tmp_path, stop_wanted=stop_after(9))  # blocks of 0.25 s
    assert outcome.stopped
    logged = Logged(tmp_path)
    (watch,) = logged.watches
    assert watch.ended_by == WatchEndedBy.STOPPED
    assert watch.ended_utc == utc_at(2.5)
    assert watch.samples_read == 2.5 * RATE_HZ
    open_ones = [one for one in logged.transmissions if one.transmission.ended_by == EndedBy.STOPPED]
    assert {one.transmission.channel for one in open_ones} == {"low", "high"}
    for one in open_ones:
        assert one.transmission.end_utc == pytest.approx(utc_at(2.5), abs=timedelta(milliseconds=1))
        assert one.clip_path is not None
        assert (tmp_path / one.clip_path).exists()
    for channel in PLAN.channels:
        assert list(logged.watched[channel.name]) == [Span(BEGAN_UTC, utc_at(2.5))]


def test_stopped_before_the_second_recording_leaves_it_alone(tmp_path: Path) -> None:
    second = night(utc_at(100.0))
    outcome = replay(PLAN, [night(), second], tmp_path, stop_wanted=stop_after(3))
    assert outcome.stopped
    assert second.blocks_given == 0
    assert Logged(tmp_path).watches[0].ended_utc == utc_at(1.0)


def test_long_transmission_counts_once_however_often_it_is_split(tmp_path: Path) -> None:
    busy = scene(RATE_HZ, 15.0, call(LOW, -1.0, 16.0, 20.0)).render(np.random.default_rng(1))
    plan = WatchPlan(channels=(LOW,), station=Station(longest_clip_minutes=0.1))
    outcome = replay(plan, [Recorded([(BEGAN_UTC, CENTRE_HZ, busy)])], tmp_path)
    assert outcome.heard == 1
    pieces = Logged(tmp_path).transmissions
    assert [one.transmission.piece for one in pieces] == [1, 2, 3]
    assert sum(one.clip_audio_frames or 0 for one in pieces) == 15 * 16_000


def test_watch_longer_than_ten_seconds_is_one_watched_span(tmp_path: Path) -> None:
    long = np.tile(SAMPLES, 5)
    replay(PLAN, [Recorded([(BEGAN_UTC, CENTRE_HZ, long)])], tmp_path)
    for channel in PLAN.channels:
        assert list(Logged(tmp_path).watched[channel.name]) == [Span(BEGAN_UTC, utc_at(30.0))]


def test_clips_are_named_for_time_frequency_and_channel(tmp_path: Path) -> None:
    replay(PLAN, [night()], tmp_path)
    first = Logged(tmp_path).transmissions[0]
    assert first.clip_path is not None
    path = first.clip_path.as_posix()
    assert path.startswith("2031-05-04/0300")
    assert path.endswith("Z_146.5075_low.flac")
