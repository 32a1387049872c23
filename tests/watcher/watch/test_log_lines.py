"""One event, one line: what stands in it and how."""

from __future__ import annotations

import io
import json
import shlex
import sys
import threading
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.receive.records import GapCause
from watcher.watch.log_lines import LineLog, write_line

NOON = datetime(2031, 5, 4, 12, 0, 0, 250_000, tzinfo=UTC)


def test_time_comes_first_then_the_event_then_facts_in_order() -> None:
    line = write_line(
        NOON,
        "window-opened",
        {
            "name": "three hours",
            "until_utc": NOON + timedelta(minutes=5),
            "radios": 2,
            "late_s": timedelta(seconds=250.5),
            "snr_db": 12.3456789,
            "cause": GapCause.RADIO_LOST,
            "followed": True,
            "channels": ["a", "b"],
            "absent": None,
        },
    )
    assert line == (
        '2031-05-04T12:00:00.250Z window-opened name="three hours" until_utc=2031-05-04T12:05:00.250Z '
        'radios=2 late_s=250.5 snr_db=12.3457 cause="no radio" followed=true channels=a,b'
    )


@pytest.mark.parametrize(
    ("value", "written"),
    [
        ("", '""'),
        ("plain", "plain"),
        ('say "x"', '"say \\"x\\""'),
        ("a=b", '"a=b"'),
        ("two\nlines", '"two\\nlines"'),
        ("Höhe", "Höhe"),
        (float("nan"), "unknown"),
        (float("inf"), "unknown"),
        (0.0, "0"),
        (1e9, "1e+09"),
        (-3, "-3"),
        (False, "false"),
        ([], '""'),
    ],
)
def test_values_are_quoted_where_they_must(value: object, written: str) -> None:
    assert write_line(NOON, "x", {"k": value}).partition(" k=")[2] == written  # type: ignore[dict-item]


@given(st.dictionaries(st.from_regex(r"[a-z_]{1,8}", fullmatch=True), st.text(max_size=40), max_size=5))
def test_every_text_stays_on_one_line_and_can_be_read_back(facts: dict[str, str]) -> None:
    line = write_line(NOON, "event", facts)  # type: ignore[arg-type]
    assert len(line.splitlines()) == 1
    rest, decoder, found = line.split(" ", 2)[2:], json.JSONDecoder(), {}
    text = rest[0] if rest else ""
    while text:
        key, _, text = text.partition("=")
        if text.startswith('"'):
            found[key], stop = decoder.raw_decode(text)
            text = text[stop + 1 :]
        else:
            found[key], _, text = text.partition(" ")
    assert found == facts


def test_a_simple_line_reads_like_words_of_a_shell() -> None:
    line = write_line(NOON, "gap", {"channel": "2 m calling", "seconds": 1.5})
    assert shlex.split(line)[1:] == ["gap", "channel=2 m calling", "seconds=1.5"]


def test_an_odd_name_or_key_breaks_no_line() -> None:
    assert write_line(NOON, "two words\n", {"a b=": 1}) == "2031-05-04T12:00:00.250Z two-words- a-b-=1"


def test_lines_go_to_standard_error_whole_and_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    LineLog(lambda: NOON).event("started", pid=7)
    captured = capsys.readouterr()
    assert captured.err == "2031-05-04T12:00:00.250Z started pid=7\n"
    assert captured.out == ""


def test_lines_of_several_threads_do_not_mix() -> None:
    out = io.StringIO()
    log = LineLog(lambda: NOON, out)
    threads = [
        threading.Thread(target=lambda who=who: [log.event("x", who=who) for _ in range(200)])
        for who in ("one", "two", "three")
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    lines = out.getvalue().splitlines()
    assert len(lines) == 600
    assert {line.partition(" x ")[2] for line in lines} == {"who=one", "who=two", "who=three"}


def test_a_stream_that_is_gone_ends_no_watch(monkeypatch: pytest.MonkeyPatch) -> None:
    closed = io.StringIO()
    closed.close()
    LineLog(lambda: NOON, closed).event("x")
    monkeypatch.setattr(sys, "stderr", closed)
    LineLog(lambda: NOON).event("x")
