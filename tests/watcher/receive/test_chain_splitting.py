"""A channel that never falls silent is split into clips, and not one audio frame is lost."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dsp.modulate import Scene
from tests.on_the_air import BEGAN_UTC, Heard, MemoryClips, call, cut, listed, receive, scene, speech, utc_at
from watcher.plan.model import Channel
from watcher.receive.clips import ClipStore
from watcher.receive.records import EndedBy

RATE_HZ = 96_000
WEATHER = listed(12_500, mode="fm", bandwidth_hz=25_000, name="weather")
TOWER = listed(-25_000, mode="am", bandwidth_hz=8_330, name="tower")
TALK = listed(-6_250, name="talk")


def always_busy(channel: Channel, seconds: float = 15.0) -> Scene:
    return scene(RATE_HZ, seconds, call(channel, -1.0, seconds + 1, 18.0))


@pytest.mark.parametrize("channel", [WEATHER, TOWER, TALK], ids=lambda channel: channel.name)
@pytest.mark.parametrize("longest_clip_s", [4.0, 6.0])
def test_pieces_end_to_end_are_the_unsplit_audio(channel: Channel, longest_clip_s: float) -> None:
    made = always_busy(channel)
    whole, pieces = MemoryClips(), MemoryClips()
    receive(made, [channel], clips=whole)
    heard = receive(made, [channel], clips=pieces, longest_clip_s=longest_clip_s)
    (unsplit,) = whole.audio_of(channel)
    parts = pieces.audio_of(channel)
    assert len(parts) == len(heard.transmissions) > 1
    assert sum(map(len, parts)) == len(unsplit) == 15 * 16_000
    np.testing.assert_array_equal(np.concatenate(parts), unsplit)
    assert all(len(part) <= (longest_clip_s + 0.3) * 16_000 for part in parts)


def test_pieces_are_numbered_and_touch() -> None:
    heard = receive(always_busy(WEATHER), [WEATHER], longest_clip_s=4.0)
    pieces = heard.transmissions
    assert [one.piece for one in pieces] == [1, 2, 3, 4]
    assert [one.ended_by for one in pieces] == [EndedBy.SPLIT] * 3 + [EndedBy.END_OF_SAMPLES]
    assert pieces[0].start_utc == BEGAN_UTC
    assert pieces[-1].end_utc == utc_at(15.0)
    for before, after in pairwise(pieces):
        assert before.end_utc == before.clip_end_utc == after.start_utc == after.clip_start_utc
    assert all(one.on_at_start for one in pieces)


def test_pieces_of_a_call_that_came_up_while_watching_keep_its_look_back_and_tail() -> None:
    made = scene(RATE_HZ, 14.0, call(TALK, 1.0, 12.0, 18.0))
    whole, pieces = MemoryClips(), MemoryClips()
    receive(made, [TALK], clips=whole)
    heard = receive(made, [TALK], clips=pieces, longest_clip_s=5.0)
    (unsplit,) = whole.audio_of(TALK)
    np.testing.assert_array_equal(np.concatenate(pieces.audio_of(TALK)), unsplit)
    first, *_, last = heard.transmissions
    assert first.start_utc - first.clip_start_utc == pytest.approx(
        timedelta(seconds=0.5), abs=timedelta(milliseconds=2)
    )
    assert last.clip_end_utc > last.end_utc
    assert last.ended_by == EndedBy.CARRIER_DROP


def test_every_piece_is_measured_for_itself() -> None:
    heard = receive(always_busy(TALK), [TALK], longest_clip_s=4.0)
    for one in heard.transmissions:
        assert one.snr_db is not None
        assert one.snr_db.value == pytest.approx(18.0, abs=0.3)
        assert one.frequency_error_hz is not None
        assert one.tone is not None


def test_tone_is_named_on_every_piece() -> None:
    toned = call(TALK, -1.0, 16.0, 18.0, modulation=speech(2, tone_hz=127.3))
    heard = receive(scene(RATE_HZ, 15.0, toned), [TALK], longest_clip_s=4.0)
    assert len(heard.transmissions) == 4
    assert [one.tone.tone_hz if one.tone else None for one in heard.transmissions] == [127.3] * 4


def test_where_it_is_split_does_not_depend_on_the_blocks() -> None:
    made = always_busy(WEATHER)
    samples = made.render(np.random.default_rng(1))
    runs: list[Heard] = [
        receive(cut(samples, RATE_HZ, [size]), [WEATHER], sample_rate_hz=RATE_HZ, longest_clip_s=4.0)
        for size in (len(samples), 10_007, 65_536)
    ]
    assert runs[0].transmissions == runs[1].transmissions == runs[2].transmissions


def test_call_just_over_the_longest_clip_is_split_and_one_just_under_is_not() -> None:
    for seconds, count in ((3.2, 1), (4.2, 2)):
        made = scene(RATE_HZ, 7.0, call(TALK, 1.0, 1.0 + seconds, 18.0))
        assert len(receive(made, [TALK], longest_clip_s=4.0).transmissions) == count


def test_break_within_a_split_transmission_is_told_once() -> None:
    samples = always_busy(WEATHER).render(np.random.default_rng(1))
    lost = [(9 * RATE_HZ, 10 * RATE_HZ)]
    clips = MemoryClips()
    heard = receive(
        cut(samples, RATE_HZ, [RATE_HZ], lost),
        [WEATHER],
        sample_rate_hz=RATE_HZ,
        longest_clip_s=4.0,
        clips=clips,
    )
    assert [one.ended_by for one in heard.transmissions] == [
        EndedBy.SPLIT,
        EndedBy.SPLIT,
        EndedBy.GAP,
        EndedBy.SPLIT,
        EndedBy.END_OF_SAMPLES,
    ]
    assert [one.piece for one in heard.transmissions] == [1, 2, 3, 1, 2]
    assert sum(len(clip.kept) for clip in clips.finished) == pytest.approx(14 * 16_000, abs=4)


def test_files_of_the_pieces_hold_every_frame(tmp_path: Path) -> None:
    made = always_busy(WEATHER)
    with ClipStore(tmp_path) as store:
        heard = receive(made, [WEATHER], clips=store, longest_clip_s=4.0)
        for clip in heard.clips:
            store.release(clip)
    frames = [soundfile.info(tmp_path / clip.path).frames for clip in heard.clips]
    assert len(frames) == 4
    assert frames == [clip.audio_frames for clip in heard.clips]
    assert sum(frames) == 15 * 16_000
    assert [path.name for path in (tmp_path / "unfinished").iterdir()] == ["lock"]
