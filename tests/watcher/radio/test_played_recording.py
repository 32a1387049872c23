"""A recording that stands in as a radio; the clock is the test's own."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from dsp.blocks import IqBlock
from watcher.errors import RadioError
from watcher.radio.facts import RawFacts
from watcher.radio.live import LiveRadio, LiveStream, RadioLost
from watcher.radio.played_recording import PlayedRecording
from watcher.radio.ring_stream import RING_S
from watcher.radio.span_cut import SpanCut

RATE_HZ = 240_000
CENTRE_HZ = 146_500_000
NOW_UTC = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)
BLOCK = 32_768  # the first power of two that lasts 0.1 s


class Clock:
    """Time that passes when somebody sleeps."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def utc(self) -> datetime:
        return NOW_UTC + timedelta(seconds=self.now_s - 1000.0)


@pytest.fixture
def clock() -> Clock:
    return Clock()


def ramp(samples: int) -> NDArray[np.complex64]:
    """Each sample is its own count."""
    return (np.arange(samples) / 2**20).astype(np.complex64)


def written(folder: Path, samples: NDArray[np.complex64]) -> Path:
    path = folder / "air.cf32"
    samples.tofile(path)
    return path


def played(path: Path, clock: Clock, **more: object) -> PlayedRecording:
    return PlayedRecording(
        path,
        facts=RawFacts(sample_rate_hz=RATE_HZ, centre_hz=CENTRE_HZ),
        clock=clock,
        sleep=clock.sleep,
        now=clock.utc,
        **more,  # type: ignore[arg-type]
    )


def read(stream: LiveStream, count: int) -> list[IqBlock]:
    blocks: list[IqBlock] = []
    while len(blocks) < count:
        if (block := stream.read(0.05)) is not None:
            blocks.append(block)
    return blocks


def counts(block: IqBlock) -> NDArray[np.int64]:
    return np.rint(block.samples.real * 2**20).astype(np.int64)


def test_blocks_pass_through_when_they_are_due(tmp_path: Path, clock: Clock) -> None:
    radio: LiveRadio = played(written(tmp_path, ramp(5 * BLOCK)), clock)
    radio.open()
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    for number in range(1, 5):
        (block,) = read(stream, 1)
        assert np.array_equal(counts(block), block.first_sample + np.arange(BLOCK))
        assert (block.lost_before, block.sample_rate_hz, block.centre_hz) == (0, RATE_HZ, CENTRE_HZ)
        assert clock.now_s - 1000 == pytest.approx(number * BLOCK / RATE_HZ)
    assert (stream.facts.anchor_utc, stream.facts.sample_rate_hz) == (NOW_UTC, RATE_HZ)
    stream.stop()
    assert stream.read(1) is None
    radio.close()
    radio.close()
    assert radio.label == "recording air.cf32"


def test_a_read_waits_no_longer_than_asked(tmp_path: Path, clock: Clock) -> None:
    radio = played(written(tmp_path, ramp(2 * BLOCK)), clock)
    radio.open()
    assert radio.tune(CENTRE_HZ).read(0.01) is None
    assert clock.now_s == pytest.approx(1000.01)


def test_speed_shortens_the_waits(tmp_path: Path, clock: Clock) -> None:
    radio = played(written(tmp_path, ramp(4 * BLOCK)), clock, speed=10)
    radio.open()
    read(radio.tune(CENTRE_HZ), 4)
    assert clock.now_s - 1000 == pytest.approx(0.4 * BLOCK / RATE_HZ)


def test_the_end_is_a_lost_radio_and_stays_one(tmp_path: Path, clock: Clock) -> None:
    radio = played(written(tmp_path, ramp(BLOCK)), clock)
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    read(stream, 1)
    with pytest.raises(RadioLost, match=r"recording air.cf32 has come to its end; loop = true plays it over"):
        stream.read(1)
    radio.close()
    clock.sleep(0.1)
    radio.open()
    with pytest.raises(RadioLost, match="has come to its end"):
        radio.tune(CENTRE_HZ).read(1)


def test_over_and_over_with_one_sample_lost_at_the_seam(tmp_path: Path, clock: Clock) -> None:
    radio = played(written(tmp_path, ramp(BLOCK)), clock, loop=True)
    radio.open()
    blocks = read(radio.tune(CENTRE_HZ), 3)
    assert [(block.first_sample, block.lost_before) for block in blocks] == [
        (0, 0),
        (BLOCK + 1, 1),
        (2 * BLOCK + 2, 1),
    ]
    assert all(counts(block)[0] == 0 for block in blocks)


@pytest.mark.parametrize("away_s", [0.3, 1.0, 123.456])
def test_the_air_goes_on_while_nobody_listens(tmp_path: Path, clock: Clock, away_s: float) -> None:
    """A second stream shows what is on the air then, counted from zero."""
    samples = 6 * BLOCK
    radio = played(written(tmp_path, ramp(samples)), clock, loop=True)
    radio.open()
    read(radio.tune(CENTRE_HZ), 1)
    radio.close()
    clock.sleep(away_s)
    radio.open()
    (block,) = read(radio.tune(CENTRE_HZ), 1)
    on_the_air = int((BLOCK / RATE_HZ + away_s) * RATE_HZ + 1e-6) % (samples + 1)
    assert block.first_sample == 0 and abs(counts(block)[0] - on_the_air) <= 1


def test_who_reads_too_slowly_loses_samples(tmp_path: Path, clock: Clock) -> None:
    radio = played(written(tmp_path, ramp(60 * BLOCK)), clock)
    radio.open()
    stream = radio.tune(CENTRE_HZ)
    read(stream, 1)
    clock.sleep(RING_S + 1.0)
    (block,) = read(stream, 1)
    assert block.lost_before == block.first_sample - BLOCK > 0
    assert counts(block)[0] == block.first_sample
    assert abs(block.lost_before / RATE_HZ - 1.0) < 2 * BLOCK / RATE_HZ
    radio.close()
    (note,) = [note for note in radio.notes() if "passed while nobody" in note]
    assert note == f"recording air.cf32: {block.lost_before} samples passed while nobody took them"


def test_lost_samples_of_the_recording_stay_lost(tmp_path: Path, clock: Clock) -> None:
    samples = ramp(3 * BLOCK)
    samples[BLOCK + 100 : BLOCK + 300] = np.nan
    radio = played(written(tmp_path, samples), clock)
    radio.open()
    blocks = read(radio.tune(CENTRE_HZ), 4)
    assert [(block.first_sample, block.lost_before) for block in blocks][1:3] == [
        (BLOCK, 0),
        (BLOCK + 300, 200),
    ]


@pytest.mark.parametrize("offset_hz", [0, 50_000, -60_000])
def test_a_narrower_span_is_cut_out_and_stays_in_time(tmp_path: Path, clock: Clock, offset_hz: int) -> None:
    """A tone 9 kHz above the new centre, its phase from the count of samples; the rest is 80 dB down."""
    t = np.arange(4 * BLOCK) / RATE_HZ
    wanted = 0.25 * np.exp(2j * np.pi * (offset_hz + 9_000) * t)
    other = 0.25 * np.exp(2j * np.pi * (offset_hz - 75_000) * t)
    radio = played(written(tmp_path, (wanted + other).astype(np.complex64)), clock, sample_rate_hz=80_000)
    radio.open()
    stream = radio.tune(CENTRE_HZ + offset_hz)
    blocks = read(stream, 3)
    assert {(block.sample_rate_hz, block.centre_hz) for block in blocks} == {(80_000, CENTRE_HZ + offset_hz)}
    stop = 0
    for block in blocks:
        assert (block.first_sample, block.lost_before) == (stop, 0)
        stop = block.stop_sample
    samples = np.concatenate([block.samples for block in blocks])
    expected = 0.25 * np.exp(2j * np.pi * 9_000 * np.arange(len(samples)) / 80_000)
    settled = slice(60, None)  # the filter begins with silence
    assert np.abs(samples - expected)[settled].max() < 0.25 * 10 ** (-70 / 20)


def test_a_cut_after_lost_samples_begins_anew_in_time(tmp_path: Path, clock: Clock) -> None:
    t = np.arange(4 * BLOCK) / RATE_HZ
    samples = (0.25 * np.exp(2j * np.pi * 9_000 * t)).astype(np.complex64)
    samples[BLOCK + 100 : BLOCK + 301] = np.nan
    radio = played(written(tmp_path, samples), clock, sample_rate_hz=80_000)
    radio.open()
    blocks = read(radio.tune(CENTRE_HZ), 4)
    after = next(block for block in blocks if block.lost_before)
    assert after.first_sample == -(-(BLOCK + 301) // 3)
    expected = 0.25 * np.exp(
        2j * np.pi * 9_000 * (after.first_sample + np.arange(len(after.samples))) / 80_000
    )
    assert np.abs(after.samples - expected)[60:].max() < 1e-4


def test_any_split_of_a_cut_gives_the_same(rng: np.random.Generator) -> None:
    samples = rng.normal(size=(5_000, 2)).astype(np.float32).view(np.complex64)[:, 0]
    whole = SpanCut(RATE_HZ, 12_345, 4).push(samples, 0)
    for lengths in ([1] * 5_000, [7, 4_000, 993], [5_000]):
        cut = SpanCut(RATE_HZ, 12_345, 4)
        pieces, first = [], 0
        for length in lengths:
            pieces.append(cut.push(samples[first : first + length], first))
            first += length
        assert np.allclose(np.concatenate(pieces), whole, atol=1e-6)


def test_a_cut_of_one_is_refused() -> None:
    with pytest.raises(ValueError, match="step is 1; it must be at least 2"):
        SpanCut(RATE_HZ, 0, 1)


@pytest.mark.parametrize(
    ("rate_hz", "centre_hz"), [(None, CENTRE_HZ + 1), (80_000, CENTRE_HZ + 80_001), (80_000, 462_600_000)]
)
def test_a_span_that_is_not_inside_is_refused(
    tmp_path: Path, clock: Clock, rate_hz: int | None, centre_hz: int
) -> None:
    radio = played(written(tmp_path, ramp(BLOCK)), clock, sample_rate_hz=rate_hz)
    radio.open()
    with pytest.raises(RadioError, match="are not inside it; it has 240000 samples/s around 146") as told:
        radio.tune(centre_hz)
    assert not isinstance(told.value, RadioLost)


def test_a_rate_that_is_no_whole_part_is_refused(tmp_path: Path, clock: Clock) -> None:
    radio = played(written(tmp_path, ramp(BLOCK)), clock, sample_rate_hz=100_000)
    with pytest.raises(
        RadioError, match=r"sample_rate_hz is 100000; air.cf32 has 240000, and it must be that or"
    ):
        radio.open()


def test_what_is_no_recording_is_told_as_such(tmp_path: Path, clock: Clock) -> None:
    with pytest.raises(RadioError, match="there is no such file"):
        played(tmp_path / "none.cf32", clock).open()
    with pytest.raises(RadioLost, match="is not open; open it again"):
        played(tmp_path / "none.cf32", clock).tune(CENTRE_HZ)
    with pytest.raises(ValueError, match="speed is 0; it must be above 0"):
        played(tmp_path / "none.cf32", clock, speed=0)


def meta(captures: list[dict[str, object]]) -> str:
    """SigMF metadata of a recording with these captures."""
    said = {"core:datatype": "cf32_le", "core:version": "1.2.0", "core:sample_rate": RATE_HZ}
    return json.dumps({"global": said, "captures": captures, "annotations": []})


def test_the_time_between_stretches_is_lost_and_others_are_not_played(tmp_path: Path, clock: Clock) -> None:
    """Two stretches 0.5 s apart by their own times, and one on another centre between them."""
    ramp(3 * BLOCK).tofile(tmp_path / "air.sigmf-data")
    lasts_s = BLOCK / RATE_HZ
    captures: list[dict[str, object]] = [
        {
            "core:sample_start": number * BLOCK,
            "core:frequency": centre_hz,
            "core:datetime": (NOW_UTC + timedelta(seconds=begins_s)).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        }
        for number, (centre_hz, begins_s) in enumerate(
            [(CENTRE_HZ, 0.0), (462_600_000, 0.2), (CENTRE_HZ, lasts_s + 0.5)]
        )
    ]
    (tmp_path / "air.sigmf-meta").write_text(meta(captures))
    radio = PlayedRecording(tmp_path / "air.sigmf-meta", clock=clock, sleep=clock.sleep, now=clock.utc)
    radio.open()
    first, second = read(radio.tune(CENTRE_HZ), 2)
    assert (first.first_sample, counts(first)[0]) == (0, 0)
    assert abs(second.lost_before - 0.5 * RATE_HZ) <= 1
    assert (second.first_sample, counts(second)[0]) == (BLOCK + second.lost_before, 2 * BLOCK)
    assert radio.notes() == [
        "recording air.sigmf-meta: stretches with another rate or centre than the first are not played: "
        "1 of 3"
    ]
    radio.close()
