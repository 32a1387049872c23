"""The rows of `midwatch check`."""

from __future__ import annotations

from watcher.plan import Channel, Radio, Station, TonePair, WatchPlan, Window
from watcher.plan.describe import COLUMNS, describe
from watcher.plan.duties import Alert, KeepRules, LiveAudio


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
        ("clips kept", "1 GB of the disk left free"),
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


def test_alerts_limits_and_live_audio_are_told_without_a_secret() -> None:
    channel = Channel(name="a", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500)
    plan = WatchPlan(
        channels=(channel,),
        station=Station(health_port=9750),
        alerts=(
            Alert(to="json://secret-word/place", quiet_hours="22:00-07:00"),
            Alert(command=("/opt/ring/bell", "-l"), flags=("same",), calling=False, most_per_hour=1),
        ),
        keep=KeepRules(days=30, flagged_days=365, most_gb=8),
        listen=LiveAudio(),
    )
    told = dict(describe(plan).facts)
    assert told["health figures"] == "port 9750, this computer"
    assert told["clips kept"] == (
        "1 GB of the disk left free, at most 8 GB, each for 30 days, flagged ones for 365 days"
    )
    assert told["live audio"] == "the system's own device"
    assert [text for label, text in describe(plan).facts if label == "alert"] == [
        "json: long-tone, beacon, same from severity 3, calling channels, at most 6 an hour, "
        "quiet 22:00-07:00",
        "command bell: same from severity 3, at most 1 an hour",
    ]
