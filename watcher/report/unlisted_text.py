"""Unlisted activity in words, with tables that can be copied into a plan."""

from __future__ import annotations

from watcher.plan.figures import write_mhz
from watcher.report.local_time import LocalClock
from watcher.report.unlisted import MOST_TOLD, Unlisted, UnlistedActivity
from watcher.report.wording import write_count, write_duration, write_interval

NOT_KEPT = (
    "Nothing is known of frequencies that are not listed: no spectra lie beside this log "
    "(watches before this version kept none, and a span under 64 kHz shows too little)."
)
CAUTION = (
    "Each of them is for you to judge: it may be a station, the radio's own making, or a device near by."
)


def write_unlisted(found: UnlistedActivity, clock: LocalClock, days: int) -> str:
    """What was seen between the listed channels, the busiest first, and what never stopped."""
    if found.watched_s <= 0:
        return NOT_KEPT
    looked = write_duration(found.watched_s)
    lines = [f"Activity where no channel is listed, by spectra of {looked} in the last {days} days:"]
    moving = [one for one in found.signals if not one.is_steady]
    steady = [one for one in found.signals if one.is_steady]
    if not moving:
        lines.append("  none was seen")
    for one in moving[:MOST_TOLD]:
        lines += ["", *(f"  {line}" for line in describe(one, clock)), "", *channel_table(one)]
    if len(moving) > MOST_TOLD:
        lines.append(f"  and {len(moving) - MOST_TOLD} more that were on the air for less")
    if steady:
        lines += ["", "What never stopped (mostly the radio's own, or a device near by; some are stations):"]
        lines += [f"  {describe_steady(one)}" for one in steady[:MOST_TOLD]]
    if moving or steady:
        lines += ["", CAUTION]
    return "\n".join(lines)


def describe(one: Unlisted, clock: LocalClock) -> list[str]:
    """One signal that comes and goes, in two or three lines."""
    place = f"{write_mhz(one.place_hz)} MHz"
    if one.raster_hz is None:
        measured = f"middle, ± {one.sigma_hz / 1000:.1f} kHz"
    else:
        measured = f"measured {one.frequency_hz / 1e6:.4f} ± {one.sigma_hz / 1e6:.4f}, "
        measured += f"on the raster of {one.raster_hz / 1000:g} kHz"
    times = write_count(one.seen, "time")
    lines = [
        f"{place} ({measured}), about {one.width_hz / 1000:.0f} kHz wide, {one.snr_db:.0f} dB over the noise",
        f"seen {times}, {write_duration(one.occupancy.heard_s)} in all, {write_interval(one.occupancy)} of "
        f"the time; first {_when(one, clock)[0]}, last {_when(one, clock)[1]}",
    ]
    if one.known_as:
        lines.append(f"listed there: {', '.join(one.known_as)}")
    return lines


def describe_steady(one: Unlisted) -> str:
    """One that never stopped, in a line."""
    known = f"; listed there: {', '.join(one.known_as)}" if one.known_as else ""
    return (
        f"{one.frequency_hz / 1e6:.4f} ± {one.sigma_hz / 1e6:.4f} MHz, about {one.width_hz / 1000:.0f} kHz "
        f"wide, {one.snr_db:.0f} dB over its neighbourhood{known}"
    )


def channel_table(one: Unlisted) -> list[str]:
    """The table that would listen there."""
    width = "25" if one.width_hz > 16_000 else "12.5"
    return [
        "[[channel]]",
        f'name = "{write_mhz(one.place_hz)} MHz"',
        f"frequency_mhz = {write_mhz(one.place_hz)}",
        'mode = "am"' if 118_000_000 <= one.place_hz < 137_000_000 else 'mode = "nfm"',
        f"bandwidth_khz = {width}",
    ]


def _when(one: Unlisted, clock: LocalClock) -> tuple[str, str]:
    first, last = (clock.local(instant) for instant in (one.first_utc, one.last_utc))
    return f"{first:%a %Y-%m-%d %H:%M}", f"{last:%a %Y-%m-%d %H:%M}"
