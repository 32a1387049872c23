"""The score of a trial, computed by hand beside it; and the cause of each miss in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from watcher.log.spans import Span, Spans
from watcher.plan.model import Channel
from watcher.receive.records import (
    CodeReading,
    Condition,
    ConditionKind,
    EndedBy,
    Gap,
    GapCause,
    Measured,
    ToneReading,
    Transmission,
)
from watcher.trial.causes import Circumstances, Thresholds, Why
from watcher.trial.scoring import State, Told, channel_of, score
from watcher.trial.truth import Sent

BEGAN_UTC = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)
CHANNEL = Channel(name="low", frequency_hz=146_507_500, mode="nfm", bandwidth_hz=12_500)
OTHER = Channel(name="high", frequency_hz=146_526_250, mode="nfm", bandwidth_hz=12_500)
LIMITS = Thresholds(short_db=1.0, short_s=0.05, long_db=-2.0, long_s=0.2)


def at(seconds: float) -> datetime:
    return BEGAN_UTC + timedelta(seconds=seconds)


def sent(start_s: float, stop_s: float, **more: object) -> Sent:
    told: dict[str, object] = {"frequency_hz": 146_507_500.0, "cnr_db": 10.0, **more}
    return Sent(start_utc=at(start_s), stop_utc=at(stop_s), **told)  # type: ignore[arg-type]


def heard(start_s: float, stop_s: float, channel: Channel = CHANNEL, **more: object) -> Transmission:
    return Transmission(
        channel=channel.name,
        frequency_hz=channel.frequency_hz,
        mode=channel.mode,
        start_sample=0,
        stop_sample=1,
        start_utc=at(start_s),
        end_utc=at(stop_s),
        clip_start_utc=at(start_s),
        clip_end_utc=at(stop_s),
        ended_by=EndedBy.CARRIER_DROP,
        **more,  # type: ignore[arg-type]
    )


def watched(start_s: float = 0.0, stop_s: float = 1800.0, **more: object) -> Circumstances:
    spans = Spans([Span(at(start_s), at(stop_s))])
    return Circumstances(watched=spans, thresholds=LIMITS, **more)  # type: ignore[arg-type]


def cause(one: Sent, here: Circumstances, **more: object) -> tuple[Why, str]:
    (verdict,) = score([CHANNEL], [one], [], {"low": here}, **more).verdicts  # type: ignore[arg-type]
    assert verdict.state is State.MISSED and verdict.cause is not None
    return verdict.cause.why, verdict.cause.words


def test_a_score_by_hand() -> None:
    """Ten sent, of which one on no listed channel; two half hours watched.

    On "low": heard, heard with a wrong tone, one split in two, two merged into one, one missed, one false
    opening. On "high": two heard, of which one with a code, and one missed.
    """
    truth = [
        sent(10, 20, tone_is_known=True, tone_hz=100.0),
        sent(30, 40, tone_is_known=True, tone_hz=67.0),
        sent(50, 60, tone_is_known=True),
        sent(70, 74),
        sent(75, 77),
        sent(90, 91, cnr_db=-9.0),
        sent(10, 20, frequency_hz=146_526_250.0, code_is_known=True, code="023N"),
        sent(30, 40, frequency_hz=146_526_900.0, tone_is_known=True, tone_hz=88.5),
        sent(50, 60, frequency_hz=146_526_250.0),
        sent(10, 20, frequency_hz=147_000_000.0),
    ]
    records = [
        heard(10.1, 20.0, tone=ToneReading(100.0), snr_db=Measured(10.5)),
        heard(29.9, 40.3, tone=ToneReading(69.3), snr_db=Measured(9.0)),
        heard(50.0, 54.0, tone=ToneReading(None)),
        heard(55.0, 60.0),
        heard(70.0, 77.0),
        heard(200.0, 201.0),
        heard(10.0, 20.1, OTHER, code=CodeReading("023N")),
        heard(30.2, 40.0, OTHER),
    ]
    found = score([CHANNEL, OTHER], truth, records, {"low": watched(), "high": watched()})
    whole = found.whole
    assert (whole.sent, whole.heard, whole.merged, whole.split, whole.missed) == (9, 6, 1, 1, 2)
    assert whole.recall.value == pytest.approx(6 / 9)
    assert whole.caught.value == pytest.approx(7 / 9)
    assert found.not_listed == 1
    assert found.watched_hours == 1.0  # two channels, half an hour each
    assert whole.false_openings.value == 1.0
    assert found.channels["low"].false_openings.value == 2.0
    assert [one.start_utc for one in found.false_openings] == [at(200)]
    # Start errors 0.1, -0.1, 0.0, 0.2: the split one and the merged one tell none.
    assert whole.start_error_s is not None
    assert whole.start_error_s.count == 4
    assert whole.start_error_s.median == pytest.approx(0.05)
    assert whole.start_error_s.worst == pytest.approx(0.2)
    assert whole.end_error_s is not None and whole.end_error_s.worst == pytest.approx(0.3)
    assert whole.snr_error_db is not None and whole.snr_error_db.median == pytest.approx(-0.25)
    assert whole.tones == {Told.RIGHT: 1, Told.WRONG: 1, Told.RIGHTLY_NONE: 1, Told.MISSED: 1}
    assert whole.tone_right.value == pytest.approx(1 / 3)
    assert whole.codes == {Told.RIGHT: 1}
    assert found.causes == {"under the threshold": 1, "unknown": 1, "not listed in the plan": 1}


def test_edges_that_nobody_could_see_are_no_errors() -> None:
    """A carrier up before the watch began, and one that outlasts it."""
    found = score(
        [CHANNEL], [sent(0, 5), sent(95, 100)], [heard(0, 5), heard(95, 100)], {"low": watched(0, 100)}
    )
    assert found.whole.start_error_s is not None and found.whole.start_error_s.count == 1
    assert found.whole.end_error_s is not None and found.whole.end_error_s.count == 1


def test_pieces_of_a_long_transmission_are_one() -> None:
    pieces = [heard(10, 20, piece=1), heard(20, 30, piece=2), heard(30, 35, piece=3)]
    found = score([CHANNEL], [sent(10, 35)], pieces, {"low": watched()})
    assert (found.whole.heard, found.whole.split) == (1, 0)
    assert found.whole.end_error_s is not None and found.whole.end_error_s.worst == 0


def test_a_steady_carrier_is_not_to_be_heard() -> None:
    found = score([CHANNEL], [sent(0, 100, is_steady=True)], [heard(0, 100)], {"low": watched()})
    assert found.whole.sent == 0
    assert len(found.false_openings) == 1


def test_cnr_is_compared_in_the_channels_own_pass_band() -> None:
    """10 dB in 22 kHz is 13.01 dB in 11 kHz: 10 log10 2 more."""
    one = sent(10, 20, noise_width_hz=22_000.0)
    found = score([CHANNEL], [one], [heard(10, 20, snr_db=Measured(13.01))], {"low": watched()})
    assert found.whole.snr_error_db is not None
    assert found.whole.snr_error_db.worst == pytest.approx(0.0, abs=0.001)


def test_outside_the_windows() -> None:
    opened = Spans([Span(at(0), at(5))])
    here = watched(0, 5, open_time=opened)
    assert cause(sent(10, 20), here)[0] is Why.OUTSIDE_WINDOWS


@pytest.mark.parametrize(
    ("gap", "why"),
    [
        (GapCause.LOST_SAMPLES, Why.LOST_SAMPLES),
        (GapCause.OTHER_TUNING, Why.OTHER_TUNING),
        (GapCause.OUTSIDE_SPAN, Why.OUTSIDE_SPAN),
        (GapCause.NO_SAMPLES, Why.NOT_WATCHED),
    ],
)
def test_a_gap_is_the_cause_where_it_takes_most(gap: GapCause, why: Why) -> None:
    here = watched(0, 12, gaps=(Gap("low", at(12), at(30), gap),))
    told, words = cause(sent(10, 20), here)
    assert told is why
    assert "8.0 s of its 10.0 s" in words


def test_too_little_of_a_gap_is_no_cause() -> None:
    here = replace(watched(0, 18), gaps=(Gap("low", at(18), at(30), GapCause.LOST_SAMPLES),))
    assert cause(sent(10, 20), here)[0] is Why.UNKNOWN


def test_required_tone_absent() -> None:
    wanting = CHANNEL.model_copy(update={"expect_tone_hz": 100.0, "require_tone": True})
    condition = Condition("low", ConditionKind.WITHOUT_TONE, at(10), at(20), None, None, "heard without it")
    here = watched(conditions=(condition,))
    (verdict,) = score([wanting], [sent(10, 20)], [], {"low": here}).verdicts
    assert verdict.cause is not None and verdict.cause.why is Why.TONE_ABSENT
    assert "tone 100.0 Hz" in verdict.cause.words


def test_under_the_threshold_by_how_much() -> None:
    told, words = cause(sent(10, 20, cnr_db=-5.5), watched())
    assert told is Why.UNDER_THRESHOLD
    assert "by 3.5 dB" in words and "by the truth" in words


def test_strength_is_measured_where_the_truth_does_not_tell_it() -> None:
    one = sent(10, 20, cnr_db=None)
    told, words = cause(one, watched(), measured_db={one: -3.0})
    assert told is Why.UNDER_THRESHOLD
    assert "by 1.0 dB" in words and "measured on the recording" in words


def test_a_short_one_needs_more() -> None:
    told, words = cause(sent(10, 10.1, cnr_db=0.0), watched())
    assert told is Why.UNDER_THRESHOLD and "1.0 needed" in words
    assert cause(sent(10, 10.03), watched())[0] is Why.TOO_SHORT


def test_a_fade_is_named() -> None:
    assert cause(sent(10, 20, fades=True), watched())[0] is Why.FADED


def test_channel_by_frequency_then_by_name() -> None:
    assert channel_of(sent(0, 1, frequency_hz=146_510_000.0), [CHANNEL, OTHER]) is CHANNEL
    assert channel_of(sent(0, 1, frequency_hz=146_515_000.0), [CHANNEL, OTHER]) is None
    assert channel_of(sent(0, 1, frequency_hz=None, label=" HIGH "), [CHANNEL, OTHER]) is OTHER
    twin = CHANNEL.model_copy(update={"name": "twin"})
    assert channel_of(sent(0, 1, label="twin"), [CHANNEL, twin]) is twin
