"""A trial in words: the same rows for the terminal and for the page, each figure with its interval."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

UNKNOWN = "unknown"
_LISTED = 200  # misses and false openings that are listed one by one


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: its title, what heads its columns, and its rows; `note` stands under it."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything a person is shown of a trial."""

    title: str
    headline: str
    facts: tuple[tuple[str, str], ...]
    grids: tuple[Grid, ...]
    notes: tuple[str, ...] = ()


def sheet_of(tree: Mapping[str, Any], earlier: Mapping[str, Any] | None = None) -> Sheet:
    """The sheet of a trial's JSON; beside an earlier trial where one is given."""
    grids = [_channels(tree)]
    if earlier is not None:
        grids = [_side_by_side(tree, earlier), *_changed(tree, earlier), *grids]
    grids += [grid for grid in (_causes(tree), _missed(tree), _false(tree)) if grid.rows]
    recall = tree["recall"]
    headline = (
        f"{recall['count']} of {recall['of']} transmissions on listed channels were heard: "
        f"{write_share(recall)}."
    )
    if tree["not_listed"]:
        headline += f" {tree['not_listed']} more were sent on no listed channel."
    if tree["stopped_early"]:
        headline += " The trial was stopped before the end of the recordings."
    return Sheet(
        title=f"Trial of {tree['plan']}",
        headline=headline,
        facts=(
            ("recordings", ", ".join(tree["recordings"])),
            ("truth", tree["truth"]),
            ("windows", "the plan's, kept" if tree["kept_windows"] else "not kept: all of every recording"),
            ("watched", f"{tree['watched_channel_hours']:.4g} channel-hours"),
            *[(label, _value(tree, key)) for label, key in _FIGURES],
        ),
        grids=tuple(grids),
        notes=tuple(tree["notes"]),
    )


def write_share(rate: Mapping[str, Any]) -> str:
    """`80 % (49 to 94 %)`: a share with its 95 % interval."""
    if rate["value"] is None:
        return UNKNOWN
    return f"{_percent(rate['value'])} % ({_percent(rate['low'])} to {_percent(rate['high'])} %)"


def write_rate(rate: Mapping[str, Any]) -> str:
    """`0 (0 to 3.7)`: a count per hour with its exact 95 % interval."""
    if rate["value"] is None:
        return UNKNOWN
    high = UNKNOWN if rate["high"] is None else f"{rate['high']:.3g}"
    return f"{rate['value']:.3g} ({rate['low']:.3g} to {high})"


def write_spread(spread: Mapping[str, Any] | None, scale: float, unit: str, decimals: int = 0) -> str:
    """Median with its sign, what nine tenths stay under by size, and the worst."""
    if spread is None:
        return UNKNOWN
    median, p90, worst = (scale * spread[key] for key in ("median", "p90", "worst"))
    return (
        f"median {median:+.{decimals}f} {unit}, 90 % within {p90:.{decimals}f}, worst {worst:+.{decimals}f}"
    ).replace("-", "−")


_FIGURES = (
    ("recall", "recall"),
    ("heard at all, within another too", "caught"),
    ("merged, split, split by fading", "merges"),
    ("false openings per channel-hour", "false_openings_per_channel_hour"),
    ("start error", "start_error_s"),
    ("end error", "end_error_s"),
    ("SNR error", "snr_error_db"),
    ("tone right", "tone_right"),
    ("tones", "tones"),
    ("code right", "code_right"),
    ("codes", "codes"),
)


def _value(tree: Mapping[str, Any], key: str) -> str:
    match key:
        case "merges":
            return f"{tree['merged']}, {tree['split']}, {tree['split_by_fading']}"
        case "false_openings_per_channel_hour":
            return write_rate(tree[key])
        case "start_error_s" | "end_error_s":
            return write_spread(tree[key], 1000, "ms")
        case "snr_error_db":
            return write_spread(tree[key], 1, "dB", 1)
        case "tones" | "codes":
            told = [f"{count} {name}" for name, count in tree[key].items() if count]
            return ", ".join(told) or "the truth tells of none"
    return write_share(tree[key])


def _percent(share: float) -> str:
    """Two figures of whichever is smaller, the share or its rest."""
    smaller = 100 * min(share, 1 - share)
    decimals = 0 if smaller <= 0 else min(4, max(0, 1 - math.floor(math.log10(smaller))))
    return f"{100 * share:.{decimals}f}"


def _channels(tree: Mapping[str, Any]) -> Grid:
    rows = tuple(
        (
            name,
            f"{each['heard']} of {each['sent']}",
            write_share(each["recall"]),
            f"{each['merged']}, {each['split']}",
            write_rate(each["false_openings_per_channel_hour"]),
            write_share(each["tone_right"]),
        )
        for name, each in tree["channels"].items()
    )
    columns = ("channel", "heard", "recall", "merged, split", "false per hour", "tone right")
    note = (
        "In brackets the interval that holds the true figure in 95 of 100 trials: Wilson's for shares, the "
        "exact Poisson one for counts per hour."
    )
    return Grid("Channels", columns, rows, note)


def _causes(tree: Mapping[str, Any]) -> Grid:
    counts = sorted(tree["causes"].items(), key=lambda each: (-each[1], each[0]))
    return Grid("Why they were missed", ("cause", "count"), tuple((why, str(n)) for why, n in counts))


def _missed(tree: Mapping[str, Any]) -> Grid:
    found = [each for each in tree["transmissions"] if each["cause"] is not None]
    rows = tuple(
        (each["start_utc"], _seconds(each), each["channel"] or UNKNOWN, each["cause_words"])
        for each in found[:_LISTED]
    )
    return Grid("Missed", ("start", "s", "channel", "cause"), rows, _more(len(found)))


def _false(tree: Mapping[str, Any]) -> Grid:
    found = tree["openings_without_transmission"]
    rows = tuple(
        (
            each["start_utc"],
            _seconds(each),
            each["channel"],
            UNKNOWN if each["snr_db"] is None else f"{each['snr_db']:.1f} dB",
        )
        for each in found[:_LISTED]
    )
    return Grid("False openings", ("start", "s", "channel", "SNR"), rows, _more(len(found)))


def _more(count: int) -> str:
    return f"{count - _LISTED} more are in the JSON." if count > _LISTED else ""


def _seconds(each: Mapping[str, Any]) -> str:
    start, stop = (_clock_s(each[key]) for key in ("start_utc", "end_utc"))
    return f"{(stop - start) % 86_400:.1f}"


def _clock_s(instant: str) -> float:
    hours, minutes, seconds = instant[11:-1].split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(seconds)


def _side_by_side(tree: Mapping[str, Any], earlier: Mapping[str, Any]) -> Grid:
    rows = [
        ("plan", earlier["plan"], tree["plan"]),
        ("program", earlier["program"], tree["program"]),
        *[(label, _value(earlier, key), _value(tree, key)) for label, key in _FIGURES],
    ]
    note = ""
    if earlier["recordings"] != tree["recordings"] or earlier["truth"] != tree["truth"]:
        note = "The two are of different recordings or truths: their figures do not compare."
    return Grid("Side by side", ("", "before", "now"), tuple(rows), note)


def _changed(tree: Mapping[str, Any], earlier: Mapping[str, Any]) -> list[Grid]:
    """Transmissions that one of the two heard and the other did not."""
    before = {_key(each): each for each in earlier["transmissions"]}
    rows = []
    for each in tree["transmissions"]:
        past = before.get(_key(each))
        if past is not None and past["state"] != each["state"]:
            words = each["cause_words"] or past["cause_words"] or ""
            rows.append((each["start_utc"], each["channel"], past["state"], each["state"], words))
    columns = ("start", "channel", "before", "now", "cause")
    shown = Grid("What became different", columns, tuple(rows[:_LISTED]), _more(len(rows)))
    return [shown] if rows else []


def _key(each: Mapping[str, Any]) -> tuple[Any, ...]:
    return each["start_utc"], each["end_utc"], each["frequency_hz"], each["comment"]


def as_text(sheet: Sheet) -> str:
    """The sheet for a terminal."""
    width = max((len(label) for label, _ in sheet.facts), default=0)
    lines = [sheet.title, sheet.headline, ""]
    lines += [f"{label:<{width}}  {value}" for label, value in sheet.facts]
    for grid in sheet.grids:
        lines += ["", grid.title, *_aligned([grid.columns, *grid.rows])]
        lines += [grid.note] if grid.note else []
    lines += [f"note: {note}" for note in sheet.notes]
    return "\n".join(lines) + "\n"


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    return [
        "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
