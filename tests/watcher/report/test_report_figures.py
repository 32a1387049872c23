"""Periods, the week, earlier weeks: figures that add up, and the same ones on page, in CSV and on paper."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from scipy.stats import binomtest

from tests.watcher.report.made_records import START, channel, entry, span, watch
from tests.watcher.report.made_watch import made_watch, pages
from watcher.log.spans import Span, Spans
from watcher.report import read_figures, read_summary, render_html, summarize
from watcher.report.comparison import chance_of_difference, compare
from watcher.report.figures import figures_csv, figures_of
from watcher.report.figures_sheet import figures_sheet
from watcher.report.periods import By, latest_week, periods, week_map, weeks_before
from watcher.report.summary import ActivitySummary

DAY_S = 86_400.0
HOUR_S = 3600.0


def trips() -> ActivitySummary:
    """Watched an hour a day on 4, 5 and 9 May and 2 June 2031, from 06:00 UTC; a call in each but one."""
    days = (0, 1, 5, 29)
    watched = Spans([span(day * DAY_S, day * DAY_S + HOUR_S) for day in days])
    heard = [entry("calling", day * DAY_S + 600, 36, day + 1, tone_hz=100.0) for day in days[:3]]
    return summarize(
        span(0, 30 * DAY_S),
        "UTC",
        transmissions=heard,
        watched={"calling": watched},
        watches=[watch(channel("calling"), stop_s=30 * DAY_S)],
    )


@pytest.mark.parametrize("by", list(By))
def test_the_seconds_of_all_periods_add_up_to_the_span(by: By) -> None:
    found = periods(trips(), by)
    assert sum(one.watched_s for one in found) == pytest.approx(4 * HOUR_S)
    assert sum(one.heard_s for one in found) == pytest.approx(3 * 36)
    assert sum(one.watched_s + one.unwatched_s for one in found) == pytest.approx(30 * DAY_S)
    assert sum(one.transmissions for one in found) == 3


def test_a_whole_day_without_a_watch_ends_a_trip() -> None:
    names = [one.name for one in periods(trips(), By.TRIP)]
    assert names == ["Sun 4 May 2031 to Mon 5 May 2031", "Fri 9 May 2031", "Mon 2 Jun 2031", "all other time"]


def test_months_are_those_of_the_calendar() -> None:
    may, june = periods(trips(), By.MONTH)
    assert (may.name, may.transmissions, may.watched_s) == ("May 2031", 3, 3 * HOUR_S)
    assert (june.name, june.transmissions, june.watched_s) == ("Jun 2031", 0, HOUR_S)
    assert may.occupancy == pytest.approx(3 * 36 / (3 * HOUR_S))
    # From 06:00 on 4 May to the end of the month: 27 d 18 h.
    assert may.watched_s + may.unwatched_s == 27 * DAY_S + 18 * HOUR_S


def test_days_follow_the_local_clock() -> None:
    """06:00 UTC is midnight in Boise in May, so the hour before belongs to the day before (tz database)."""
    summary = summarize(span(-3600, 3600), "America/Boise", watched={"calling": Spans([span(-3600, 3600)])})
    names = [(one.name, one.watched_s) for one in periods(summary, By.DAY)]
    assert names == [("Sat 3 May 2031", HOUR_S), ("Sun 4 May 2031", HOUR_S)]


def test_the_week_has_each_hour_under_its_weekday() -> None:
    week = week_map(trips())
    assert week.watched_s.sum() == pytest.approx(4 * HOUR_S)
    # 4 May 2031 is a Sunday, 5 May and 2 June are Mondays, 9 May is a Friday.
    assert week.share(6, 6) == pytest.approx(0.01)
    assert week.share(0, 6) == pytest.approx(0.005)
    assert week.share(2, 6) is None
    assert [place[:2] for place in week.ordered()] == [(4, 6), (6, 6), (0, 6)]


@pytest.mark.parametrize(
    ("count", "hours", "before", "before_hours"),
    [(0, 7, 12, 28), (9, 7, 4, 28), (3, 7, 12, 28), (5, 1, 0, 9)],
)
def test_the_chance_is_twice_the_smaller_tail_of_the_binomial_law(
    count: int, hours: float, before: int, before_hours: float
) -> None:
    tails = [
        binomtest(count, count + before, hours / (hours + before_hours), alternative=side).pvalue
        for side in ("greater", "less")
    ]
    expected = min(1.0, 2 * min(tails))
    assert chance_of_difference(count, hours, before, before_hours) == pytest.approx(expected)


def test_the_chance_refuses_what_cannot_be() -> None:
    with pytest.raises(ValueError, match="hours above 0"):
        chance_of_difference(1, 0, 1, 1)


def week_of(first_day: float, calls: int, days: float = 7) -> ActivitySummary:
    start_s, stop_s = first_day * DAY_S, (first_day + days) * DAY_S
    heard = [entry("calling", start_s + 600 * n, 10, n + 1) for n in range(calls)]
    return summarize(
        span(start_s, stop_s),
        "UTC",
        transmissions=heard,
        watched={"calling": Spans([span(start_s, stop_s)])},
        watches=[watch(channel("calling"), start_s=start_s, stop_s=stop_s)],
    )


def test_a_week_is_compared_with_the_four_before() -> None:
    before = week_of(-28, 20, days=28)
    words = [compare(week_of(0, calls), before)[0].words for calls in (5, 60)]
    assert words == ["no difference beyond chance", "busier than before"]
    many_before = week_of(-28, 400, days=28)
    assert compare(week_of(0, 20), many_before)[0].words == "quieter than before"
    (one,) = compare(week_of(0, 5), before)
    assert one.before_shares == pytest.approx((20 * 10 / (7 * DAY_S), 0, 0, 0))


def test_too_little_history_is_unknown() -> None:
    (one,) = compare(week_of(0, 60), week_of(-0.1, 0, days=0.1))
    assert one.chance is None
    assert one.words.startswith("unknown")
    assert one.before_shares == (None, None, None, 0.0)


def test_weeks_meet_and_end_where_the_latest_begins() -> None:
    week = latest_week(Span(START, START + timedelta(days=40)))
    assert week.seconds == 7 * DAY_S
    before = weeks_before(week, 4)
    assert before[-1].stop_utc == week.start_utc
    assert week.start_utc - before[0].start_utc == timedelta(days=28)
    short = Span(START, START + timedelta(hours=1))
    assert latest_week(short) == short


def test_page_csv_and_paper_tell_the_same_figures(tmp_path: Path) -> None:
    folder = made_watch(tmp_path)
    summary = read_summary(folder)
    figures = read_figures(folder, summary, By.TRIP)
    rows = list(csv.DictReader(io.StringIO(figures_csv(summary, figures), newline="")))
    value = {(row["table"], row["row"], row["figure"]): row["value"] for row in rows}
    assert value["by trip", "Sun 4 May 2031", "Transmissions"] == "3"
    # 90 s heard of 5400 s watched; 1800 s of 7200 s lost.
    assert float(value["by trip", "Sun 4 May 2031", "Occupancy"]) == pytest.approx(90 / 5400, abs=1e-6)
    assert float(value["by trip", "Sun 4 May 2031", "Coverage"]) == pytest.approx(0.75)
    assert float(value["coverage", "calling", "Not watched: no radio"]) == 1800
    assert value["by tone", "100.0 Hz", "Transmissions"] == "1"
    assert value["earlier weeks", "calling", "Before"] == ""
    made = datetime(2031, 5, 5, tzinfo=UTC)
    paper = " ".join(" ".join(pages(figures_sheet(summary, figures, made))).split())
    page = render_html(summary, folder, figures=figures)
    for table in figures.tables:
        assert table.title in paper
        assert table.title in page


def test_coverage_of_each_channel_adds_up_to_the_span() -> None:
    figures = figures_of(trips())
    (table,) = (one for one in figures.tables if one.key == "coverage")
    for row in table.rows:
        assert sum(cell for cell in row[2:] if isinstance(cell, float)) == pytest.approx(30 * DAY_S)
