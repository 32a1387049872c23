"""The presets against the schedules as they were published.

Sources stand beside the times; all are secondary: the magazine items were read as clubs, counties and
universities cite them. The published examples of the basic schedule stop at 22:00; whether 01:00 and 04:00
count is open.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from watcher.plan.presets import shipped_presets
from watcher.plan.windows import window_spans

BASIC = "07:00 10:00 13:00 16:00 19:00 22:00"  # QST Feb 1994, Apr 1994 p. 109, May 1994 pp. 103-104
EVERY_THIRD_HOUR = "01:00 04:00 07:00 10:00 13:00 16:00 19:00 22:00"  # public text citing QST Feb 1994
EVERY_HOUR = " ".join(f"{hour:02d}:00" for hour in range(24))  # same QST items: every hour, power to spare
FROM_MIDNIGHT = "00:00 03:00 06:00 09:00 12:00 15:00 18:00 21:00"  # common practice, no source


@pytest.mark.parametrize(
    ("preset", "starts", "offset_minutes", "length_minutes"),
    [
        ("three-hourly", BASIC, 0, 5),
        ("hourly", EVERY_HOUR, 0, 5),
        ("three-hourly-wide", BASIC, -5, 10),  # county and club pages (ARES): 5 min before to 5 min after
        ("three-hourly-day-and-night", EVERY_THIRD_HOUR, 0, 5),
        ("three-hourly-from-midnight", FROM_MIDNIGHT, 0, 3),
    ],
)
def test_a_preset_opens_as_published(
    preset: str, starts: str, offset_minutes: int, length_minutes: int
) -> None:
    zone = ZoneInfo("America/Boise")
    noon = datetime(2031, 5, 4, 12, tzinfo=zone)
    window = shipped_presets()[preset].window
    spans = window_spans([window], zone, ((noon - timedelta(days=1)).astimezone(UTC), noon.astimezone(UTC)))
    spans = [each for each in spans if each.start_utc >= (noon - timedelta(days=1)).astimezone(UTC)]
    published = {
        (
            datetime(2031, 5, day, int(start[:2]), int(start[3:]), tzinfo=zone)
            + timedelta(minutes=offset_minutes)
        )
        for start in starts.split()
        for day in (3, 4)
    }
    wanted = sorted(each.astimezone(UTC) for each in published if noon - timedelta(days=1) <= each < noon)
    assert [each.start_utc for each in spans] == wanted
    assert {each.stop_utc - each.start_utc for each in spans} == {timedelta(minutes=length_minutes)}


def test_every_preset_is_checked_here() -> None:
    (marker,) = test_a_preset_opens_as_published.pytestmark  # type: ignore[attr-defined]
    assert {row[0] for row in marker.args[1]} == set(shipped_presets())
