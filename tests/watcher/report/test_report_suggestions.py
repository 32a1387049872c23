"""What a log suggests for the plan: busy hours, hours nobody knows of, and nothing done by itself."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
import scipy.stats

from tests.watcher.report.made_records import START, at, channel, entry, span, watch
from watcher.cli import main
from watcher.log import WatchEnd, WatchEndedBy, WatchFacts, WatchLog
from watcher.log.spans import Spans
from watcher.plan.model import Channel, WatchPlan, Window
from watcher.receive.records import Watched
from watcher.report.suggestions import (
    ONLY_SUGGESTED,
    poisson_interval,
    suggestions,
    write_suggestions,
)
from watcher.report.summary import ActivitySummary, summarize

HOUR_S = 3600.0
DAYS = 3
CALLING = channel("calling")


@pytest.fixture(scope="module")
def three_days() -> ActivitySummary:
    """Three days of UTC from START: ten exchanges between 07 and 08 h each day, one at 15 h, none elsewhere.

    The hours from 20 h are not watched.
    """
    midnight_s = -(START.hour * HOUR_S + START.minute * 60 + START.second)
    entries, spans = [], []
    for day in range(1, DAYS + 1):
        begin_s = midnight_s + day * 24 * HOUR_S
        spans.append(span(begin_s, begin_s + 20 * HOUR_S))
        starts = [begin_s + 7 * HOUR_S + number * 300 for number in range(10)] + [begin_s + 15 * HOUR_S]
        entries += [entry("calling", start, 10, len(entries) + n) for n, start in enumerate(starts, 1)]
    whole = span(midnight_s + 24 * HOUR_S, midnight_s + (DAYS + 1) * 24 * HOUR_S)
    return summarize(
        whole,
        "UTC",
        transmissions=entries,
        watched={"calling": Spans(spans)},
        gaps=[],
        watches=[watch(CALLING, start_s=0, stop_s=(DAYS + 1) * 24 * HOUR_S, time_zone="UTC")],
    )


def test_the_busy_hour_is_found_with_its_interval(three_days: ActivitySummary) -> None:
    (one,) = suggestions(three_days)
    assert (one.channel, one.exchanges, one.watched_h) == ("calling", 33, 60.0)
    (busy,) = one.busy
    assert (busy.hour, busy.exchanges, busy.watched_h, busy.rate) == (7, 30, 3.0, 10.0)
    # Garwood's interval by the chi-square law of scipy: 30 events in three hours.
    law = scipy.stats.chi2
    assert busy.low == pytest.approx(law.ppf(0.025, 60) / 2 / 3)
    assert busy.high == pytest.approx(law.ppf(0.975, 62) / 2 / 3)


def test_hours_not_watched_are_unknown_not_quiet(three_days: ActivitySummary) -> None:
    (one,) = suggestions(three_days)
    assert one.unknown == (20, 21, 22, 23)
    assert "so unknown: the hours from 20, 21, 22, 23" in write_suggestions((one,), "UTC")


def test_the_text_offers_a_window_and_says_what_it_cannot(three_days: ActivitySummary) -> None:
    text = write_suggestions(suggestions(three_days), "UTC")
    assert text.startswith(f"{ONLY_SUGGESTED}\nHours are those of UTC.\n")
    assert "busy from 07 to 08 h: 10.0 an hour (6.7 to 14.3), 30 in 3.0 h" in text
    assert text.endswith('[[window]]\nname = "busy hours"\nat = ["07:00"]\nlength_minutes = 60')


def test_what_the_plan_watches_already_is_not_suggested_again(three_days: ActivitySummary) -> None:
    known = Channel(name="calling", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500)
    windows = (Window(at=("07:00",), length_minutes=60),)
    (one,) = suggestions(three_days, WatchPlan(channels=(known,), windows=windows))
    assert one.covered == (7,)
    assert "[[window]]" not in write_suggestions((one,), "UTC")
    (one,) = suggestions(
        three_days, WatchPlan(channels=(known,), windows=(Window(every_hours=1, length_minutes=5),))
    )
    assert one.covered == ()


def test_a_count_of_nothing_still_leaves_something_possible() -> None:
    low, high = poisson_interval(0)
    assert low == 0
    assert high == pytest.approx(scipy.stats.chi2.ppf(0.975, 2) / 2)


def test_the_command_changes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stop: datetime = START + timedelta(minutes=10)
    with WatchLog.open(tmp_path / "log", create=True) as log:
        facts = WatchFacts(
            started_utc=START,
            source_label="made",
            plan_text="",
            plan_sha256="",
            program_version="0",
            channels=(CALLING,),
            station="Harrow Ridge",
            time_zone="UTC",
        )
        watch_id = log.begin_watch(facts)
        log.add_transmission(watch_id, entry("calling", 60, 30).transmission, None)
        log.add_watched(watch_id, Watched("calling", START, at(600)))
        log.end_watch(watch_id, WatchEnd(stop, WatchEndedBy.END_OF_SAMPLES))
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[[channel]]\nname = "calling"\nfrequency_mhz = 146.52\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    )
    before = plan.read_bytes()
    with pytest.raises(SystemExit):
        main(["suggest", str(tmp_path / "log"), str(plan)])
    said = capsys.readouterr().out
    assert '"calling": 1 exchange in 0.2 h watched\n  no hour stands out' in said
    assert plan.read_bytes() == before
