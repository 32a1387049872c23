"""A plan as rows for `midwatch check`; whoever prints them chooses how they look."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from watcher.plan.duties import Alert, KeepRules
from watcher.plan.figures import write_khz, write_mhz, write_number
from watcher.plan.model import Channel, Radio, WatchPlan, Window
from watcher.plan.review_rules import ReviewRules

UNSAID = "–"


@dataclass(frozen=True, slots=True)
class PlanDescription:
    """What a plan says, in words and figures.

    `facts` are pairs of a label and a text; `columns` head the `rows`, one row a channel, in the order of
    the plan; `warnings` are sentences.
    """

    facts: tuple[tuple[str, str], ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]


COLUMNS = (
    *("channel", "MHz", "mode", "bandwidth kHz", "pass band kHz", "rated deviation kHz"),
    *("expects", "priority", "threshold raised dB", "notes"),
)


def describe(plan: WatchPlan) -> PlanDescription:
    """The plan as the program understood it."""
    return PlanDescription(_facts(plan), COLUMNS, tuple(map(_row, plan.channels)), plan.warnings)


def _facts(plan: WatchPlan) -> tuple[tuple[str, str], ...]:
    station = plan.station
    said = [
        ("station", station.name),
        ("operator", station.operator),
        ("call sign", station.call_sign),
        ("place", station.place),
        ("time zone", station.time_zone),
        ("storage", None if station.storage is None else str(station.storage)),
        ("longest clip", f"{write_number(station.longest_clip_minutes)} minutes"),
        ("channel IQ kept", station.keep_iq),
        (
            "health figures",
            None if station.health_port is None else f"port {station.health_port}, this computer",
        ),
        ("clips kept", _kept(plan.keep)),
        ("battery", None if plan.power is None else plan.power.said_battery),
        ("review page", None if plan.review == ReviewRules() else plan.review.said),
        ("live audio", None if plan.listen is None else plan.listen.device or "the system's own device"),
    ]
    for radio in plan.radios:
        said.append(("radio", ", ".join(_radio(radio))))
    for window in plan.windows:
        said.append(("window", _window(window)))
    for pair in plan.tone_pairs:
        tones = f"{write_number(pair.first_hz)} then {write_number(pair.second_hz)} Hz"
        said.append(("two-tone page", f"{pair.name}: {tones}"))
    said += [("alert", _alert(alert)) for alert in plan.alerts]
    return tuple((label, text) for label, text in said if text is not None)


def _kept(keep: KeepRules) -> str:
    parts = [f"{write_number(keep.least_free_gb)} GB of the disk left free"]
    if keep.most_gb is not None:
        parts.append(f"at most {write_number(keep.most_gb)} GB")
    for days, which in ((keep.days, "each"), (keep.flagged_days, "flagged ones")):
        if days is not None:
            parts.append(f"{which} for {write_number(days)} days")
    if "spectra_days" in keep.model_fields_set:
        parts.append(f"spectra for {write_number(keep.spectra_days)} days")
    return ", ".join(parts)


def _alert(alert: Alert) -> str:
    what = [
        f"same from severity {alert.least_severity}" if flag == "same" else flag for flag in alert.flags
    ] + ["calling channels"] * alert.calling
    quiet = f", quiet {alert.quiet_hours}" if alert.quiet_hours else ""
    return f"{alert.way}: {', '.join(what) or 'nothing'}, at most {alert.most_per_hour} an hour{quiet}"


def _window(window: Window) -> str:
    own_name = f"{window.name}: " if window.name else ""
    length = "" if window.length_minutes is None else f" for {write_number(window.length_minutes)} minutes"
    lead = f", opening {write_number(window.lead_minutes)} minutes before" if window.lead_minutes else ""
    days = f", on {', '.join(window.days)}" if window.days else ""
    season = f", from {window.from_date} to {window.to_date}" if window.from_date else ""
    preset = f" ({window.preset})" if window.preset else ""
    return f"{own_name}{window.said_starts}{length}{lead}{days}{season}{preset}"


def _radio(radio: Radio) -> Iterator[str]:
    yield radio.kind or UNSAID
    if radio.sample_rate_hz is not None:
        yield f"{radio.sample_rate_hz} samples/s"
    yield f"{write_number(radio.ppm)} ppm"
    if radio.serial is not None:
        yield f"serial {radio.serial}"
    if radio.index is not None:
        yield f"number {radio.index}"
    if radio.address is not None:
        yield f"at {radio.address}"
    if radio.path is not None:
        yield f"{radio.path}{' over and over' if radio.loop else ''}"
    if radio.driver is not None:
        yield radio.driver
    if radio.gain_db != "auto":
        yield f"gain {write_number(radio.gain_db)} dB"
    if radio.bias_tee:
        yield "antenna supply on"
    if radio.direct_sampling != "off":
        yield f"direct sampling of {radio.direct_sampling}"


def _row(channel: Channel) -> tuple[str, ...]:
    rated = channel.rated_deviation_hz
    return (
        channel.name,
        write_mhz(channel.frequency_hz),
        channel.mode,
        write_khz(channel.bandwidth_hz),
        write_khz(channel.pass_band_hz),
        UNSAID if rated is None else write_khz(rated),
        channel.expects or UNSAID,
        str(channel.priority),
        write_number(channel.raise_threshold_db),
        "; ".join(_notes(channel)) or UNSAID,
    )


def _notes(channel: Channel) -> list[str]:
    notes = []
    if channel.purpose is not None:
        notes.append(channel.purpose)
    if channel.calling:
        notes.append("calling channel")
    if channel.require_tone:
        notes.append(f"only what carries {channel.expects}")
    if channel.keep == "alerts":
        notes.append("only alerts make clips")
    if channel.licence is not None:
        notes.append(f"to transmit: {channel.licence}")
    return notes
