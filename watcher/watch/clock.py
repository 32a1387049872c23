"""The two clocks a watch reads, and how it waits: handed in, so that a test can stand a year in a second."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Wall and monotonic time."""

    def utc(self) -> datetime:
        """Now, aware, in UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds that never step."""
        ...

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until the event is set or the time is over; whether it is set."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def utc(self) -> datetime:
        """Now, aware, in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds that never step."""
        return time.monotonic()

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until the event is set or the time is over; whether it is set."""
        return event.wait(max(0.0, seconds))
