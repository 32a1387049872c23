"""How figures read."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.watcher.report.made_records import channel, entry, span, watch
from watcher.log.spans import Spans
from watcher.receive.records import CodeReading, Kind, KindReading, Measured, ToneReading
from watcher.report.occupancy import OccupancyRule, occupancy
from watcher.report.summary import summarize
from watcher.report.wording import (
    headline,
    occupancy_rule_words,
    write_carried,
    write_code,
    write_count,
    write_duration,
    write_interval,
    write_kind,
    write_measured,
    write_share,
    write_sure,
    write_tone,
    write_tones,
)


@pytest.mark.parametrize(
    ("measured", "words"),
    [
        (Measured(12.34, 0.4), "12.3 ± 0.4 dB"),
        (Measured(12.34, 0.04), "12.34 ± 0.04 dB"),
        (Measured(12.34, 3.2), "12 ± 3 dB"),
        (Measured(-511.2, 12), "−511 ± 12 dB"),
        (Measured(12.34, 0.001), "12.34 ± under 0.01 dB"),
        (Measured(12.34, 0.0), "12.34 ± under 0.01 dB"),
        (Measured(12.34, None), "12.3 ± unknown dB"),
        (Measured(math.nan, 1.0), "unknown"),
        (None, "unknown"),
    ],
)
def test_a_figure_shows_its_uncertainty_or_its_absence(measured: Measured | None, words: str) -> None:
    assert write_measured(measured, "dB") == words


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (1.0, "100 %"),
        (0.034, "3.4 %"),
        (0.5, "50 %"),
        (0.00034, "0.034 %"),
        (0.000001, "under 0.001 %"),
        (0.9966, "99.66 %"),
        (0.9999999, "over 99.999 %"),
        (None, "unknown"),
    ],
)
def test_a_share_keeps_two_figures_of_what_is_rare(share: float | None, words: str) -> None:
    assert write_share(share) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (0.04, "under 0.1 s"),
        (0.3, "0.3 s"),
        (4.24, "4.2 s"),
        (59.99, "59.9 s"),
        (60, "1 min"),
        (192, "3 min 12 s"),
        (3599.9, "59 min 59 s"),
        (43_080, "11 h 58 min"),
        (172_800, "2 d"),
        (540_000, "6 d 6 h"),
        (-192, "−3 min 12 s"),
    ],
)
def test_a_duration_never_grows_by_being_written(seconds: float, words: str) -> None:
    assert write_duration(seconds) == words


def test_intervals_say_by_which_rule() -> None:
    day = 86_400.0
    assert write_interval(occupancy(np.zeros(0), np.array([day]))) == "0 % (at most 0.035 %)"
    assert write_interval(occupancy(np.array([day]), np.zeros(1))) == "100 % (at least 99.965 %)"
    assert write_interval(occupancy(np.zeros(0), np.zeros(1))) == "unknown: never watched"
    # One memoryless transmission: 1/99 times F(2, 2) at 2.5 % (1/39) and twice F(4, 2) at 97.5 % (39.25).
    assert write_interval(occupancy(np.array([1.0]), np.array([99.0]))) == "1.0 % (0.026 % to 44 %)"
    assert all(occupancy_rule_words(rule) for rule in OccupancyRule)


def test_tones_are_told_apart_from_no_tone_and_from_not_looking() -> None:
    assert write_tone(ToneReading(100.0, probability=0.999)) == "100.0 Hz (99.90 % sure)"
    assert write_tone(ToneReading(None)) == "none"
    assert write_tone(None) == "unknown"


def test_counts() -> None:
    assert write_count(1, "clip") == "1 clip"
    assert write_count(100_000, "clip") == "100,000 clips"
    assert write_count(2, "watch", "watches") == "2 watches"


def test_tones_of_a_channel_are_counted() -> None:
    heard = [entry("a", 60 * k, 5, k, tone_hz=tone) for k, tone in enumerate((100.0, 100.0, None))]
    summary = summarize(span(0, 3600), "UTC", transmissions=[*heard, entry("a", 900, 5, 9)])
    assert write_tones(summary.channels[0]) == "100.0 Hz × 2, none × 1, unknown × 1"


def test_the_headline_says_what_was_watched_heard_and_missed() -> None:
    plan = watch(channel("a"), channel("b"))
    summary = summarize(
        span(0, 3600),
        "UTC",
        watched={"a": Spans([span(0, 3600)]), "b": Spans([span(0, 1800)])},
        transmissions=[entry("a", 10, 5, 1), entry("a", 20, 5, 2), entry("a", 900, 5, 3)],
        watches=[plan],
    )
    assert headline(summary) == (
        "2 channels were watched for 30 min to 1 h, of 1 h.",
        "3 transmissions in 2 exchanges were heard on 1 of them, 15 s in all.",
        "Not watched, and so unknown: 0 s to 30 min on the channels.",
    )


def test_the_headline_of_a_quiet_watch_claims_no_safety() -> None:
    watched = {"a": Spans([span(0, 3600)])}
    assert headline(summarize(span(0, 3600), "UTC", watched=watched)) == (
        "1 channel was watched for 1 h, of 1 h.",
        "Nothing was heard. That does not mean that nobody called.",
        "Every minute was watched.",
    )


def test_the_headline_of_nothing() -> None:
    assert headline(summarize(span(0, 60), "UTC")) == (
        "Nothing was watched: the log holds no channel for this time.",
    )
    unwatched = summarize(span(5000, 5060), "UTC", watches=[watch(channel("a"))])
    assert headline(unwatched)[0] == "None of 1 channel was watched."


def test_a_code_is_told_with_its_other_name() -> None:
    code = CodeReading("023N", "047I", probability=0.999)
    assert write_code(code) == "code 023N = 047I"
    assert write_carried(ToneReading(None), code) == "code 023N = 047I (99.90 % sure)"
    assert write_carried(ToneReading(100.0), CodeReading(None)) == "100.0 Hz"
    assert write_carried(None, None) == "unknown"


def test_a_kind_says_how_sure_it_is_and_how_much_speech_there_was() -> None:
    assert write_kind(KindReading(Kind.VOICE, 0.97, 1.5)) == "probably voice (97.0 % sure, 1.5 s of speech)"
    assert write_kind(KindReading(Kind.CARRIER, 0.9, 0.0)) == "probably unmodulated carrier (90.0 % sure)"


def test_nothing_is_called_wholly_sure() -> None:
    assert write_sure(1.0) == "over 99.999 %"
    assert write_sure(0.0) == "under 0.001 %"
    assert write_sure(0.98) == write_share(0.98) == "98.0 %"
