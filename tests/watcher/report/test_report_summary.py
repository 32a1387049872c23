"""A watch small enough to work out by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.watcher.report.made_records import START, at, channel, entry, gap, span, watch
from watcher.log.spans import Span, Spans
from watcher.radio.source import Stretch
from watcher.receive.records import Condition, ConditionKind, EndedBy
from watcher.report.summary import ActivitySummary, ToneCount, summarize

CALLING = channel("calling", priority=1, expect_tone_hz=100.0)


@pytest.fixture
def two_hours() -> ActivitySummary:
    """Two hours from 06:00 UTC, midnight in Boise (MDT): watched but for the last half hour."""
    return summarize(
        span(0, 7200),
        "America/Boise",
        transmissions=[
            entry("calling", -5, 15, 1, snr=20.0, tone_hz=100.0),  # ten of its seconds lie in the span
            entry("calling", 600, 20, 2, snr=8.0, tone_hz=None),
            entry("calling", 630, 40, 3, snr=9.0),
            entry("calling", 4000, 30, 4, snr=30.0, tone_hz=100.0, ended_by=EndedBy.GAP),
        ],
        watched={"calling": Spans([span(0, 4030), span(4060, 5400)])},
        gaps=[gap("calling", 4030, 4060)],
        watches=[watch(CALLING, channel("silent"), start_s=-100, stop_s=5400, time_zone="America/Boise")],
    )


def test_figures_of_a_channel(two_hours: ActivitySummary) -> None:
    one = two_hours.channels[0]
    assert (one.name, one.transmissions, one.cut_short) == ("calling", 4, 1)
    assert one.occupancy.heard_s == 10 + 20 + 40 + 30
    assert one.occupancy.watched_s == 5400 - 30
    assert one.occupancy.share == pytest.approx(100 / 5370)
    assert (one.first_utc, one.last_utc) == (at(-5), at(4030))
    assert one.strongest is not None
    assert one.strongest.start_utc == at(4000)
    assert one.weakest is not None
    assert one.weakest.start_utc == at(600)
    assert one.tones == (ToneCount(100.0, 2), ToneCount(None, 1))
    assert one.tone_unknown == 1
    assert one.account.unwatched_by_cause() == {"no watch was stood": 1800.0, "lost samples": 30.0}


def test_mean_length_is_of_those_seen_whole_with_its_standard_error(two_hours: ActivitySummary) -> None:
    """15, 20 and 40 s: mean 25, standard deviation sqrt(175), over sqrt(3)."""
    mean = two_hours.channels[0].mean_length_s
    assert mean is not None
    assert mean.value == pytest.approx(25.0)
    assert mean.sigma == pytest.approx((175 / 3) ** 0.5)


def test_hours_are_local_and_add_up(two_hours: ActivitySummary) -> None:
    assert [(hour.label, hour.zone) for hour in two_hours.hours] == [("00", "MDT"), ("01", "MDT")]
    hours = two_hours.channels[0].hours
    assert hours.heard_s.tolist() == [70.0, 30.0]
    assert hours.quiet_s.tolist() == [3530.0, 1740.0]
    assert hours.unwatched_s.tolist() == [0.0, 1830.0]


def test_the_busiest_hour_is_by_share_of_watched_time(two_hours: ActivitySummary) -> None:
    """70 of 3600 s against 30 of 1770 s."""
    one = two_hours.channels[0]
    assert one.busiest_hour == 0
    assert one.busiest_share == pytest.approx(70 / 3600)


def test_an_hour_watched_for_less_than_five_minutes_is_not_compared() -> None:
    summary = summarize(
        span(0, 7200),
        "UTC",
        transmissions=[entry("calling", 10, 10, 1), entry("calling", 3700, 60, 2)],
        watched={"calling": Spans([span(0, 3600), span(3600, 3899)])},
    )
    assert summary.channels[0].busiest_hour == 0
    only_short = summarize(
        span(0, 7200),
        "UTC",
        transmissions=[entry("calling", 10, 10, 1)],
        watched={"calling": Spans([span(0, 299)])},
    )
    assert only_short.channels[0].busiest_hour is None


def test_a_channel_of_the_plan_appears_even_when_silent(two_hours: ActivitySummary) -> None:
    silent = two_hours.channels[1]
    assert (silent.name, silent.transmissions, silent.frequency_hz) == ("silent", 0, 146_520_000)
    assert silent.account.unwatched_s == 7200
    assert (silent.strongest, silent.mean_length_s, silent.busiest_hour) == (None, None, None)


def test_exchanges_and_what_to_hear_first(two_hours: ActivitySummary) -> None:
    assert [len(one.transmissions) for one in two_hours.exchanges] == [1, 2, 1]
    # Priority 2, alone 2; priority 2, no tone 2, weak 1, long 1; priority 2, alone 2, long 1.
    assert [one.points for one in two_hours.hear_first] == [6, 5, 4]
    assert two_hours.airtime_s == 100
    assert two_hours.heard_channels == 1


def test_a_short_watch_does_not_make_a_channel_a_busy_one() -> None:
    """A lone call fills most of fifteen seconds; a broadcast fills hours."""
    call = summarize(
        span(0, 15),
        "UTC",
        transmissions=[entry("calling", 2, 9, 1, snr=20.0)],
        watched={"calling": Spans([span(0, 15)])},
    )
    assert [reason.words for reason in call.hear_first[0].reasons] == ["nobody else was heard with it"]
    # An hour of a broadcast that began before the watch and fell once for a moment.
    broadcast = [
        entry("calling", 0, 1800, 1, snr=20.0, on_at_start=True),
        entry("calling", 1830, 5370, 2, snr=20.0, ended_by=EndedBy.END_OF_SAMPLES),
    ]
    hours = summarize(
        span(0, 7200), "UTC", transmissions=broadcast, watched={"calling": Spans([span(0, 7200)])}
    )
    assert (hours.channels[0].occupancy.low or 0) > 0.5
    assert hours.hear_first == ()


def test_pieces_of_a_split_transmission_count_once() -> None:
    pieces = [
        entry("calling", 0, 300, 1, ended_by=EndedBy.SPLIT),
        entry("calling", 300, 100, 2, piece=2),
    ]
    one = summarize(span(0, 3600), "UTC", transmissions=pieces).channels[0]
    assert (one.transmissions, one.occupancy.runs, one.occupancy.heard_s) == (1, 1, 400.0)


@pytest.mark.parametrize(("day", "hours"), [((2031, 3, 9), 23), ((2031, 5, 4), 24), ((2031, 11, 2), 25)])
def test_a_day_of_the_wall_clock_has_its_true_number_of_hours(day: tuple[int, int, int], hours: int) -> None:
    """Boise, with the changes of the clock of 2031 (see test_report_local_time)."""
    offset = timedelta(hours=7 if day[1] == 3 else 6)
    start = datetime(*day, tzinfo=UTC) + offset
    whole = Span(start, start + timedelta(hours=hours))
    summary = summarize(whole, "America/Boise", watched={"calling": Spans([whole])})
    assert len(summary.hours) == hours
    shares = summary.channels[0].hours
    assert shares.quiet_s.tolist() == [3600.0] * hours
    assert len({hour.day for hour in summary.hours}) == 1


def test_hours_of_days_without_any_watch_are_left_out() -> None:
    """A log may jump by years, from a recording without a time to today."""
    parts = Spans([span(0, 60), span(86_400 * 4000, 86_400 * 4000 + 60)])
    summary = summarize(span(0, 86_400 * 4000 + 60), "UTC", watched={"calling": parts})
    assert len({hour.day for hour in summary.hours}) == 2
    assert len(summary.hours) <= 48


def test_channels_stand_in_the_order_of_the_latest_plan() -> None:
    earlier = watch(channel("z"), channel("old"), start_s=0, stop_s=10)
    latest = watch(channel("y"), channel("z"), start_s=20, stop_s=30)
    summary = summarize(
        span(0, 60), "UTC", watches=[earlier, latest], transmissions=[entry("b", 1, 1), entry("a", 1, 1)]
    )
    assert [one.name for one in summary.channels] == ["y", "z", "old", "a", "b"]


def test_an_empty_log_has_an_empty_summary() -> None:
    summary = summarize(span(0, 3600), "UTC")
    assert (summary.channels, summary.hours, summary.exchanges, summary.notices) == ((), (), (), ())


def test_a_span_without_length_is_no_error() -> None:
    summary = summarize(span(5, 5), "UTC", watches=[watch(CALLING)])
    assert summary.channels[0].occupancy.share is None
    assert len(summary.channels[0].hours.heard_s) == 0


def test_conditions_are_kept() -> None:
    found = Condition("calling", ConditionKind.STEADY_CARRIER, START, at(60), -1200.0, 9.0, "a line")
    summary = summarize(span(0, 3600), "UTC", conditions=[found])
    assert summary.conditions == (found,)
    assert [one.name for one in summary.channels] == ["calling"]


def test_what_a_reader_must_know_first() -> None:
    assumed = Stretch(START, False, 48_000, 146_520_000, None, "field.wav")
    watches = [
        watch(CALLING, start_s=0, stop_s=1000, time_zone="Europe/Berlin", stretches=(assumed,)),
        watch(CALLING, start_s=500, stop_s=1500),
        watch(CALLING, start_s=2000, stop_s=None),
    ]
    zones, times, twice, unended = summarize(span(0, 3600), "UTC", watches=watches).notices
    assert "several time zones (Europe/Berlin, UTC)" in zones
    assert "field.wav" in times
    assert "assumed, not known" in times
    assert "06:33:20 UTC, has no end in the log" in unended
    assert "06:08:20 UTC, covers time that an earlier watch covers too" in twice


def test_an_unknown_time_zone_is_told() -> None:
    (notice,) = summarize(span(0, 60), "Nowhere/Atall").notices
    assert notice == 'The time zone "Nowhere/Atall" is not known on this machine; all times are in UTC.'


def test_shares_of_the_hours_are_those_of_the_account() -> None:
    """Random transmissions, watched spans and gaps over three days: the hours sum to the channel's totals."""
    rng = np.random.default_rng(5)
    starts = np.sort(rng.uniform(0, 259_000, 400))
    heard = [entry("calling", float(start), float(rng.exponential(8)), k) for k, start in enumerate(starts)]
    summary = summarize(
        span(0, 259_200),
        "Australia/Lord_Howe",
        transmissions=heard,
        watched={"calling": Spans([span(100, 90_000), span(95_000, 259_200)])},
        gaps=[gap("calling", 1000 * k, 1000 * k + 7) for k in range(90)],
    )
    one = summary.channels[0]
    assert one.hours.heard_s.sum() == pytest.approx(one.occupancy.heard_s, abs=1e-6)
    assert one.hours.watched_s.sum() == pytest.approx(one.occupancy.watched_s, abs=1e-6)
    lengths = [(hour.stop_utc - hour.start_utc).total_seconds() for hour in summary.hours]
    parts = one.hours.watched_s + one.hours.unwatched_s
    assert np.allclose(parts, lengths, atol=1e-6)
