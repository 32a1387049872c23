"""The activity report for a terminal: plain ASCII apart from names, 80 columns, readable without colour."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator

from watcher.plan.figures import write_mhz
from watcher.report import cautions
from watcher.report.exchanges import EXCHANGE_PAUSE_S
from watcher.report.hour_strips import STEPS, HourCell, day_strips
from watcher.report.pages import channel_facts, unwatched_views
from watcher.report.ranking import Ranked
from watcher.report.summary import ActivitySummary, ChannelSummary
from watcher.report.wording import (
    UNKNOWN,
    headline,
    write_carried,
    write_count,
    write_duration,
    write_interval,
    write_kind,
    write_measured,
)

WIDTH = 80
HEAR_FIRST_SHOWN = 8
EXCHANGES_SHOWN = 20
UNWATCHED_SHOWN = 8
MOST_CELLS = 24 * 7 * 8  # a week of eight channels; the page has room for more

_ASCII = str.maketrans({"±": "+-", "–": "-", "×": "x", "−": "-"})
_STRIP_MARKS = ".123456"
_NOT_WATCHED = "/"
_PARTLY_QUIET = ":"


def render_text(summary: ActivitySummary) -> str:
    """The report as lines of at most 80 columns, ending with a line break."""
    lines: list[str] = []
    title = f"{summary.station}: activity report" if summary.station else "Activity report"
    clock = summary.clock
    lines += [*wrapped(title), *wrapped(f"{clock.full(summary.span.start_utc)}")]
    lines += wrapped(f"to {clock.full(summary.span.stop_utc)} (all times: {clock.name})")
    lines.append("")
    for sentence in headline(summary):
        lines += wrapped(sentence)
    for notice in summary.notices:
        lines += wrapped(f"! {notice}", indent=2)
    for heading, body in (
        ("Hear these first", _hear_first(summary)),
        ("Channels", _channels(summary)),
        ("Hour by hour", _hours(summary)),
        ("Exchanges", _exchanges(summary)),
        ("What was not watched", _unwatched(summary)),
        ("Conditions of the channels", _conditions(summary)),
        ("Cautions", _cautions()),
    ):
        lines += ["", heading, "-" * len(heading), *body]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def for_terminal(text: str) -> str:
    """The text without anything a terminal would obey, and with our own signs in ASCII."""
    clean = "".join("?" if unicodedata.category(letter).startswith("C") else letter for letter in text)
    return clean.translate(_ASCII)


def wrapped(text: str, indent: int = 0, first: str = "") -> list[str]:
    """The text in lines of at most 80 columns, later ones set in by `indent`."""
    return textwrap.wrap(
        for_terminal(text),
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    )


def _hear_first(summary: ActivitySummary) -> Iterator[str]:
    yield from wrapped(f"In distress? {cautions.DISTRESS}")
    yield ""
    if not summary.hear_first:
        yield "Nothing heard has a reason to come first."
        return
    for place, one in enumerate(summary.hear_first[:HEAR_FIRST_SHOWN], 1):
        yield from _ranked(place, one, summary)
    left_out = len(summary.hear_first) - HEAR_FIRST_SHOWN
    if left_out > 0:
        yield f"{left_out:,} more with a reason are in the page and in the log."


def _ranked(place: int, one: Ranked, summary: ActivitySummary) -> Iterator[str]:
    begin = one.begin_with
    count = write_count(len(one.exchange.transmissions), "transmission")
    where = f"{one.exchange.channel}, {summary.clock.full(one.exchange.start_utc)}"
    how_long = f"{count}, {write_duration(one.exchange.airtime_s)}"
    yield from wrapped(f"{where}: {how_long}", indent=4, first=f"{place:>2}. ")
    yield from wrapped("; ".join(reason.words for reason in one.reasons), indent=6, first="    - ")
    figures = f"SNR {write_measured(begin.snr_db, 'dB')}, tone {write_carried(begin.tone, begin.code)}"
    yield from wrapped(figures, indent=6, first="    - ")
    if begin.kind is not None:
        yield from wrapped(write_kind(begin.kind), indent=6, first="    - ")
    for finding in begin.findings:
        found = f"{finding.start_s:.0f} s in: {finding.words}"
        yield from wrapped(found, indent=6, first="    - ")
    for piece in begin.pieces:
        path = "no clip was kept" if piece.clip_path is None else piece.clip_path.as_posix()
        yield f"    {for_terminal(path)}"  # not broken: a path is for copying


def _channels(summary: ActivitySummary) -> Iterator[str]:
    if not summary.channels:
        yield "No channel is in the log for this time."
    for one in summary.channels:
        mhz = UNKNOWN if one.frequency_hz is None else write_mhz(one.frequency_hz)
        yield from wrapped(f"{one.name} ({mhz} MHz)")
        yield from _fact("Heard", f"{write_count(one.transmissions, 'transmission')}, {_heard(one)}")
        yield from _fact("Occupancy", f"{write_interval(one.occupancy)} of {_watched(one)} watched")
        yield from _fact("Not watched", write_duration(one.account.unwatched_s))
        for label, words in channel_facts(one, summary):
            yield from _fact(label, words)


def _heard(one: ChannelSummary) -> str:
    return write_duration(one.occupancy.heard_s)


def _watched(one: ChannelSummary) -> str:
    return write_duration(one.occupancy.watched_s)


def _fact(label: str, words: str) -> list[str]:
    return wrapped(words, indent=20, first=f"  {label + ':':<18}")


def _hours(summary: ActivitySummary) -> Iterator[str]:
    steps = ", ".join(f"{number} over {100 * limit:g} %" for number, limit in enumerate(STEPS[1:], 2))
    yield from wrapped(
        f"One mark an hour: the share of its watched time that was heard. 1 heard at all, {steps}; "
        ". quiet; : quiet, and watched in part only; / not watched."
    )
    strips, note = day_strips(summary, MOST_CELLS)
    yield from wrapped(note)
    for one, days in zip(summary.channels, strips, strict=True):
        yield from wrapped(one.name)
        yield f"  {'00    06    12    18':>36}" if days else "  never watched"
        for strip in days:
            into_day = " " * int(strip.cells[0].label[:2])
            yield f"  {strip.day:<16}{into_day}{''.join(map(_mark, strip.cells))}"


def _mark(cell: HourCell) -> str:
    if not cell.watched:
        return _NOT_WATCHED
    return _PARTLY_QUIET if cell.step == 0 and cell.part else _STRIP_MARKS[cell.step]


def _exchanges(summary: ActivitySummary) -> Iterator[str]:
    yield from wrapped(f"Pauses of at most {EXCHANGE_PAUSE_S:.0f} s (common practice, no source).")
    left_out = len(summary.exchanges) - EXCHANGES_SHOWN
    if left_out > 0:
        yield f"The latest {EXCHANGES_SHOWN} of {len(summary.exchanges):,}; the others are in the log."
    for one in summary.exchanges[-EXCHANGES_SHOWN:]:
        count = write_count(len(one.transmissions), "transmission")
        when = summary.clock.full(one.start_utc)
        words = f"{when}  {one.channel}: {count}, {write_duration(one.airtime_s)}"
        yield from wrapped(words, indent=4)


def _unwatched(summary: ActivitySummary) -> Iterator[str]:
    views = list(unwatched_views(summary, UNWATCHED_SHOWN))
    if not views:
        known = bool(summary.channels)
        yield "Every channel was watched for the whole time." if known else "Nothing is known of this time."
    for view in views:
        yield from wrapped(view.channels)
        for cause, total in view.totals:
            yield from wrapped(f"{total}: {cause}", indent=4, first="  ")
        for start, _stop, length, _cause in view.rows:
            yield from wrapped(f"from {start} for {length}", indent=6, first="    ")
        if view.left_out:
            yield f"    and {view.left_out:,} shorter ones"


def _conditions(summary: ActivitySummary) -> Iterator[str]:
    if not summary.conditions:
        yield "None was found."
    for one in summary.conditions:
        when = f"{summary.clock.full(one.start_utc)} to {summary.clock.clock(one.stop_utc)}"
        yield from wrapped(f"{one.channel}: {one.kind.value}, {when}; {one.evidence or UNKNOWN}", indent=4)


def _cautions() -> Iterator[str]:
    yield from wrapped(cautions.CAUTIONS[0])
    yield from wrapped(cautions.AID_ONLY)
    yield from wrapped("Laws on listening and on passing on what was heard differ; the page says more.")
