"""A log of a hundred thousand transmissions, made in seconds: what a month in a busy valley leaves behind."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import Change, Verdict, change_marks
from watcher.plan.model import Channel
from watcher.receive.records import (
    LONG_TONE,
    EndedBy,
    Finding,
    Gap,
    GapCause,
    Kind,
    KindReading,
    Measured,
    Sign,
    ToneReading,
    Transmission,
    Watched,
)

BEGAN_UTC = datetime(2031, 5, 4, 12, tzinfo=UTC)
NAMES = ("2 m calling", "Harrow repeater", "Family 1", "Family 20", "Marine 16", "Weather east")
SPAN = timedelta(days=30)
FLAGGED_EVERY, MARKED_EVERY = 97, 50
_ZERO = Finding(Sign.LONG_TONE, 1.0, 5.2, "0", "the touch-tone zero, held 4.2 s", 0.99)


def make_long_log(folder: Path, count: int = 100_000, seed: int = 1) -> None:
    """Write the log of a watch of thirty days on six channels into an empty folder; no clips.

    Every 97th transmission is flagged and every 50th has a mark and a note; each channel has a gap of twenty
    minutes in every six hours.
    """
    rng = np.random.default_rng(seed)
    channels = tuple(
        Channel(
            name=name,
            frequency_hz=146_000_000 + 20_000 * number,
            mode="nfm",
            bandwidth_hz=12_500,
            calling=number == 0,
            expect_tone_hz=100.0 if number == 1 else None,
        )
        for number, name in enumerate(NAMES)
    )
    facts = WatchFacts(
        BEGAN_UTC, "made", "", "", "0", channels=channels, station="Harrow Ridge", time_zone="America/Boise"
    )
    starts_s = np.sort(rng.uniform(0, SPAN.total_seconds() - 600, count))
    lengths_s = rng.exponential(4.0, count) + 0.5
    places = rng.integers(len(channels), size=count)
    snrs_db = rng.normal(18.0, 8.0, count)
    with WatchLog.open(folder, create=True) as log, log.unit():
        watch_id = log.begin_watch(facts)
        for number in range(count):
            heard = _heard(
                channels[places[number]], number, starts_s[number], lengths_s[number], snrs_db[number]
            )
            log.add_transmission(watch_id, heard, None)
        for channel in channels:
            for quarter in range(0, 120):
                start = BEGAN_UTC + timedelta(hours=6 * quarter)
                broken, stop = start + timedelta(minutes=340), start + timedelta(hours=6)
                log.add_watched(watch_id, Watched(channel.name, start, broken))
                log.add_gap(watch_id, Gap(channel.name, broken, stop, GapCause.LOST_SAMPLES))
    with WatchLog.open(folder, create=False) as log:
        verdicts = tuple(Verdict)
        changes = [
            Change(entry_id, 0, True, verdicts[entry_id // MARKED_EVERY % 4], f"by the bridge, {entry_id}")
            for entry_id in range(MARKED_EVERY, count + 1, MARKED_EVERY)
        ]
        change_marks(log, changes, BEGAN_UTC + SPAN)


def _heard(channel: Channel, number: int, start_s: float, seconds: float, snr_db: float) -> Transmission:
    start = BEGAN_UTC + timedelta(seconds=float(start_s))
    stop = start + timedelta(seconds=float(seconds))
    toned = number % 2 == 1
    flagged = number % FLAGGED_EVERY == FLAGGED_EVERY - 1
    return Transmission(
        channel=channel.name,
        frequency_hz=channel.frequency_hz,
        mode=channel.mode,
        start_sample=0,
        stop_sample=1,
        start_utc=start,
        end_utc=stop,
        clip_start_utc=start - timedelta(seconds=1),
        clip_end_utc=stop + timedelta(seconds=0.3),
        ended_by=EndedBy.CARRIER_DROP,
        snr_db=Measured(float(snr_db), 0.4),
        frequency_error_hz=Measured(120.0, 9.0),
        peak_deviation_hz=Measured(2300.0, 40.0),
        power_dbfs=-41.2,
        tone=ToneReading(
            100.0 if toned else None,
            Measured(100.02, 0.03) if toned else None,
            Measured(340.0, 12.0) if toned else None,
            0.999,
        ),
        flags=(LONG_TONE,) if flagged else (),
        findings=(_ZERO,) if flagged else (),
        kind=KindReading(Kind.VOICE, 0.97, float(seconds) * 0.7),
    )
