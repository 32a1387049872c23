"""The report for a terminal: 80 columns, no colour, nothing a terminal would obey."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.watcher.report.made_records import at, channel, entry, gap, span, watch
from watcher.log.spans import Span, Spans
from watcher.receive.records import Condition, ConditionKind
from watcher.report import render_text, summarize
from watcher.report.text import for_terminal


def text_of(name: str) -> str:
    summary = summarize(
        span(0, 7200),
        "America/Boise",
        transmissions=[
            entry(name, 10, 15, 1, snr=7.0, tone_hz=None, clip="2031-05-04/one.flac"),
            entry(name, 60, 5, 2, snr=7.0),
        ],
        watched={name: Spans([span(0, 3600), span(3700, 5400)])},
        gaps=[gap(name, 3600, 3700)],
        conditions=[Condition(name, ConditionKind.IMAGE, at(0), at(60), None, None, "mirror of another")],
        watches=[watch(channel("calling", priority=1, expect_tone_hz=100.0), stop_s=5400)],
    )
    return render_text(summary)


def test_lines_are_80_columns_and_ascii() -> None:
    text = text_of("calling")
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 80
    assert text.endswith("\n")


def test_the_facts_are_there() -> None:
    text = text_of("calling")
    for fact in (
        "2 transmissions in 2 exchanges were heard on it, 20 s in all.",
        "Not watched, and so unknown: 31 min 40 s on the channel.",
        "no tone where",
        "SNR 7.0 +- 0.4 dB, tone none (99.90 % sure)",
        "2031-05-04/one.flac",
        "calling (146.520 MHz)",
        "Heard:            2 transmissions, 20 s",
        "1 h 28 min watched",
        "  30 min: no watch was stood",
        "  1 min 40 s: lost samples",
        "calling: image,",
        "This program only receives.",
    ):
        assert fact in text, fact


def test_names_cannot_command_the_terminal() -> None:
    text = text_of("evil\x1b[2J\r\nname\u202e")
    assert "\x1b" not in text
    assert "\r" not in text
    assert "evil?[2J??name?" in text
    assert for_terminal("a\tb\u200bc ± – − ×") == "a?b?c +- - - x"


def test_hours_stand_under_their_ruler() -> None:
    start = datetime(2031, 5, 4, 22, tzinfo=UTC)
    night = Span(start, start + timedelta(hours=4))
    summary = summarize(night, "UTC", watched={"calling": Spans([Span(start, start + timedelta(hours=2.5))])})
    lines = render_text(summary).splitlines()
    ruler = next(line for line in lines if line.strip() == "00    06    12    18")
    first, second = (
        next(line for line in lines if line.startswith(f"  {day} May")) for day in ("Sun 4", "Mon 5")
    )
    midnight = ruler.index("00")
    assert first[midnight + 22 :] == ".."
    assert second[midnight:] == ":/"


def test_long_logs_are_cut_and_the_text_says_so() -> None:
    entries = [entry("calling", 100.0 * k, 5, k) for k in range(60)]
    gaps = [gap("calling", 100.0 * k + 50, 100.0 * k + 51) for k in range(60)]
    watched = {"calling": Spans([span(0, 6000)])}
    text = render_text(summarize(span(0, 6000), "UTC", transmissions=entries, watched=watched, gaps=gaps))
    assert "The latest 20 of 60; the others are in the log." in text
    assert "52 more with a reason are in the page and in the log." in text
    assert "and 52 shorter ones" in text


def test_an_empty_log_says_so() -> None:
    text = render_text(summarize(span(0, 60), "UTC"))
    assert "Nothing was watched: the log holds no channel for this time." in text
    assert "Nothing is known of this time." in text
