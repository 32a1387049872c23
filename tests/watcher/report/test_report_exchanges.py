"""Pieces of a split transmission count once; close transmissions are one exchange."""

from __future__ import annotations

from tests.watcher.report.made_records import entry, whole
from watcher.receive.records import EndedBy, Measured, ToneReading
from watcher.report.exchanges import exchanges, whole_transmissions


def test_pieces_of_a_split_transmission_are_one() -> None:
    entries = [
        entry("calling", 0, 300, 1, ended_by=EndedBy.SPLIT, snr=9.0, flags=("sustained",)),
        entry("other", 100, 5, 2),
        entry("calling", 300, 300, 3, piece=2, ended_by=EndedBy.SPLIT, snr=10.0, tone_hz=100.0),
        entry("calling", 600, 60, 4, piece=3, snr=20.0, flags=("sustained", "calling")),
    ]
    found = whole_transmissions(reversed(entries))
    assert [(one.channel, one.seconds, len(one.pieces)) for one in found] == [
        ("calling", 660, 3),
        ("other", 5, 1),
    ]
    assert found[0].flags == ("sustained", "calling")
    assert found[0].tone is not None
    assert found[0].tone.tone_hz == 100.0
    assert found[0].seen_whole


def test_figures_come_from_the_longest_and_the_surest_piece() -> None:
    pieces = [
        entry("calling", 0, 10, 1, snr=9.0, tone=ToneReading(None, probability=0.6)),
        entry("calling", 10, 30, 2, piece=2, snr=11.0, tone=ToneReading(88.5, probability=0.99)),
        entry("calling", 40, 90, 3, piece=3),
    ]
    (one,) = whole_transmissions(pieces)
    assert one.snr_db == Measured(11.0, 0.4)
    assert one.tone == ToneReading(88.5, probability=0.99)


def test_a_piece_of_another_watch_or_out_of_turn_stands_alone() -> None:
    first = entry("calling", 0, 300, 1, ended_by=EndedBy.SPLIT)
    for other in (
        entry("calling", 300, 10, 2, piece=2, watch_id=2),
        entry("calling", 300, 10, 2, piece=3),
        entry("calling", 310, 10, 2, piece=2),
        entry("calling", 300, 10, 2, piece=1),
    ):
        assert len(whole_transmissions([first, other])) == 2


def test_what_was_not_seen_whole() -> None:
    assert whole("calling", 0, 5).seen_whole
    assert whole("calling", 0, 5, on_at_start=True).end_seen
    assert whole("calling", 0, 5, ended_by=EndedBy.GAP).start_seen
    for said in (
        {"on_at_start": True},
        {"piece": 2},
        {"ended_by": EndedBy.GAP},
        {"ended_by": EndedBy.SPLIT},
        {"ended_by": EndedBy.END_OF_SAMPLES},
        {"ended_by": EndedBy.RECOVERED},
    ):
        assert not whole("calling", 0, 5, **said).seen_whole


def test_an_exchange_ends_with_a_pause_of_more_than_20_s() -> None:
    heard = [
        whole("calling", 0, 5),
        whole("other", 4, 5),
        whole("calling", 25, 5),  # after 20.0 s
        whole("calling", 50.1, 5),  # after 20.1 s
    ]
    found = exchanges(heard)
    assert [(one.channel, len(one.transmissions), one.airtime_s) for one in found] == [
        ("calling", 2, 10),
        ("other", 1, 5),
        ("calling", 1, 5),
    ]
    assert found[0].end_utc == heard[2].end_utc


def test_a_transmission_within_another_does_not_end_the_exchange() -> None:
    """Two watches over the same time may list overlapping ones."""
    heard = [whole("calling", 0, 100), whole("calling", 10, 5), whole("calling", 110, 5)]
    assert [len(one.transmissions) for one in exchanges(heard)] == [3]


def test_nothing_heard_gives_nothing() -> None:
    assert whole_transmissions([]) == []
    assert exchanges([]) == []
