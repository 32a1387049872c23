"""What a channel suffers from, from the first sight to the record."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from dsp.detector import ImageHeard, TurnedSteady
from watcher.receive.conditions import ConditionBook
from watcher.receive.records import ConditionKind
from watcher.receive.stream_clock import StreamClock

ANCHOR = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)
CLOCK = StreamClock(ANCHOR, 48_000, run_first=0, hop_samples=600)  # frames of 12.5 ms
FRAME_S = 0.0125


def book() -> ConditionBook:
    return ConditionBook(["zero", "one", "two"], [0.0, 12_500.0, -150.0])


def at(frame: int) -> datetime:
    return ANCHOR + timedelta(seconds=FRAME_S * frame)


def test_steady_carrier_lasts_from_its_first_frame_until_it_goes() -> None:
    notes = book()
    notes.carrier(TurnedSteady(1, 240, 410.0, 1e-3, was_there_before=True), 0, floor=1e-4)
    assert notes.carrier_since(1) == 0
    assert notes.carrier_since(0) is None
    record = notes.carrier_gone(1, 800, CLOCK)
    assert record is not None
    assert (record.channel, record.kind) == ("one", ConditionKind.STEADY_CARRIER)
    assert (record.start_utc, record.stop_utc) == (at(0), at(800))
    assert record.offset_hz == 410.0
    assert record.snr_db == pytest.approx(10.0)  # ten times the floor
    assert "+410 Hz from the channel's centre" in record.evidence
    assert notes.carrier_gone(1, 900, CLOCK) is None
    assert notes.finish(1000, CLOCK) == []


@pytest.mark.parametrize(
    ("channel", "offset_hz", "kind"),
    [
        (0, 3.0, ConditionKind.ZERO_FREQUENCY_SPIKE),
        (0, 1200.0, ConditionKind.STEADY_CARRIER),
        (2, 150.0, ConditionKind.ZERO_FREQUENCY_SPIKE),  # a channel at -150 Hz: the spike stands beside it
        (1, -12_500.0, ConditionKind.ZERO_FREQUENCY_SPIKE),
        (1, 0.0, ConditionKind.STEADY_CARRIER),
    ],
)
def test_carrier_at_the_radios_own_centre_is_its_spike(
    channel: int, offset_hz: float, kind: ConditionKind
) -> None:
    notes = book()
    notes.idle_carrier(channel, 5, 90, offset_hz, None)
    (record,) = notes.finish(100, CLOCK)
    assert record.kind == kind
    assert record.snr_db is None
    assert ("radio's own centre" in record.evidence) == (kind == ConditionKind.ZERO_FREQUENCY_SPIKE)


def test_what_still_runs_ends_with_the_samples() -> None:
    notes = book()
    notes.carrier(TurnedSteady(1, 240, 0.0, 1e-3, was_there_before=True), 7, floor=1e-4)
    notes.image(ImageHeard(2, 300, 37.0), 16)
    carrier, image = notes.finish(400, CLOCK)
    assert (carrier.start_utc, carrier.stop_utc) == (at(7), at(400))
    assert (image.start_utc, image.stop_utc) == (at(300), at(316))
    assert notes.finish(500, CLOCK) == []


def test_image_seen_again_and_again_is_one_condition() -> None:
    notes = book()
    for frame in range(100, 400, 16):
        notes.image(ImageHeard(0, frame, 30.0 + frame / 100), 16)
        assert notes.over(frame + 16, FRAME_S, CLOCK) == []
    (record,) = notes.finish(1000, CLOCK)
    assert record.kind == ConditionKind.IMAGE
    assert record.start_utc == at(100)
    assert record.stop_utc == at(388 + 16)
    assert record.offset_hz is record.snr_db is None
    assert "31 dB under it" in record.evidence


def test_image_not_seen_for_five_seconds_is_over() -> None:
    notes = book()
    notes.image(ImageHeard(0, 100, 37.0), 16)
    assert notes.over(116 + 400, FRAME_S, CLOCK) == []  # 5 s to the frame
    (record,) = notes.over(116 + 401, FRAME_S, CLOCK)
    assert record.stop_utc == at(116)
    assert notes.over(2000, FRAME_S, CLOCK) == []


def test_image_does_not_outlast_the_samples() -> None:
    notes = book()
    notes.image(ImageHeard(0, 100, 37.0), 16)
    (record,) = notes.finish(105, CLOCK)
    assert record.stop_utc == at(105)


def test_carrier_without_a_floor_is_told_all_the_same() -> None:
    notes = book()
    notes.carrier(TurnedSteady(1, 240, 0.0, 1e-3, was_there_before=False), 0, floor=0.0)
    (record,) = notes.finish(300, CLOCK)
    assert record.snr_db is not None
    assert record.snr_db > 100
