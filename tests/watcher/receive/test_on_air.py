"""One transmission while it is up: what its clip gets, what is said of it, what is left of nobody's."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import cast

import numpy as np
import pytest
import soundfile

from dsp.frame_measures import measure_frames
from dsp.modulate import Fm, Unmodulated, complex_noise, transmit
from tests.on_the_air import MemoryClips, listed, spoken
from watcher.receive.clips import ClipStore
from watcher.receive.gathering import FrameRun
from watcher.receive.measuring import Place
from watcher.receive.on_air import WRITE_FRAMES, OnAir, well_to_hear
from watcher.receive.records import Clip, EndedBy, Transmission
from watcher.receive.stream_clock import StreamClock
from watcher.receive.voice_path import VoicePath

RATE_HZ = 16_000
FRAME = 200
RATIO = Fraction(1, 3)
CLOCK = StreamClock(datetime(2031, 5, 4, 3, 0, tzinfo=UTC), 48_000, run_first=96_000, hop_samples=600)
CHANNEL = listed(0)
PLACE = Place(0, 0, 0, FRAME, RATIO, float(RATE_HZ), float(RATE_HZ), 0.0, 0.001)
NOISE = 0.01


def on_air(clips: MemoryClips | None = None, *, start: int = 8000, clip_start: int = 0) -> OnAir:
    path = VoicePath(Fraction(RATE_HZ), 1, is_am=False)
    path.start(0, np.complex64(0))
    return OnAir(
        CHANNEL,
        PLACE,
        start=start,
        clip_start=clip_start,
        on_at_start=False,
        path=path,
        clips=cast("ClipStore | None", clips),
        clock=CLOCK,
    )


def channel_samples(seconds: float = 3.0, cnr_db: float = 20.0) -> np.ndarray:
    """Half a second of noise, a voice, a second of noise; the noise is white over the channel's rate."""
    count = round((seconds + 1.5) * RATE_HZ)
    samples = complex_noise(count, power=NOISE, rng=np.random.default_rng(1))
    sent = transmit(Fm(audio=spoken(), drive=4.0), sample_rate_hz=RATE_HZ, seconds=seconds)
    samples[8000 : 8000 + len(sent)] += np.float32(np.sqrt(NOISE) * 10 ** (cnr_db / 20)) * sent
    return samples


def feed(one: OnAir, samples: np.ndarray, first: int = 0) -> None:
    """What the chain does with every slice: samples, low band, audio, frame measures."""
    for at in range(0, len(samples), 16 * FRAME):
        piece = np.ascontiguousarray(samples[at : at + 16 * FRAME])[None]
        batch = one._path.push(piece, np.array([0], dtype=np.intp), first + at)
        one.gathering.take_samples(piece[0])
        assert batch.low_band is not None
        one.gathering.take_low_band(batch.low_band[0])
        one.take_audio(batch.audio[0])
        made = measure_frames(piece, FRAME)
        floor = np.full(made.power.shape, NOISE, np.float32)
        one.gathering.take_frames(FrameRun((first + at) // FRAME, made.power, floor, made.lag_one))


def test_times_follow_from_sample_counts() -> None:
    one = on_air()
    feed(one, channel_samples())
    done = one.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK)
    assert isinstance(done, Transmission)
    began = CLOCK.utc(96_000)
    assert done.start_utc == began + timedelta(seconds=0.5)
    assert done.end_utc == began + timedelta(seconds=3.5)
    assert done.clip_start_utc == began
    assert done.clip_end_utc == began + timedelta(seconds=3.6)
    assert (done.start_sample, done.stop_sample) == (96_000 + 24_000, 96_000 + 168_000)
    assert done.seconds == 3.0
    assert done.piece == 1


def test_measures_are_those_between_the_edges() -> None:
    one = on_air()
    feed(one, channel_samples(cnr_db=20.0))
    done = one.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK)
    assert isinstance(done, Transmission)
    assert done.snr_db is not None
    expected_db = 20.0 + 10 * np.log10(RATE_HZ / CHANNEL.pass_band_hz)  # stated in the pass band
    assert done.snr_db.value == pytest.approx(expected_db, abs=0.2)
    assert done.power_dbfs == pytest.approx(0.04, abs=0.1)
    assert done.frequency_error_hz is not None
    assert done.tone is not None


def test_clip_holds_the_frames_from_its_start_to_its_end() -> None:
    clips = MemoryClips()
    one = on_air(clips)
    feed(one, channel_samples())
    assert isinstance(one.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK), Clip)
    (clip,) = clips.finished
    assert len(clip.kept) == 57_600
    assert clip.carrier_frames == (8000, 56_000)


def test_audio_is_written_in_half_seconds_and_whole_at_the_end() -> None:
    clips = MemoryClips()
    one = on_air(clips)
    written: list[int] = []
    opened = one._clip
    assert opened is not None
    write = opened.write
    opened.write = lambda audio: (written.append(len(audio)), write(audio))[1]  # type: ignore[method-assign, func-returns-value]
    feed(one, channel_samples())
    assert written
    assert min(written) >= WRITE_FRAMES
    one.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK)
    assert sum(written) >= 57_600


def test_discarded_leaves_nothing() -> None:
    clips = MemoryClips()
    one = on_air(clips)
    feed(one, channel_samples())
    one.discard()
    assert len(clips.discarded) == 1
    assert not clips.finished
    on_air(None).discard()  # without a store there is nothing to discard


def test_split_goes_on_where_the_piece_ends() -> None:
    clips = MemoryClips()
    one = on_air(clips)
    samples = channel_samples()
    feed(one, samples[:32_000])
    finished, following = one.split(32_000, CLOCK)
    feed(following, samples[32_000:], first=32_000)
    last = following.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK)
    assert isinstance(finished, Clip)
    assert isinstance(last, Clip)
    before, after = finished.transmission, last.transmission
    assert (before.piece, after.piece) == (1, 2)
    assert before.ended_by == EndedBy.SPLIT
    assert before.end_utc == before.clip_end_utc == after.start_utc == after.clip_start_utc
    whole = MemoryClips()
    unsplit = on_air(whole)
    feed(unsplit, samples)
    unsplit.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK)
    joined = np.concatenate([clip.kept for clip in clips.finished])
    np.testing.assert_array_equal(joined, whole.finished[0].kept)


def test_transmission_of_a_sample_is_drawn_up_all_the_same() -> None:
    clips = MemoryClips()
    one = on_air(clips, start=8000)
    feed(one, channel_samples()[:12_000])
    done = one.finish(8001, 8001, EndedBy.GAP, CLOCK)
    record = done.transmission if isinstance(done, Clip) else done
    assert record.start_utc < record.end_utc
    assert record.ended_by == EndedBy.GAP


def test_nothing_pushed_leaves_no_clip() -> None:
    """Cut off before the first audio came out: the times are kept, an empty file is not."""
    clips = MemoryClips()
    one = on_air(clips, start=0)
    done = one.finish(1, 1, EndedBy.GAP, CLOCK)
    assert isinstance(done, Transmission)
    assert done.snr_db is None
    assert done.power_dbfs is None
    assert len(clips.discarded) == 1


def test_noise_alone_has_no_ratio_rather_than_a_made_up_one() -> None:
    one = on_air()
    feed(one, complex_noise(48_000, power=0.5 * NOISE, rng=np.random.default_rng(3)))
    done = one.finish(40_000, 41_000, EndedBy.CARRIER_DROP, CLOCK)
    assert isinstance(done, Transmission)
    assert done.snr_db is None


def test_real_store_gets_a_file_as_long_as_the_clips_times(tmp_path: Path) -> None:
    with ClipStore(tmp_path) as store:
        path = VoicePath(Fraction(RATE_HZ), 1, is_am=False)
        path.start(0, np.complex64(0))
        one = OnAir(
            CHANNEL,
            PLACE,
            start=8000,
            clip_start=0,
            on_at_start=False,
            path=path,
            clips=store,
            clock=CLOCK,
        )
        feed(one, channel_samples())
        done = one.finish(56_000, 57_600, EndedBy.CARRIER_DROP, CLOCK)
        assert isinstance(done, Clip)
        audio, rate_hz = soundfile.read(tmp_path / done.path)
        store.release(done)
    span = done.transmission.clip_end_utc - done.transmission.clip_start_utc
    assert len(audio) / rate_hz == pytest.approx(span.total_seconds(), abs=1 / 16_000)


def test_levelling_keeps_the_length_and_never_clips() -> None:
    rng = np.random.default_rng(1)
    loud = np.clip(rng.standard_normal(48_000) * 20_000, -32_767, 32_767).astype(np.int16)
    for up, down in ((8000, 40_000), (0, 48_000), (47_999, 48_000)):
        levelled = well_to_hear(loud.copy(), up, down)
        assert levelled.shape == loud.shape
        assert levelled.dtype == np.int16
        assert np.mean(np.abs(levelled.astype(int)) >= 32_767) < 1e-3


def test_bare_carrier_is_measured_too() -> None:
    one = on_air()
    samples = complex_noise(48_000, power=NOISE, rng=np.random.default_rng(1))
    samples[8000:40_000] += transmit(Unmodulated(), sample_rate_hz=RATE_HZ, seconds=2.0, offset_hz=250.0)
    feed(one, samples)
    done = one.finish(40_000, 41_600, EndedBy.CARRIER_DROP, CLOCK)
    assert isinstance(done, Transmission)
    assert done.frequency_error_hz is not None
    assert done.frequency_error_hz.value == pytest.approx(250.0, abs=2.0)
