"""What a recording may leave unsaid and the user can say instead, and the words for what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from watcher.errors import RadioError
from watcher.utc import write_utc

UNKNOWN_START_UTC = datetime(1970, 1, 1, tzinfo=UTC)
"""Assumed start where nobody tells one: too old to be mistaken for a time, unlike a file's own date."""

MAX_SAMPLE_RATE_HZ = 1_000_000_000
MAX_CENTRE_HZ = 1_000_000_000_000
"""The upper bound of `core:frequency` in the schema of SigMF 1.2."""

OPTIONS: Mapping[str, str] = {
    "datatype": "--datatype",
    "sample_rate_hz": "--rate-hz",
    "centre_hz": "--centre-mhz",
    "start_utc": "--start",
}
"""How each fact is given on the command line; named in every sentence that asks for one."""

_WORDS: Mapping[str, str] = {
    "datatype": "datatype",
    "sample_rate_hz": "sample rate",
    "centre_hz": "centre frequency",
    "start_utc": "start",
}


@dataclass(frozen=True, slots=True)
class RawFacts:
    """Facts about a recording that come from the user; each fills a hole and replaces nothing.

    Parameters
    ----------
    datatype : str or None
        Name of the sample format, as in SigMF: `cu8`, `ci8`, `ci16_le`, `cf32_le`.
    sample_rate_hz, centre_hz : int or None
    start_utc : datetime or None
        The instant of the first sample; aware.

    Raises
    ------
    RadioError
        A fact is out of its range or the start has no time zone; names the option and the value.
    """

    datatype: str | None = None
    sample_rate_hz: int | None = None
    centre_hz: int | None = None
    start_utc: datetime | None = None

    def __post_init__(self) -> None:
        if self.sample_rate_hz is not None:
            check_sample_rate(self.sample_rate_hz, OPTIONS["sample_rate_hz"])
        if self.centre_hz is not None:
            check_centre(self.centre_hz, OPTIONS["centre_hz"])
        if self.start_utc is not None and self.start_utc.tzinfo is None:
            raise RadioError(
                f"{OPTIONS['start_utc']}: {self.start_utc.isoformat()} has no time zone; "
                f"give UTC, like {self.start_utc.isoformat()}Z"
            )


def check_sample_rate(sample_rate_hz: float, trail: str) -> None:
    """Refuse a sample rate no radio has; `trail` says where the value stands."""
    if not 1 <= sample_rate_hz <= MAX_SAMPLE_RATE_HZ:
        raise RadioError(
            f"{trail}: the sample rate is {sample_rate_hz:g} Hz; "
            f"it must be between 1 and {MAX_SAMPLE_RATE_HZ}"
        )


def check_centre(centre_hz: float, trail: str) -> None:
    """Refuse a centre frequency no radio has; `trail` says where the value stands."""
    if not 0 <= centre_hz <= MAX_CENTRE_HZ:
        raise RadioError(
            f"{trail}: the centre frequency is {centre_hz:g} Hz; it must be between 0 and {MAX_CENTRE_HZ}"
        )


def missing_facts(path: Path, names: list[str]) -> RadioError:
    """The one sentence that names every fact a recording lacks and how to give it."""
    words = [_WORDS[name] for name in names]
    options = " and ".join(OPTIONS[name] for name in names)
    return RadioError(f"{path}: does not say its {' and '.join(words)}; give {options}")


def start_or_unknown(start_utc: datetime | None) -> tuple[datetime, bool]:
    """The instant of the first sample and whether it is known."""
    if start_utc is None:
        return UNKNOWN_START_UTC, False
    return start_utc.astimezone(UTC), True


def note_unknown_start(path: Path) -> str:
    """The note for a recording whose time nobody told."""
    return (
        f"{path}: does not say when it began; its times count from {write_utc(UNKNOWN_START_UTC)} "
        f"and are no times of day: give {OPTIONS['start_utc']}"
    )


def note_unused(path: Path, name: str) -> str:
    """The note for an option that the recording itself answers."""
    return f"{path}: says its own {_WORDS[name]}; {OPTIONS[name]} is not used for it"
