"""What an alert says, and of what it is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from watcher.plan.duties import Alert
from watcher.receive.records import EndedBy, Finding, Kind, KindReading, Measured, Sign, Transmission
from watcher.watch.alert_texts import (
    CALLING,
    MOST_TOLD,
    NEXT,
    NOBODY_LISTENED,
    Item,
    item_for,
    message,
    trial_message,
    write_probability,
    write_times,
)

BOISE = ZoneInfo("America/Boise")  # seven hours behind UTC in winter, six in summer
HEARD_UTC = datetime(2031, 5, 4, 9, 2, 1, tzinfo=UTC)
EVERYTHING = Alert(to="json://x", flags=("long-tone", "beacon", "same", "alert-tone", "unmodulated"))


def heard(channel: str = "2 m calling", seconds: float = 4.2, **said: Any) -> Transmission:
    return Transmission(
        **{
            "channel": channel,
            "frequency_hz": 146_520_000,
            "mode": "nfm",
            "start_sample": 0,
            "stop_sample": 1,
            "start_utc": HEARD_UTC,
            "end_utc": HEARD_UTC + timedelta(seconds=seconds),
            "clip_start_utc": HEARD_UTC,
            "clip_end_utc": HEARD_UTC,
            "ended_by": EndedBy.CARRIER_DROP,
            **said,
        }
    )


def same(severity: float, words: str = "Tornado Warning, for Ada County.") -> dict[str, Any]:
    found = Finding(Sign.SAME, 0.0, 3.0, "ZCZC", words, 0.9995, {"severity": severity})
    return {"flags": ("same",), "findings": (found,)}


LONG_TONE = heard(
    flags=("long-tone",),
    findings=(Finding(Sign.LONG_TONE, 0.5, 4.0, "0", "a zero held 3.5 s", 0.987),),
    snr_db=Measured(12.4, 0.4),
)
CLIP = PurePosixPath("2031-05-04/090201.000Z_146.520_2-m-calling.flac")


def test_the_text_says_what_when_where_how_sure_and_what_to_do_next() -> None:
    item = item_for(EVERYTHING, LONG_TONE, CLIP, ())
    assert item is not None
    said = message("Ridge base", BOISE, [item])
    assert said.title == "Ridge base: a key tone (zero) held three seconds or more, 2 m calling"
    assert said.body == (
        "Heard: a key tone (zero) held three seconds or more, by amateur custom a call for help "
        "(a zero held 3.5 s)\n"
        "When: 2031-05-04 03:02:01 MDT (09:02:01 UTC), for 4.2 s\n"
        "Where: 2 m calling, 146.520 MHz, SNR 12 dB\n"
        "How sure: 98 % by the decoder's own reckoning\n"
        "Clip: 2031-05-04/090201.000Z_146.520_2-m-calling.flac\n"
        "\n"
        "A program found this; nobody has listened yet.\n"
        "Next: listen to the clip, then follow your own emergency plan and local procedures."
    )


def test_what_is_not_known_is_called_unknown() -> None:
    item = item_for(EVERYTHING, heard(flags=("beacon",)), None, ())
    assert item is not None
    body = message("Ridge base", BOISE, [item]).body
    assert "SNR unknown" in body
    assert "How sure: unknown" in body
    assert "Clip: none was kept" in body


@pytest.mark.parametrize(
    ("said", "reasons", "distress"),
    [
        ({"flags": ("long-tone",)}, ("long-tone",), True),
        ({"flags": ("beacon",)}, ("beacon",), True),
        (same(4), ("same",), True),
        (same(3), ("same",), False),
        ({"flags": ("alert-tone", "long-tone")}, ("long-tone", "alert-tone"), True),
        ({"flags": ("unmodulated",)}, ("unmodulated",), False),
    ],
)
def test_distress_is_a_long_tone_a_beacon_or_the_gravest_alert(
    said: dict[str, Any], reasons: tuple[str, ...], distress: bool
) -> None:
    item = item_for(EVERYTHING, heard(**said), None, ())
    assert item is not None
    assert (item.reasons, item.distress) == (reasons, distress)


def test_a_lesser_alert_than_asked_for_is_not_told() -> None:
    assert item_for(Alert(to="json://x"), heard(**same(2)), None, ()) is None
    assert item_for(Alert(to="json://x", least_severity=2), heard(**same(2)), None, ()) is not None


def test_a_flag_that_is_not_chosen_is_not_told() -> None:
    assert item_for(Alert(to="json://x"), heard(flags=("alert-tone",)), None, ()) is None
    assert item_for(Alert(to="json://x"), heard(), None, ()) is None


def test_calling_channels_are_told_where_asked_for() -> None:
    call = heard(kind=KindReading(Kind.VOICE, 0.971))
    item = item_for(Alert(to="json://x"), call, None, {"2 m calling"})
    assert item is not None
    assert (item.reasons, item.distress) == ((CALLING,), False)
    assert "How sure: probably voice (97 %)" in message("R", BOISE, [item]).body
    assert item_for(Alert(to="json://x"), call, None, {"another"}) is None
    assert item_for(Alert(to="json://x", calling=False), call, None, {"2 m calling"}) is None


def test_a_touched_button_and_a_later_piece_are_no_new_call() -> None:
    for no_call in (heard(seconds=0.9), heard(piece=2)):
        assert item_for(Alert(to="json://x"), no_call, None, {"2 m calling"}) is None


def test_a_message_of_several_begins_with_the_call_for_help() -> None:
    lesser = Item(heard("weather"), None, ("same",), False)
    grave = Item(heard("guard"), None, ("beacon",), True)
    said = message("Ridge base", BOISE, [lesser, grave], untold=2)
    assert said.title == "Ridge base: the falling sweep of an emergency locator, guard, and 1 more"
    assert said.body.index("Where: guard") < said.body.index("Where: weather")
    assert "2 others" in said.body
    assert said.body.endswith(NEXT)


def test_a_long_message_is_cut_and_says_so() -> None:
    items = [Item(heard(), None, ("beacon",), True)] * (MOST_TOLD + 3)
    body = message("R", BOISE, items).body
    assert body.count("When:") == MOST_TOLD
    assert "And 3 more, in the log." in body


def test_no_text_claims_an_emergency() -> None:
    for said in (same(4), {"flags": ("long-tone",)}, {"flags": ("beacon",)}):
        item = item_for(EVERYTHING, heard(**said), None, ())
        assert item is not None
        body = message("R", BOISE, [item]).body.lower()
        assert NOBODY_LISTENED.lower() in body
        assert not any(word in body for word in ("mayday", "rescue", "call 9", "is in danger"))


@pytest.mark.parametrize(
    ("instant", "zone", "written"),
    [
        (HEARD_UTC, "America/Boise", "2031-05-04 03:02:01 MDT (09:02:01 UTC)"),
        (HEARD_UTC.replace(hour=2), "America/Boise", "2031-05-03 20:02:01 MDT (2031-05-04 02:02:01 UTC)"),
        (HEARD_UTC.replace(month=1), "America/Boise", "2031-01-04 02:02:01 MST (09:02:01 UTC)"),
        (HEARD_UTC, "UTC", "2031-05-04 09:02:01 UTC"),
    ],
)
def test_times_are_local_and_utc(instant: datetime, zone: str, written: str) -> None:
    assert write_times(instant, ZoneInfo(zone)) == written


@pytest.mark.parametrize(
    ("probability", "written"),
    [(0.5, "50 %"), (0.989, "98 %"), (0.9919, "99.1 %"), (0.9999, "over 99.9 %"), (1.0, "over 99.9 %")],
)
def test_nothing_is_called_surer_than_it_is(probability: float, written: str) -> None:
    assert write_probability(probability) == written


def test_a_test_says_that_it_is_one() -> None:
    said = trial_message("Ridge base", BOISE, HEARD_UTC)
    assert "test" in said.title
    assert "Nothing was heard" in said.body
