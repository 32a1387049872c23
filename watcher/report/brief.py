"""What a watch brought, on one screen: printed when a replay ends. The report holds the rest."""

from __future__ import annotations

from collections.abc import Iterator

from watcher.plan.figures import write_mhz
from watcher.report import cautions
from watcher.report.exchanges import WholeTransmission
from watcher.report.summary import ActivitySummary
from watcher.report.text import for_terminal, wrapped
from watcher.report.wording import UNKNOWN, headline, write_code, write_duration, write_tone_hz

LINES_SHOWN = 24  # transmissions: what fits a screen with the rest
HEAR_FIRST_SHOWN = 3


def render_brief(summary: ActivitySummary) -> str:
    """The outcome of a watch as lines of at most 80 columns, ending with a line break."""
    clock = summary.clock
    lines = wrapped(f"{summary.station or 'Watch'}, {clock.full(summary.span.start_utc)}")
    for sentence in headline(summary):
        lines += wrapped(sentence)
    for notice in summary.notices:
        lines += wrapped(f"! {notice}", indent=2)
    for body in (_heard(summary), _hear_first(summary), _conditions(summary)):
        block = list(body)
        lines += ["", *block] if block else []
    lines += ["", *wrapped(cautions.AID_ONLY)]
    return "\n".join(for_terminal(line).rstrip() for line in lines) + "\n"


def _heard(summary: ActivitySummary) -> Iterator[str]:
    if not summary.transmissions:
        return
    frequency = {one.name: one.frequency_hz for one in summary.channels}
    yield f"{'heard':<10}{'channel':<26}{'MHz':<10}{'length':>9}{'SNR':>9}   tone"
    day = summary.clock.day(summary.span.start_utc)
    for one in summary.transmissions[:LINES_SHOWN]:
        if summary.clock.day(one.start_utc) != day:
            day = summary.clock.day(one.start_utc)
            yield f"{day}"
        hertz = frequency.get(one.channel)
        megahertz = write_mhz(hertz) if hertz else UNKNOWN
        snr = f"{one.snr_db.value:.0f} dB" if one.snr_db is not None else UNKNOWN
        length = f"{(one.end_utc - one.start_utc).total_seconds():.1f} s"
        yield (
            f"{summary.clock.clock(one.start_utc)[:8]:<10}{_fitting(one.channel, 25):<26}{megahertz:<10}"
            f"{length:>9}{snr:>9}   {_tone(one)}"
        )
    left_out = len(summary.transmissions) - LINES_SHOWN
    if left_out > 0:
        yield f"and {left_out:,} more, in the report."


def _hear_first(summary: ActivitySummary) -> Iterator[str]:
    for one in summary.hear_first[:HEAR_FIRST_SHOWN]:
        begin = one.begin_with
        reasons = "; ".join(reason.words for reason in one.reasons)
        yield from wrapped(
            f"hear first: {begin.channel} at {summary.clock.clock(begin.start_utc)[:8]} ({reasons})", indent=2
        )
        clips = [piece.clip_path for piece in begin.pieces if piece.clip_path]
        yield from (f"  {clip}" for clip in clips[:1])


def _conditions(summary: ActivitySummary) -> Iterator[str]:
    for one in summary.conditions:
        lasted = write_duration((one.stop_utc - one.start_utc).total_seconds())
        yield from wrapped(
            f"no transmission: {one.channel}, {one.kind.value} for {lasted}; {one.evidence}", indent=2
        )


def _tone(one: WholeTransmission) -> str:
    if one.code is not None and one.code.code is not None:
        return write_code(one.code)
    if one.tone is None:
        return UNKNOWN
    return write_tone_hz(one.tone.tone_hz)


def _fitting(name: str, width: int) -> str:
    return name if len(name) <= width else name[: width - 2] + ".."
