"""What wrong openings suggest, with the arithmetic done by hand beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.watcher.report.made_records import START, at, channel, entry
from watcher.log import WatchFacts, WatchLog
from watcher.log.marks import Change, Verdict, change_marks
from watcher.log.reading import LoggedTransmission
from watcher.log.search import Strength
from watcher.receive.records import Kind, KindReading, Measured
from watcher.review.lessons import lesson, lessons


def opened(
    number: int, snr: float | None, error_hz: float | None = None, **said: object
) -> LoggedTransmission:
    error = None if error_hz is None else Measured(error_hz, 5.0)
    return entry("Ridge", 60 * number, 5, number, snr=snr, frequency_error_hz=error, **said)


def bare(number: int, error_hz: float) -> LoggedTransmission:
    return opened(number, 8.0, error_hz, kind=KindReading(Kind.CARRIER, 0.99, 0.0))


def others(*snrs_db: float, verdict: Verdict | None = None) -> list[Strength]:
    return [Strength(100 + number, snr, verdict) for number, snr in enumerate(snrs_db)]


def test_two_are_too_few_to_learn_from() -> None:
    said = lesson("Ridge", [opened(1, 4.0), opened(2, 4.0)], others(20.0), 0.0)
    assert said.suggestion.startswith("nothing yet: fewer than 3")
    assert said.evidence == ("2 openings of 3 marked as wrong",)
    assert said.plan_line == ""


def test_bare_carriers_in_one_place_are_a_birdie_and_its_frequency_is_told() -> None:
    """On 146.52 MHz, errors of 410, 400 and 420 Hz: their mean lies at 146.52041 MHz, spread 8 Hz."""
    said = lesson("Ridge", [bare(1, 410.0), bare(2, 400.0), bare(3, 420.0)], [], 0.0)
    assert said.suggestion.startswith("this is a birdie at 146.52041 MHz")
    assert "within ± 8 Hz" in said.evidence[1]


def test_bare_carriers_all_over_the_channel_are_none() -> None:
    said = lesson("Ridge", [bare(1, -900.0), bare(2, 0.0), bare(3, 900.0)], [], 0.0)
    assert "birdie" not in said.suggestion


def test_weak_wrong_openings_ask_for_a_higher_threshold_with_what_it_costs() -> None:
    """Wrong at 3, 3.5, 4, 4.5 and 5 dB: four of five lie at or under 4.5, so from 3 on it takes 2 dB.

    Below 5 dB lie four of the wrong ones then, and of the others the one of 4 dB, not those of 12 and 20.
    """
    wrong = [opened(n, snr) for n, snr in enumerate((3.0, 3.5, 4.0, 4.5, 5.0), 1)]
    said = lesson("Ridge", wrong, others(4.0, 12.0, 20.0), 1.0)
    assert said.suggestion == "raise this channel's threshold by 2.0 dB"
    assert "2.0 dB more would have kept 4 of 5 shut" in said.evidence
    assert "it would also have kept shut 1 other, 1 of them not yet heard" in said.evidence
    assert said.plan_line == "raise_threshold_db = 3"  # on top of the 1 dB that the plan has


def test_a_threshold_that_would_have_lost_a_call_for_help_is_left() -> None:
    wrong = [opened(n, snr) for n, snr in enumerate((3.0, 3.5, 4.0, 4.5, 5.0), 1)]
    said = lesson("Ridge", wrong, others(4.0, verdict=Verdict.HELP), 0.0)
    assert said.suggestion.startswith("leave the threshold: a call for help")
    assert said.plan_line == ""


def test_strong_wrong_openings_are_no_matter_of_a_threshold() -> None:
    wrong = [opened(n, 25.0) for n in range(1, 6)]
    said = lesson("Ridge", wrong, others(4.0), 0.0)
    assert said.suggestion.startswith("no threshold: it would take 21.5 dB")


def test_what_was_not_measured_teaches_nothing() -> None:
    said = lesson("Ridge", [opened(n, None) for n in range(1, 6)], others(4.0), 0.0)
    assert said.suggestion.startswith("nothing: too few")


def test_a_threshold_beyond_what_a_plan_takes_gets_no_line() -> None:
    wrong = [opened(n, snr) for n, snr in enumerate((3.0, 3.5, 4.0, 4.5, 5.0), 1)]
    assert lesson("Ridge", wrong, [], 19.0).plan_line == ""


@pytest.fixture
def log_with_marks(tmp_path: Path) -> Path:
    with WatchLog.open(tmp_path, create=True) as log:
        listed = (channel("Ridge", raise_threshold_db=0.5), channel("Family 1"))
        watch_id = log.begin_watch(WatchFacts(START, "made", "", "", "0", channels=listed))
        for number in range(20):
            name = "Ridge" if number % 2 else "Family 1"
            log.add_transmission(watch_id, entry(name, 60 * number, 5, snr=3.0 + number).transmission, None)
        wrong = [Change(number, 0, True, Verdict.WRONG) for number in (1, 2, 4, 6, 8)]
        change_marks(log, wrong, at(9999))
    return tmp_path


def test_the_channel_with_most_wrong_openings_comes_first(log_with_marks: Path) -> None:
    """Entries 2, 4, 6 and 8 are the first four of Ridge, 1 is of the other channel."""
    with WatchLog.open_to_read(log_with_marks) as log:
        ridge, family = lessons(log)
    assert (ridge.channel, family.channel) == ("Ridge", "Family 1")
    assert ridge.evidence[0] == "4 openings of 10 marked as wrong"
    # At 4, 6, 8 and 10 dB; all four are needed for 80 %: 6 dB and the next step, on top of 0.5 dB.
    assert ridge.plan_line == "raise_threshold_db = 7"
    assert family.suggestion.startswith("nothing yet")


def test_a_log_without_marks_teaches_nothing(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        assert lessons(log) == ()
