"""A log on disk for the papers made from it: one night, three calls, two of them with clips."""

from __future__ import annotations

import hashlib
from io import BytesIO
from pathlib import Path
from typing import Any

from pypdf import PdfReader

from tests.watcher.report.made_records import START, at, channel, entry
from watcher.log import WatchEnd, WatchEndedBy, WatchFacts, WatchLog
from watcher.receive.records import Clip, Finding, Gap, GapCause, Sign, Watched
from watcher.report.forms.sheet import Sheet

PLAN = """
[station]
name = "Harrow Ridge"
operator = "Edda Vint"
call_sign = "X0QAA"
place = "Corrin lookout"
time_zone = "America/Boise"

[[channel]]
name = "calling"
frequency_mhz = 146.520
mode = "nfm"
bandwidth_khz = 12.5
"""
LONG_TONE = Finding(Sign.LONG_TONE, 1.0, 4.5, "0", "the touch-tone zero, held 3.5 s")


def clip_bytes(number: int) -> bytes:
    """What stands in the clip of one call; nobody here decodes it."""
    return b"clip " * 500 + str(number).encode()


def made_watch(folder: Path, plan_text: str = PLAN, *, channel_name: str = "calling") -> Path:
    """Two hours on one channel, with half an hour lost; calls at 1 min, 20 min and 110 min."""
    with WatchLog.open(folder, create=True) as log:
        watch_id = log.begin_watch(
            WatchFacts(
                started_utc=START,
                source_label="made",
                plan_text=plan_text,
                plan_sha256="",
                program_version="0",
                channels=(channel(channel_name),),
                station="Harrow Ridge",
                time_zone="America/Boise",
            )
        )
        calls: tuple[tuple[float, dict[str, Any]], ...] = (
            (60, {"tone_hz": 100.0, "snr": 12.0}),
            (1200, {"tone_hz": None, "findings": (LONG_TONE,)}),
            (6600, {}),
        )
        for number, (start_s, said) in enumerate(calls, 1):
            heard = entry(channel_name, start_s, 30, **said).transmission
            clip = None
            if number < 3:
                name = Path("2031-05-04") / f"{number}.flac"
                (folder / name).parent.mkdir(exist_ok=True)
                (folder / name).write_bytes(clip_bytes(number))
                clip = Clip(heard, name, hashlib.sha256(clip_bytes(number)).hexdigest(), 16_000)
            log.add_transmission(watch_id, heard, clip)
        log.add_watched(watch_id, Watched(channel_name, START, at(3600)))
        log.add_gap(watch_id, Gap(channel_name, at(3600), at(5400), GapCause.RADIO_LOST))
        log.add_watched(watch_id, Watched(channel_name, at(5400), at(7200)))
        log.end_watch(watch_id, WatchEnd(at(7200), WatchEndedBy.END_OF_SAMPLES))
    return folder


def pages(sheet: Sheet | bytes) -> list[str]:
    """The text of each page, read back by another library."""
    content = sheet if isinstance(sheet, bytes) else bytes(sheet.output())
    return [page.extract_text() for page in PdfReader(BytesIO(content)).pages]
