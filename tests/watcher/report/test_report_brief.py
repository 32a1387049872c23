"""The outcome of a watch on one screen."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from watcher.log.reading import LoggedTransmission
from watcher.log.spans import Span, Spans
from watcher.receive.records import Condition, ConditionKind, EndedBy, Measured, ToneReading, Transmission
from watcher.report import render_brief, summarize
from watcher.report.brief import LINES_SHOWN

START = datetime(2031, 5, 4, 23, 59, 50, tzinfo=UTC)
HEARD = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="fm",
    start_sample=0,
    stop_sample=1,
    start_utc=START,
    end_utc=START + timedelta(seconds=4),
    clip_start_utc=START,
    clip_end_utc=START + timedelta(seconds=4),
    ended_by=EndedBy.CARRIER_DROP,
    snr_db=Measured(6.4, 0.2),
    tone=ToneReading(100.0, probability=0.99),
)


def at(second: float) -> Transmission:
    shift = timedelta(seconds=second)
    return replace(HEARD, start_utc=HEARD.start_utc + shift, end_utc=HEARD.end_utc + shift)


def brief(heard: list[Transmission], conditions: tuple[Condition, ...] = ()) -> str:
    span = Span(START, START + timedelta(minutes=10))
    entries = [
        LoggedTransmission(n, 1, one, f"clip-{n}.flac", "0" * 64, 64000) for n, one in enumerate(heard)
    ]
    summary = summarize(
        span, "UTC", transmissions=entries, watched={"2 m calling": Spans([span])}, conditions=conditions
    )
    return render_brief(summary)


def test_each_transmission_has_a_line_with_its_figures() -> None:
    line = next(line for line in brief([HEARD]).splitlines() if line.startswith("23:59:50"))
    assert line.split() == ["23:59:50", "2", "m", "calling", "146.520", "4.0", "s", "6", "dB", "100.0", "Hz"]


def test_a_new_day_is_told() -> None:
    lines = brief([HEARD, at(60)]).splitlines()
    first, second = (
        n for n, line in enumerate(lines) if "2 m calling" in line and "MHz" not in line and ":" in line[:3]
    )
    assert second == first + 2
    assert "5 May 2031" in lines[first + 1]


def test_more_than_a_screen_is_counted_not_shown() -> None:
    text = brief([at(20.0 * n) for n in range(LINES_SHOWN + 5)])
    assert "and 5 more, in the report." in text


def test_nothing_heard_still_says_what_was_watched_and_that_it_is_only_an_aid() -> None:
    text = brief([])
    assert "heard     channel" not in text
    assert "never the only plan" in text
    assert "10" in text


def test_a_condition_is_no_transmission() -> None:
    steady = Condition(
        "2 m calling",
        ConditionKind.STEADY_CARRIER,
        START,
        START + timedelta(seconds=30),
        410.0,
        9.0,
        "never modulated",
    )
    assert "no transmission: 2 m calling, steady carrier for 30 s; never modulated" in brief([], (steady,))


def test_lines_fit_and_names_cannot_steer_the_terminal() -> None:
    text = brief([replace(HEARD, channel="x\x1b[2J" + "y" * 90)])
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 80
