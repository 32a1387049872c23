"""The two clocks a live radio reads: one to time waits and losses, one to anchor a stream in UTC."""

from __future__ import annotations

import time
from datetime import UTC, datetime

# Seconds that also pass while the computer is suspended: samples not received then are lost, too.
_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def running_s() -> float:
    """Seconds on a clock that never steps; for differences only."""
    return time.clock_gettime(_CLOCK)


def utc_now() -> datetime:
    """The system clock, aware, in UTC."""
    return datetime.now(UTC)
