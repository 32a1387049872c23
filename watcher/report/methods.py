"""How the figures of a report were made, each with its source, so that a reader can judge them."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.report import ranking
from watcher.report.exchanges import EXCHANGE_PAUSE_S
from watcher.report.occupancy import (
    CONFIDENCE,
    FEW_TRANSMISSIONS,
    NOMINAL_TRANSMISSION_S,
    RELATIVE_ERROR,
    independent_samples_needed,
)
from watcher.report.summary import SHORTEST_BUSY_HOUR_S, ActivitySummary
from watcher.report.usual import UNUSUAL_CHANCE
from watcher.report.wording import write_count, write_duration


@dataclass(frozen=True, slots=True)
class Method:
    """One figure and how it comes about."""

    figure: str
    words: str


def methods(summary: ActivitySummary) -> tuple[Method, ...]:
    """The methods behind the figures of this summary."""
    return (
        Method(
            "Heard, quiet, not watched",
            "Heard: the squelch was open, by energy over the noise floor around the channel. Quiet: "
            "watched, and not heard. Not watched: neither is known. The three add up to the whole span on "
            "every channel. Where records disagree, heard outweighs a gap and a gap outweighs quiet.",
        ),
        Method("Threshold", _threshold_words(summary)),
        Method(
            "Transmission",
            "One key-down. The pieces of a split clip count once. One that a gap cuts counts as two, because "
            "nobody knows what happened between.",
        ),
        Method(
            "Occupancy",
            "Heard time over watched time (ITU-R SM.1880 and Report SM.2256; section numbers from "
            "memory), never over time that was not watched. The interval holds the true value in "
            f"{100 * CONFIDENCE:.0f} of 100 such watches, if the channel keeps its habits. Looks within "
            "one transmission are not independent, so transmissions and pauses are counted, not looks: an "
            "alternating renewal process, with the spread of their lengths (D. R. Cox, Renewal Theory, "
            f"1962; from memory). With fewer than {FEW_TRANSMISSIONS:.0f} effective transmissions, lengths "
            "and pauses are taken to vary at least as waiting times without memory do. With none, the "
            "rule of three bounds it (Hanley and Lippman-Hand, JAMA 249, 1983), looks counting as "
            f"independent {NOMINAL_TRANSMISSION_S:.0f} s apart.",
        ),
        Method(
            "Independent samples",
            f"How many independent samples would tell as much. For {100 * RELATIVE_ERROR:.0f} % of "
            f"relative error at {100 * CONFIDENCE:.0f} % confidence an occupancy of 1 % takes "
            f"{independent_samples_needed(0.01):,} and one of 10 % takes "
            f"{independent_samples_needed(0.1):,} (binomial formula, the form of ITU-R SM.1880-2, Annex 2; "
            "from memory).",
        ),
        Method(
            "Mean length",
            "Of the transmissions seen from beginning to end, ± its standard error.",
        ),
        Method(
            "Signal to noise",
            "Carrier to noise in the channel's pass band, ± one standard uncertainty, as measured by the "
            "receiver. Strongest and weakest are those of the highest and lowest value.",
        ),
        Method(
            "Tone",
            "The sub-audible tone the receiver named. None: it looked and found no listed tone. Unknown: "
            "it did not look, or could not.",
        ),
        Method(
            "Busiest hour",
            "The local hour with the largest heard share, among those watched for "
            f"{SHORTEST_BUSY_HOUR_S / 60:.0f} min or more.",
        ),
        Method(
            "Exchange",
            f"Transmissions on one channel with pauses of at most {EXCHANGE_PAUSE_S:.0f} s: whoever is "
            "called answers sooner (common practice, no source).",
        ),
        Method("What to hear first", _ranking_words()),
    )


def _threshold_words(summary: ActivitySummary) -> str:
    versions = ", ".join(dict.fromkeys(watch.program_version for watch in summary.watches))
    raised = [
        f"{one.name} by {one.plan.raise_threshold_db:g} dB"
        for one in summary.channels
        if one.plan is not None and one.plan.raise_threshold_db > 0
    ]
    words = (
        "Occupancy depends on the level from which a channel counts as occupied. Here it is the squelch's "
        "opening threshold, which follows from a fixed rate of false openings by noise; the log does not "
        "hold it in dB. "
    )
    words += f"Listened by program {versions}. " if versions else ""
    if not raised:
        return words + "No channel's threshold was raised by the plan."
    return words + f"The plan raised {write_count(len(raised), 'threshold')}: {'; '.join(raised)}."


def _ranking_words() -> str:
    return (
        "No word was understood; the order comes from measured facts and the plan alone, and a call for "
        "help may be in any clip. Points, added up: "
        f"{'; '.join(f'{words} {points}' for points, words in ranking.FLAG_REASONS.values())}; a weather "
        f"alert {ranking.SAME_POINTS_PER_SEVERITY} for each step of its severity (0 to 4: test to warning); "
        f"any other flag {ranking.OTHER_FLAG_POINTS}; a calling channel {ranking.CALLING_POINTS}; a channel "
        f"of priority 1 {ranking.PRIORITY_POINTS}; {ranking.UNANSWERED_CALLS} or more single transmissions "
        "on one channel, no more than "
        f"{write_duration(ranking.UNANSWERED_PAUSE.total_seconds())} apart, that nobody answered "
        f"{ranking.UNANSWERED_POINTS}; else a single transmission of {ranking.SHORTEST_CALL_S:.0f} s or more "
        f"that nobody answered within {EXCHANGE_PAUSE_S:.0f} s {ranking.ALONE_POINTS}; no tone or code, or "
        f"another one, where the plan expects one {ranking.TONE_POINTS}; {ranking.WEAK_SNR_DB:.0f} dB or "
        f"weaker {ranking.WEAK_POINTS}, on a calling channel {ranking.WEAK_ON_CALLING_POINTS}; "
        f"{ranking.LONG_S:.0f} s or longer without a break {ranking.LONG_POINTS}; more exchanges in an hour "
        f"than chance would bring in {100 * UNUSUAL_CHANCE:.0f} of 100 such hours of the log's last 60 days "
        f"{ranking.UNUSUAL_POINTS}; a phrase guessed at by the optional model {ranking.WORDS_POINTS} (it "
        "misses half of such calls and often takes ordinary talk for one: no guess does not mean no "
        "distress). "
        "Being alone or long does not count on a channel whose whole occupancy interval lies above "
        f"{100 * ranking.MOSTLY_BUSY_SHARE:.0f} %, nor for a carrier of which neither the beginning nor the "
        "end was seen: such as weather radio. Equal points: the earlier first."
    )
