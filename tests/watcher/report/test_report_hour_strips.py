"""Cells of the hour strip: how much of the watched part of an hour was heard, and how much was watched."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.watcher.report.made_records import entry, span
from watcher.log.spans import Span, Spans
from watcher.report.hour_strips import STEPS, HourCell, day_strips, legend
from watcher.report.summary import ActivitySummary, summarize


def one_channel(
    watched: list[Span], heard: list[tuple[float, float]], stop_s: float = 7200
) -> ActivitySummary:
    entries = [entry("calling", start, length, number) for number, (start, length) in enumerate(heard)]
    return summarize(span(0, stop_s), "UTC", transmissions=entries, watched={"calling": Spans(watched)})


def cells(summary: ActivitySummary) -> list[HourCell]:
    (channel_days,), _ = day_strips(summary, 1000)
    return [cell for day in channel_days for cell in day.cells]


def test_a_cell_says_what_was_heard_of_what_was_watched() -> None:
    first, second = cells(one_channel([span(0, 3600)], [(60, 36)]))
    assert (first.label, first.step, first.watched, first.share, first.part) == ("06", 2, True, "1 %", "")
    assert first.words == "06: heard 36 s, 1.0 %; watched 1 h"
    assert (second.watched, second.share, second.words) == (False, "–", "07: not watched")


def test_a_partly_watched_hour_shows_how_long_it_was_watched() -> None:
    (cell, _) = cells(one_channel([span(0, 359.7)], [(60, 9)]))
    assert (cell.part, cell.share) == ("5 min", "3 %")
    assert cell.words == "06: heard 9 s, 2.5 %; watched 5 min 59 s of 1 h"


def test_a_hair_of_rounding_does_not_make_an_hour_partly_watched() -> None:
    (cell, _) = cells(one_channel([span(0.001, 3600)], []))
    assert (cell.part, cell.share, cell.step) == ("", "quiet", 0)


def test_steps_rise_with_the_share() -> None:
    seconds = (1, 11, 37, 109, 361, 1081)  # just above none, 0.3, 1, 3, 10 and 30 % of an hour
    for step, length in enumerate(seconds, 1):
        assert cells(one_channel([span(0, 3600)], [(0, length)]))[0].step == step
    assert len(legend()) == len(STEPS) == 6
    assert legend()[0] == (1, "under 0.3 %")
    assert legend()[-1] == (6, "30 % or more")


def test_the_latest_days_are_kept_and_the_rest_is_said() -> None:
    start = datetime(2031, 5, 1, tzinfo=UTC)
    whole = Span(start, start + timedelta(days=10))
    summary = summarize(whole, "UTC", watched={"a": Spans([whole]), "b": Spans([whole])})
    strips, note = day_strips(summary, 24 * 2 * 3)
    assert [day.day for day in strips[0]] == ["Thu 8 May 2031", "Fri 9 May 2031", "Sat 10 May 2031"]
    assert len(strips) == 2
    assert note == "The last 3 of 10 days with any watch are shown."
    assert len(day_strips(summary, 1)[0][0]) == 1  # never none


def test_a_night_is_one_strip_where_that_is_asked() -> None:
    start = datetime(2031, 5, 4, 21, tzinfo=UTC)
    night = Span(start, start + timedelta(hours=8))
    summary = summarize(night, "UTC", watched={"a": Spans([night])})
    (strips,), _ = day_strips(summary, 1000, join_a_night=True)
    assert [day.day for day in strips] == ["Sun 4 May 2031 to Mon 5 May 2031"]
    assert [cell.label for cell in strips[0].cells] == ["21", "22", "23", "00", "01", "02", "03", "04"]
    assert len(day_strips(summary, 1000)[0][0]) == 2


def test_the_repeated_hour_names_its_zone() -> None:
    start = datetime(2031, 11, 2, 6, tzinfo=UTC)
    day = Span(start, start + timedelta(hours=25))
    summary = summarize(day, "America/Boise", watched={"a": Spans([day])})
    (strips,), _ = day_strips(summary, 1000)
    assert [cell.label for cell in strips[0].cells[:4]] == ["00", "01 MDT", "01 MST", "02"]
    assert len(strips[0].cells) == 25
