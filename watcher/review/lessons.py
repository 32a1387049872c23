"""What "wrong opening" marks teach the plan, with the evidence. Printed, never applied.

A birdie is told by its place: wrong openings of a bare carrier that agree in frequency to within what a
crystal drifts. Raising a threshold is told by strength: it helps where the wrong openings are the weak ones,
and what else it would have kept shut is counted beside it. All limits are judgement, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, pstdev

from watcher.log.marks import Verdict
from watcher.log.reading import LoggedTransmission, watches
from watcher.log.search import Strength, Wanted, entries, ids, strengths
from watcher.log.writing import WatchLog
from watcher.plan.figures import write_mhz, write_number
from watcher.receive.records import Kind
from watcher.report.wording import write_count

LEAST_WRONG = 3
BIRDIE_SPREAD_HZ = 150.0  # 1 ppm at 146 MHz: a crystal in one warm room
BIRDIE_SHARE = 0.6
SHUT_SHARE = 0.8  # of the wrong openings, that a raised threshold should have kept shut
MOST_RAISED_DB = 10.0
STEP_DB = 0.5
MOST_COMPARED = 20_000


@dataclass(frozen=True, slots=True)
class Lesson:
    """A suggestion for one channel: what, why, and the line for the plan where there is one."""

    channel: str
    suggestion: str
    evidence: tuple[str, ...]
    plan_line: str = ""


def lessons(log: WatchLog) -> tuple[Lesson, ...]:
    """What the marks suggest, the channel with most wrong openings first."""
    wrong = entries(log, sorted(ids(log, Wanted(verdict=Verdict.WRONG.value))))
    by_channel: dict[str, list[LoggedTransmission]] = {}
    for one in wrong:
        by_channel.setdefault(one.transmission.channel, []).append(one)
    raised = {
        channel.name: channel.raise_threshold_db for watch in watches(log) for channel in watch.channels
    }
    found = []
    for channel, openings in sorted(by_channel.items(), key=lambda each: (-len(each[1]), each[0])):
        told = {one.entry_id for one in openings}
        others = [one for one in strengths(log, channel, MOST_COMPARED) if one.entry_id not in told]
        found.append(lesson(channel, openings, others, raised.get(channel, 0.0)))
    return tuple(found)


def lesson(
    channel: str,
    wrong: Sequence[LoggedTransmission],
    others: Sequence[Strength],
    raised_db: float,
) -> Lesson:
    """What one channel's wrong openings suggest.

    Parameters
    ----------
    channel : str
    wrong : sequence of LoggedTransmission
        Those marked "wrong opening".
    others : sequence of Strength
        The rest of the channel.
    raised_db : float
        By how much the plan raises the threshold of the channel already.
    """
    heard = len(wrong) + len(others)
    evidence = [f"{write_count(len(wrong), 'opening')} of {heard:,} marked as wrong"]
    if len(wrong) < LEAST_WRONG:
        return Lesson(
            channel, f"nothing yet: fewer than {LEAST_WRONG} wrong openings are marked", tuple(evidence)
        )
    bare = [one for one in wrong if (kind := one.transmission.kind) is not None and kind.kind is Kind.CARRIER]
    errors = [e.value for one in bare if (e := one.transmission.frequency_error_hz) is not None]
    if len(errors) >= LEAST_WRONG and len(errors) >= BIRDIE_SHARE * len(wrong):
        spread = pstdev(errors)
        if spread <= BIRDIE_SPREAD_HZ:
            at_hz = bare[-1].transmission.frequency_hz + round(fmean(errors))
            evidence.append(
                f"{len(errors)} of them are bare carriers at {write_mhz(at_hz)} MHz, within ± {spread:.0f} Hz"
            )
            said = (
                f"this is a birdie at {write_mhz(at_hz)} MHz: move the radio's centre frequency so that it "
                "falls elsewhere, or look for its maker near the antenna"
            )
            return Lesson(channel, said, tuple(evidence))
    return _raising(channel, wrong, others, raised_db=raised_db, evidence=evidence)


def _raising(
    channel: str,
    wrong: Sequence[LoggedTransmission],
    others: Sequence[Strength],
    *,
    raised_db: float,
    evidence: list[str],
) -> Lesson:
    wrong_db = sorted(s.value for one in wrong if (s := one.transmission.snr_db) is not None)
    if len(wrong_db) < LEAST_WRONG:
        return Lesson(channel, "nothing: too few of them have a measured carrier to noise", tuple(evidence))
    others_db = [(one, db) for one in others if (db := one.snr_db) is not None]
    # The weakest that ever opened it stands for where it opens now.
    opens_db = min([*wrong_db, *(db for _, db in others_db)])
    reached_db = wrong_db[math.ceil(SHUT_SHARE * len(wrong_db)) - 1]
    by_db = math.floor((reached_db - opens_db) / STEP_DB + 1) * STEP_DB
    evidence.append(f"they lie between {wrong_db[0]:.1f} and {wrong_db[-1]:.1f} dB carrier to noise")
    if by_db > MOST_RAISED_DB:
        return Lesson(
            channel,
            f"no threshold: it would take {by_db:.1f} dB, and calls would go unheard; look for the cause",
            tuple(evidence),
        )
    shut = sum(1 for db in wrong_db if db < opens_db + by_db)
    lost = [one for one, db in others_db if db < opens_db + by_db]
    unheard = sum(1 for one in lost if one.verdict is None)
    evidence.append(f"{by_db:.1f} dB more would have kept {shut} of {len(wrong_db)} shut")
    evidence.append(
        f"it would also have kept shut {write_count(len(lost), 'other')}, {unheard} of them not yet heard"
    )
    if any(one.verdict is Verdict.HELP for one in lost):
        return Lesson(
            channel, "leave the threshold: a call for help was among what it would have lost", tuple(evidence)
        )
    value = raised_db + by_db
    return Lesson(
        channel,
        f"raise this channel's threshold by {by_db:.1f} dB",
        tuple(evidence),
        f"raise_threshold_db = {write_number(value)}" if value <= 20 else "",
    )
