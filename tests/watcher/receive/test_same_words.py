"""SAME headers in plain words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.receive.same_places import MARINE, STATES
from watcher.receive.same_words import SEVERITY, SameEvent, load_events, place_in_words, same_words
from watcher.shipped import config_folder

HEARD = datetime(2031, 5, 6, 18, 7, tzinfo=UTC)
BOISE = ZoneInfo("America/Boise")
EVENTS = load_events(config_folder() / "same_events.csv")


def test_whole_header_in_words() -> None:
    """Day 126 of 2031 is 6 May; Mountain Daylight Time is UTC-6."""
    words = same_words("ZCZC-WXR-TOR-016001-916027+0045-1261805-QQ0/TEST-", EVENTS, HEARD, BOISE)
    assert words.event == "Tornado Warning"
    assert words.originator == "the National Weather Service"
    assert words.sender == "QQ0/TEST"
    assert words.places == (
        "county 001 of state 16 (Idaho)",
        "the south-east of county 027 of state 16 (Idaho)",
    )
    assert words.valid_from_utc == datetime(2031, 5, 6, 18, 5, tzinfo=UTC)
    assert words.valid_to_utc == datetime(2031, 5, 6, 18, 50, tzinfo=UTC)
    assert words.valid == (
        "valid from 2031-05-06 18:05 UTC (2031-05-06 12:05 MDT) "
        "to 2031-05-06 18:50 UTC (2031-05-06 12:50 MDT)"
    )
    assert (words.category, words.severity, words.malformed) == ("warning", 4, False)
    assert words.sentence.startswith("Tornado Warning, for county 001 of state 16 (Idaho); the south-east of")


@pytest.mark.parametrize(
    ("heard", "issued", "expected"),
    [
        ("2032-01-01T00:10", "3652330", "2031-12-31T23:30"),  # 2031 has 365 days
        ("2031-12-31T23:58", "0010001", "2032-01-01T00:01"),  # the sender's clock is ahead
        ("2033-01-01T00:05", "3662355", "2032-12-31T23:55"),  # 2032 is a leap year
        ("2032-02-29T12:00", "0601200", "2032-02-29T12:00"),
        ("2031-03-01T12:00", "0601200", "2031-03-01T12:00"),
    ],
)
def test_year_is_the_one_nearest_to_the_hearing(heard: str, issued: str, expected: str) -> None:
    """Days counted by hand: January 31, February 28 or 29."""
    instant = datetime.fromisoformat(heard).replace(tzinfo=UTC)
    words = same_words(f"ZCZC-WXR-RWT-016001+0030-{issued}-QQ0/TEST-", EVENTS, instant)
    assert words.valid_from_utc == datetime.fromisoformat(expected).replace(tzinfo=UTC)
    assert words.valid_to_utc == words.valid_from_utc + timedelta(minutes=30)


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("000000", "the whole country"),
        ("016000", "all of state 16 (Idaho)"),
        ("516001", "the centre of county 001 of state 16 (Idaho)"),
        ("077155", "zone 155 of marine area 77 (Gulf of Mexico)"),
        ("099123", "county 123 of state 99 (name unknown)"),
        ("16001", "unknown place (16001)"),
    ],
)
def test_places(code: str, expected: str) -> None:
    assert place_in_words(code) == expected


def test_unknown_event_and_originator_are_printed_as_unknown() -> None:
    words = same_words("ZCZC-QQQ-ZZZ-016001+0100-1261805-QQ0/TEST-", EVENTS, HEARD)
    assert words.event == "unknown event (ZZZ)"
    assert words.originator == "unknown originator (QQQ)"
    assert (words.category, words.malformed) == ("unknown", False)
    assert words.severity >= 3


@pytest.mark.parametrize(
    "header",
    [
        "ZCZC-WXR-TOR-016001+00X5-1261805-QQ0/TEST-",
        "ZCZC-WXR-TOR-016001+0045-3991805-QQ0/TEST-",
        "ZCZC-WXR-TOR-016001+0045-1261805-",
        "ZCZC-WXR-TOR-0160+0045-1261805-QQ0/TEST-",
        "ZCZC-WXR-T?R-016001+0045-1261805-QQ0/TEST-",
        "gibberish",
        "",
    ],
)
def test_malformed_header_is_shown_and_said_to_be_malformed(header: str) -> None:
    words = same_words(header, EVENTS, HEARD)
    assert words.malformed and "unknown" in words.sentence and words.sentence.endswith("malformed.")


@given(st.one_of(st.text(max_size=80), st.from_regex(r"ZCZC-[A-Z]{3}-[A-Z]{3}(-[0-9]{6}){1,3}\+.{0,30}")))
def test_any_text_gives_words(header: str) -> None:
    words = same_words(header, EVENTS, HEARD, BOISE)
    assert words.event and words.sentence
    assert (words.valid_to_utc is None) or words.valid_from_utc is not None


@given(st.integers(1, 9999), st.integers(0, 366))
def test_any_year_of_hearing_will_do(year: int, day: int) -> None:
    instant = datetime(year, 12, 31, 23, 59, tzinfo=UTC)
    words = same_words(f"ZCZC-WXR-TOR-016001+9959-{day:03d}2359-QQ0/TEST-", EVENTS, instant, BOISE)
    assert (words.valid_from_utc is None) == (day == 0 or (day == 366 and words.valid_from_utc is None))


def test_hearing_without_a_time_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="heard_utc has no time zone"):
        same_words("", EVENTS, HEARD.replace(tzinfo=None))


def test_table_of_events_is_the_published_one() -> None:
    """81 codes: 47 CFR 11.31(e) and the National Weather Service, as the file's head says."""
    assert len(EVENTS) == 81
    assert EVENTS["TOR"] == SameEvent("Tornado Warning", "warning")
    assert EVENTS["RWT"] == SameEvent("Required Weekly Test", "test")
    assert SEVERITY["warning"] > SEVERITY["watch"] > SEVERITY["statement"] > SEVERITY["test"]
    assert all(len(code) == 3 and event.category in SEVERITY for code, event in EVENTS.items())


def test_broken_table_is_refused_with_file_and_code(tmp_path: Path) -> None:
    table = tmp_path / "events.csv"
    table.write_text("# head\ncode,name,category\nAAA,Some Event,loud\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"events\.csv: the event 'AAA' .* category 'loud'"):
        load_events(table)


def test_fifty_states_and_the_capital_lie_from_01_to_56() -> None:
    """FIPS PUB 5-2 leaves out 03, 07, 14, 43 and 52 (from memory)."""
    inland = [number for number in STATES if int(number) <= 56]
    assert len(inland) == 51 and not {"03", "07", "14", "43", "52"} & set(inland)
    assert set(STATES) >= MARINE
