"""How figures are written for a person: with their unit, their uncertainty, and "unknown" where nothing is
known."""

from __future__ import annotations

import math

from watcher.receive.records import CodeReading, KindReading, Measured, ToneReading
from watcher.report.occupancy import Occupancy, OccupancyRule
from watcher.report.summary import ActivitySummary, ChannelSummary

UNKNOWN = "unknown"


def write_measured(measured: Measured | None, unit: str) -> str:
    """`12.3 ± 0.4 dB`: as many decimals as the uncertainty has meaning, at most two."""
    if measured is None or not math.isfinite(measured.value):
        return UNKNOWN
    if measured.sigma is None or not math.isfinite(measured.sigma):
        return f"{_signed(measured.value, 1)} ± {UNKNOWN} {unit}"
    decimals = 2 if measured.sigma <= 0 else min(2, max(0, -math.floor(math.log10(measured.sigma))))
    smallest = 10.0**-decimals
    sigma = f"under {smallest:g}" if measured.sigma < smallest / 2 else f"{measured.sigma:.{decimals}f}"
    return f"{_signed(measured.value, decimals)} ± {sigma} {unit}"


def _signed(value: float, decimals: int) -> str:
    """With a true minus sign, which is as wide as a plus and never taken for a hyphen."""
    return f"{value:.{decimals}f}".replace("-", "−")


def write_share(share: float | None) -> str:
    """A share as per cent with two significant figures of whichever is smaller, it or its rest: `3.4 %`,
    `99.7 %`."""
    if share is None:
        return UNKNOWN
    if share <= 0 or share >= 1:
        return "0 %" if share <= 0 else "100 %"
    smaller = 100 * min(share, 1 - share)
    if smaller < 0.001:
        return "under 0.001 %" if share < 0.5 else "over 99.999 %"
    decimals = max(0, 1 - math.floor(math.log10(smaller)))
    return f"{100 * share:.{decimals}f} %"


def write_sure(probability: float) -> str:
    """A probability that a decoder gives, as `write_share`; never 0 or 100 %, which nobody can know."""
    return write_share(min(max(probability, 1e-9), 1 - 1e-9))


def write_interval(found: Occupancy) -> str:
    """The occupancy with its interval, by the rule that gave it: `1.3 % (0.6 % to 2.8 %)`."""
    if found.share is None or found.low is None or found.high is None:
        return f"{UNKNOWN}: never watched"
    if found.rule is OccupancyRule.NONE:
        return f"0 % (at most {write_share(found.high)})"
    if found.rule is OccupancyRule.ALWAYS:
        return f"100 % (at least {write_share(found.low)})"
    return f"{write_share(found.share)} ({write_share(found.low)} to {write_share(found.high)})"


def write_duration(seconds: float) -> str:
    """`4.2 s`, `3 min 12 s`, `11 h 58 min`, `6 d 4 h`: two units, cut off towards zero so that nothing
    grows."""
    if seconds < 0:
        return f"−{write_duration(-seconds)}"
    if seconds < 60:
        if 0 < seconds < 0.1:
            return "under 0.1 s"
        tenths = math.floor(seconds * 10 + 1e-6)  # a tenth that binary fractions miss by a hair stays one
        return f"{tenths // 10} s" if tenths % 10 == 0 else f"{tenths / 10:.1f} s"
    minutes, rest_s = divmod(math.floor(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest_s} s" if rest_s else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def write_tone(reading: ToneReading | None) -> str:
    """`100.0 Hz (99.9 % sure)`, `none (98 % sure)`, or `unknown` where nobody looked."""
    if reading is None:
        return UNKNOWN
    sure = "" if reading.probability is None else f" ({write_sure(reading.probability)} sure)"
    return write_tone_hz(reading.tone_hz) + sure


def write_carried(tone: ToneReading | None, code: CodeReading | None) -> str:
    """The tone as `write_tone` has it, or the digital code with its other name: `code 023N = 047I`."""
    if code is None or code.code is None:
        return write_tone(tone)
    return f"{write_code(code)}" + (
        "" if code.probability is None else f" ({write_sure(code.probability)} sure)"
    )


def write_code(code: CodeReading) -> str:
    """`code 023N = 047I`; `none` where there is none."""
    if code.code is None:
        return "none"
    return f"code {code.code}" + (f" = {code.other_name}" if code.other_name else "")


def write_kind(kind: KindReading) -> str:
    """`probably voice (97 % sure, 1.5 s of speech)`."""
    speech = "" if not kind.speech_s else f", {kind.speech_s:.1f} s of speech"
    return f"probably {kind.kind.value} ({write_sure(kind.probability)} sure{speech})"


def write_tone_hz(tone_hz: float | None) -> str:
    """`100.0 Hz`, or `none`."""
    return "none" if tone_hz is None else f"{tone_hz:.1f} Hz"


def write_tones(channel: ChannelSummary) -> str:
    """`100.0 Hz × 4, none × 2, unknown × 1`; `unknown` where nothing was heard is a dash."""
    parts = [f"{write_tone_hz(tone.tone_hz)} × {tone.transmissions}" for tone in channel.tones]
    if channel.tone_unknown:
        parts.append(f"{UNKNOWN} × {channel.tone_unknown}")
    return ", ".join(parts) or "–"


def write_count(number: int, one: str, many: str | None = None) -> str:
    """`1 transmission`, `2 transmissions`, `100,000 transmissions`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def headline(summary: ActivitySummary) -> tuple[str, ...]:
    """What was watched, what was heard and what was not watched, in three sentences."""
    if not summary.channels:
        return ("Nothing was watched: the log holds no channel for this time.",)
    return (_watched_sentence(summary), _heard_sentence(summary), _unwatched_sentence(summary))


def _watched_sentence(summary: ActivitySummary) -> str:
    watched = [one.occupancy.watched_s for one in summary.channels]
    channels = write_count(len(watched), "channel")
    if max(watched) <= 0:
        return f"None of {channels} was watched."
    least, most = write_duration(min(watched)), write_duration(max(watched))
    whole = write_duration(summary.span.seconds)
    how_long = most if least == most else f"{least} to {most}"
    each = " each" if least == most and len(watched) > 1 else ""
    verb = "was" if len(watched) == 1 else "were"
    return f"{channels} {verb} watched for {how_long}{each}, of {whole}."


def _heard_sentence(summary: ActivitySummary) -> str:
    count = len(summary.transmissions)
    if not count:
        return "Nothing was heard. That does not mean that nobody called."
    verb = "was" if count == 1 else "were"
    on = f"on {summary.heard_channels} of them" if len(summary.channels) > 1 else "on it"
    heard = f"{write_count(count, 'transmission')} in {write_count(len(summary.exchanges), 'exchange')}"
    return f"{heard} {verb} heard {on}, {write_duration(summary.airtime_s)} in all."


def _unwatched_sentence(summary: ActivitySummary) -> str:
    missed = [one.account.unwatched_s for one in summary.channels]
    if max(missed) <= 0:
        return "Every minute was watched."
    least, most = write_duration(min(missed)), write_duration(max(missed))
    on = "the channel" if len(missed) == 1 else "each channel" if least == most else "the channels"
    how_long = most if least == most else f"{least} to {most}"
    return f"Not watched, and so unknown: {how_long} on {on}."


def occupancy_rule_words(rule: OccupancyRule) -> str:
    """The rule behind an interval, in words for the report."""
    return {
        OccupancyRule.RENEWAL: "from the lengths of transmissions and pauses",
        OccupancyRule.FEW: "few transmissions: lengths and pauses taken as memoryless or worse",
        OccupancyRule.NONE: "nothing heard: rule of three",
        OccupancyRule.ALWAYS: "never quiet: rule of three",
        OccupancyRule.UNKNOWN: "never watched",
    }[rule]
