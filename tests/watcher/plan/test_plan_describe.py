"""The rows of `midwatch check`."""

from __future__ import annotations

from watcher.plan import Channel, Radio, Station, TonePair, WatchPlan, Window
from watcher.plan.describe import COLUMNS, describe


def test_a_plan_is_told_as_it_was_understood() -> None:
    plan = WatchPlan(
        station=Station(name="Ridge base", time_zone="America/Boise", longest_clip_minutes=2.5),
        radios=(Radio(kind="rtlsdr", sample_rate_hz=2_400_000, ppm=1.5), Radio()),
        windows=(
            Window(every_hours=3, length_minutes=5, lead_minutes=1),
            Window(every_hours=1, length_minutes=2.5),
        ),
        channels=(
            Channel(
                name="2 m calling",
                frequency_hz=146_520_000,
                mode="nfm",
                bandwidth_hz=12_500,
                expect_tone_hz=100.0,
                priority=1,
                require_tone=True,
                calling=True,
            ),
            Channel(
                name="weather",
                frequency_hz=162_550_000,
                mode="fm",
                bandwidth_hz=25_000,
                keep="alerts",
            ),
            Channel(
                name="family", frequency_hz=462_562_500, mode="nfm", bandwidth_hz=12_500, expect_code="023N"
            ),
            Channel(
                name="guard", frequency_hz=121_500_000, mode="am", bandwidth_hz=8_330, raise_threshold_db=2.5
            ),
        ),
        tone_pairs=(TonePair(name="Valley fire", first_hz=853.2, second_hz=1185),),
        warnings=("something is odd",),
    )
    told = describe(plan)
    assert told.facts == (
        ("station", "Ridge base"),
        ("time zone", "America/Boise"),
        ("longest clip", "2.5 minutes"),
        ("channel IQ kept", "none"),
        ("radio", "rtlsdr, 2400000 samples/s, 1.5 ppm"),
        ("radio", "–, 0 ppm"),
        ("window", "every 3 hours for 5 minutes, opening 1 minutes before"),
        ("window", "every hour for 2.5 minutes"),
        ("two-tone page", "Valley fire: 853.2 then 1185 Hz"),
    )
    assert told.rows == (
        (
            *("2 m calling", "146.520", "nfm", "12.5", "11", "2.5", "tone 100.0 Hz", "1", "0"),
            "calling channel; only what carries tone 100.0 Hz",
        ),
        ("weather", "162.550", "fm", "25", "16", "5", "–", "5", "0", "only alerts make clips"),
        ("family", "462.5625", "nfm", "12.5", "11", "2.5", "code 023N", "5", "0", "–"),
        ("guard", "121.500", "am", "8.33", "6.5", "–", "–", "5", "2.5", "–"),
    )
    assert told.columns == COLUMNS
    assert {len(row) for row in told.rows} == {len(COLUMNS)}
    assert told.warnings == plan.warnings
