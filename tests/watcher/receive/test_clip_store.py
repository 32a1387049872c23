"""A clip from its first frame to the finished file: audio, name, tags, lock."""

from __future__ import annotations

import hashlib
import struct
import tracemalloc
import wave
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile

from watcher.errors import StorageError
from watcher.receive.clips import ClipStore, OpenClip
from watcher.receive.records import Clip, EndedBy, Measured, ToneReading, Transmission

START = datetime(2031, 5, 4, 3, 2, 1, 250_000, tzinfo=UTC)
OPENING = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="nfm",
    start_sample=2_400_000,
    stop_sample=2_400_000,
    start_utc=START,
    end_utc=START,
    clip_start_utc=START - timedelta(seconds=0.5),
    clip_end_utc=START,
    ended_by=EndedBy.STOPPED,
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ClipStore]:
    with ClipStore(tmp_path / "watch", program="midwatch 9.8.7") as opened:
        yield opened


def noise(frames: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(-9000, 9000, frames, dtype=np.int16)


def finish(clip: OpenClip, facts: Transmission = OPENING, **frames: int) -> Clip:
    cut = {
        "first_frame": 0,
        "last_frame": clip.frames,
        "carrier_up_frame": 0,
        "carrier_down_frame": clip.frames,
    }
    return clip.finish(facts, **{**cut, **frames})


def left_over(store: ClipStore) -> list[str]:
    """What stands among the unfinished clips, the lock aside."""
    return sorted(path.name for path in store.unfinished.iterdir() if path.name != "lock")


def vorbis_comments(flac: bytes) -> dict[str, list[str]]:
    """The tags of a FLAC file, read as RFC 9639 8.6 lays them out."""
    position, last = 4, False
    while not last:
        kind, length = flac[position] & 0x7F, int.from_bytes(flac[position + 1 : position + 4], "big")
        last, block = bool(flac[position] & 0x80), flac[position + 4 : position + 4 + length]
        position += 4 + length
        if kind == 4:
            (vendor_bytes,) = struct.unpack_from("<I", block)
            (count,) = struct.unpack_from("<I", block, 4 + vendor_bytes)
            place, tags = 8 + vendor_bytes, {}
            for _ in range(count):
                (size,) = struct.unpack_from("<I", block, place)
                name, _, value = block[place + 4 : place + 4 + size].decode().partition("=")
                tags.setdefault(name, []).append(value)
                place += 4 + size
            return tags
    raise AssertionError("no comment block")


def test_a_clip_is_what_was_written(store: ClipStore) -> None:
    audio = noise(20_000)
    clip = store.open_clip(OPENING)
    for piece in np.array_split(audio, 9):
        clip.write(piece)
    assert clip.frames == 20_000
    finished = finish(clip, first_frame=1_000, last_frame=19_000)
    path = store.folder / finished.path
    back, rate_hz = soundfile.read(path, dtype="int16")
    np.testing.assert_array_equal(back, audio[1_000:19_000])
    assert rate_hz == 16_000
    kind = soundfile.info(path)
    assert (kind.format, kind.subtype, kind.channels) == ("FLAC", "PCM_16", 1)
    assert str(finished.path) == "2031-05-04/030201.250Z_146.520_2-m-calling.flac"
    assert finished.audio_frames == 18_000
    assert finished.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert finished.transmission == OPENING


def test_what_a_clip_was_made_from_stays_until_its_release(store: ClipStore) -> None:
    clip = store.open_clip(OPENING)
    clip.write(noise(100))
    finished = finish(clip)
    assert [name.rpartition("calling")[2] for name in left_over(store)] == [".part", ".part.json"]
    store.release(finished)
    assert left_over(store) == []
    store.release(finished)  # twice is once
    assert (store.folder / finished.path).exists()


def test_an_open_clip_can_be_heard_as_it_stands(store: ClipStore) -> None:
    audio = noise(16_000)
    clip = store.open_clip(OPENING)
    clip.write(audio)
    (part,) = store.unfinished.glob("*.part")
    back, rate_hz = soundfile.read(part, dtype="int16")
    np.testing.assert_array_equal(back, audio)
    with wave.open(str(part)) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (rate_hz, 1, 2)
        np.testing.assert_array_equal(np.frombuffer(file.readframes(file.getnframes()), "<i2"), audio)


def test_a_discarded_clip_leaves_nothing(store: ClipStore) -> None:
    clip = store.open_clip(OPENING)
    clip.write(noise(100))
    clip.discard()
    assert left_over(store) == []
    assert store.recover() == []
    with pytest.raises(ValueError, match="the clip is closed; nothing can be added"):
        clip.write(noise(1))


def test_levelling_gets_the_cut_and_the_carrier_in_it(store: ClipStore) -> None:
    clip = store.open_clip(OPENING)
    clip.write(np.arange(1000, dtype=np.int16))
    asked = []

    def louder(audio: np.ndarray, up_frame: int, down_frame: int) -> np.ndarray:
        asked.append((len(audio), int(audio[up_frame]), int(audio[down_frame - 1])))
        audio *= 2  # in its own array, as it may
        return audio

    finished = clip.finish(
        *(OPENING,),
        first_frame=100,
        last_frame=900,
        carrier_up_frame=300,
        carrier_down_frame=700,
        levelling=louder,
    )
    assert asked == [(800, 300, 699)]
    back, _ = soundfile.read(store.folder / finished.path, dtype="int16")
    np.testing.assert_array_equal(back, np.arange(200, 1800, 2))


def test_a_wrong_levelling_is_noticed_and_nothing_is_lost(store: ClipStore) -> None:
    clip = store.open_clip(OPENING)
    clip.write(noise(100))
    with pytest.raises(
        ValueError, match=r"levelling gave float64 of shape \(99,\); it must be int16 of shape"
    ):
        clip.finish(
            OPENING,
            first_frame=0,
            last_frame=100,
            carrier_up_frame=0,
            carrier_down_frame=100,
            levelling=lambda audio, up, down: audio[1:] / 2,  # type: ignore[return-value]
        )
    assert finish(clip).audio_frames == 100


@pytest.mark.parametrize(("first", "last"), [(0, 0), (50, 20), (100, 200), (-1, 50)])
def test_a_clip_holds_something(store: ClipStore, first: int, last: int) -> None:
    clip = store.open_clip(OPENING)
    clip.write(noise(100))
    with pytest.raises(ValueError, match=f"the clip would hold frames {first} to {last} of the 100 written"):
        finish(clip, first_frame=first, last_frame=last)


def test_a_cut_past_the_end_ends_there(store: ClipStore) -> None:
    clip = store.open_clip(OPENING)
    clip.write(noise(100))
    assert finish(clip, first_frame=90, last_frame=1000, carrier_down_frame=5000).audio_frames == 10


@pytest.mark.parametrize("audio", [np.zeros(4, np.float32), np.zeros((2, 2), np.int16)])
def test_only_frames_of_one_track_are_audio(store: ClipStore, audio: np.ndarray) -> None:
    with pytest.raises(TypeError, match="it must be int16 with one"):
        store.open_clip(OPENING).write(audio)


def test_tags_tell_the_transmission(store: ClipStore) -> None:
    facts = replace(
        OPENING,
        channel="Höhe = 3; größer",
        end_utc=START + timedelta(seconds=2),
        snr_db=Measured(12.345, 0.25),
        power_dbfs=-41.5,
        frequency_error_hz=Measured(-311.0),
        peak_deviation_hz=Measured(2512.0, 40.0),
        tone=ToneReading(100.0, Measured(100.03, 0.04), probability=0.9991),
        flags=("calling", "sustained"),
    )
    clip = store.open_clip(facts)
    clip.write(noise(1000))
    path = store.folder / finish(clip, facts).path
    tags = vorbis_comments(path.read_bytes())
    told = {name: values[0] for name, values in tags.items() if len(values) == 1}
    assert tags["flag"] == ["calling", "sustained"]
    assert (
        told.items()
        >= {
            "title": "Höhe = 3; größer, 146.520 MHz, 2031-05-04T03:02:01.250Z",
            "date": "2031-05-04T03:02:01.250Z",
            "start_utc": "2031-05-04T03:02:01.250Z",
            "end_utc": "2031-05-04T03:02:03.250Z",
            "clip_start_utc": "2031-05-04T03:02:00.750Z",
            "channel": "Höhe = 3; größer",
            "frequency_hz": "146520000",
            "mode": "nfm",
            "ended_by": "stopped",
            "snr_db": "12.345",
            "snr_db_sigma": "0.25",
            "power_dbfs": "-41.5",
            "frequency_error_hz": "-311",
            "peak_deviation_hz": "2512",
            "ctcss": "100.0 Hz",
            "ctcss_hz": "100",
            "ctcss_estimate_hz": "100.03",
            "ctcss_probability": "0.9991",
            "program": "midwatch 9.8.7",
        }.items()
    )
    assert not {"rms_deviation_hz", "frequency_error_hz_sigma"} & tags.keys()  # unknown has no tag
    with soundfile.SoundFile(path) as file:
        assert (file.title, file.date) == (told["title"], told["date"])


def test_no_listed_tone_is_told_and_no_reading_is_not(store: ClipStore) -> None:
    for tone, expected in ((ToneReading(None), ["none"]), (None, None)):
        clip = store.open_clip(OPENING)
        clip.write(noise(10))
        path = finish(clip, replace(OPENING, tone=tone)).path
        assert vorbis_comments((store.folder / path).read_bytes()).get("ctcss") == expected


def test_clips_of_one_instant_keep_apart(store: ClipStore) -> None:
    clips = [store.open_clip(OPENING) for _ in range(3)]
    for seed, clip in enumerate(clips):
        clip.write(noise(50, seed))
    paths = [finish(clip).path for clip in clips]
    assert [path.name.partition("calling")[2] for path in paths] == [".flac", "_2.flac", "_3.flac"]
    for seed, path in enumerate(paths):
        np.testing.assert_array_equal(soundfile.read(store.folder / path, dtype="int16")[0], noise(50, seed))


def test_a_folder_has_one_watch(store: ClipStore) -> None:
    with pytest.raises(StorageError) as caught:
        ClipStore(store.folder)
    assert str(caught.value) == (
        f"{store.folder}: another watch is writing here; end that one, or give another folder"
    )
    store.close()
    store.close()
    ClipStore(store.folder).close()


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").touch()
    for folder in (tmp_path / "notes.txt", tmp_path / "notes.txt" / "watch"):
        with pytest.raises(StorageError) as caught:
            ClipStore(folder)
        assert str(caught.value) == (
            f"{folder}: is no folder; give a folder for the clips, or a name that is free"
        )


def test_finishing_five_minutes_takes_little_memory(store: ClipStore) -> None:
    clip = store.open_clip(OPENING)
    for seed in range(300):
        clip.write(noise(16_000, seed))
    tracemalloc.start()
    try:
        finish(clip)
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak_bytes < 40_000_000
