"""What is written into the watch log is what is read from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from watcher.log import WatchEnd, WatchEndedBy, WatchFacts, WatchLog
from watcher.log.reading import LoggedTransmission, conditions, gaps, transmissions, watched_records, watches
from watcher.log.rows import instant_of, utc_ms
from watcher.log.spans import Span
from watcher.plan import Channel
from watcher.radio.source import Stretch
from watcher.receive.records import (
    Clip,
    CodeReading,
    Condition,
    ConditionKind,
    EndedBy,
    Finding,
    Gap,
    GapCause,
    Kind,
    KindReading,
    Measured,
    Sign,
    ToneReading,
    Transmission,
    Watched,
)
from watcher.utc import read_utc, write_utc

TEXTS = st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
MAYBE = st.none() | NUMBERS
MEASURED = st.none() | st.builds(Measured, NUMBERS, MAYBE)
MILLISECONDS = st.integers(utc_ms(datetime(1970, 1, 1, tzinfo=UTC)), utc_ms(datetime(2200, 1, 1, tzinfo=UTC)))
COUNTS = st.integers(0, 2**62)
FINDINGS = st.builds(
    Finding,
    st.sampled_from(Sign),
    NUMBERS,
    NUMBERS,
    TEXTS,
    TEXTS,
    MAYBE,
    st.dictionaries(TEXTS, NUMBERS, max_size=3),
)


@st.composite
def ordered_instants(draw: st.DrawFn) -> tuple[datetime, ...]:
    """Four instants in whole milliseconds: clip start, start, end, clip end."""
    return tuple(map(instant_of, sorted(draw(st.tuples(*[MILLISECONDS] * 4)))))


@st.composite
def heard(draw: st.DrawFn) -> Transmission:
    clip_start, start, end, clip_end = draw(ordered_instants())
    first, last = sorted(draw(st.tuples(COUNTS, COUNTS)))
    return Transmission(
        channel=draw(TEXTS),
        frequency_hz=draw(st.integers(100_000, 6_000_000_000)),
        mode=draw(st.sampled_from(["nfm", "fm", "am"])),
        start_sample=first,
        stop_sample=last,
        start_utc=start,
        end_utc=end,
        clip_start_utc=clip_start,
        clip_end_utc=clip_end,
        ended_by=draw(st.sampled_from(EndedBy)),
        on_at_start=draw(st.booleans()),
        piece=draw(st.integers(1, 1000)),
        snr_db=draw(MEASURED),
        power_dbfs=draw(MAYBE),
        frequency_error_hz=draw(MEASURED),
        peak_deviation_hz=draw(MEASURED),
        rms_deviation_hz=draw(MEASURED),
        tone=draw(st.none() | st.builds(ToneReading, MAYBE, MEASURED, MEASURED, MAYBE, MAYBE)),
        flags=tuple(draw(st.lists(TEXTS, max_size=4))),
        code=draw(
            st.none() | st.builds(CodeReading, st.none() | TEXTS, st.none() | TEXTS, MAYBE, MAYBE, MAYBE)
        ),
        kind=draw(st.none() | st.builds(KindReading, st.sampled_from(Kind), NUMBERS, MAYBE, MAYBE, MAYBE)),
        findings=tuple(draw(st.lists(FINDINGS, max_size=3))),
        iq=draw(st.none() | TEXTS),
    )


@st.composite
def spans_on(draw: st.DrawFn) -> tuple[str, datetime, datetime]:
    start, stop = sorted(draw(st.tuples(MILLISECONDS, MILLISECONDS)))
    return draw(TEXTS), instant_of(start), instant_of(stop)


GAPS = st.tuples(spans_on(), st.sampled_from(GapCause)).map(lambda pair: Gap(*pair[0], pair[1]))
CONDITIONS = st.tuples(spans_on(), st.sampled_from(ConditionKind), MAYBE, MAYBE, TEXTS).map(
    lambda parts: Condition(parts[0][0], parts[1], *parts[0][1:], *parts[2:])
)

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)
FACTS = WatchFacts(NOON, "ridge.sigmf-meta", "plan", "00", "0.1.0")
PLAIN = Transmission(
    channel="2 m calling",
    frequency_hz=146_520_000,
    mode="nfm",
    start_sample=0,
    stop_sample=2_400_000,
    start_utc=NOON,
    end_utc=NOON + timedelta(seconds=1),
    clip_start_utc=NOON - timedelta(seconds=1),
    clip_end_utc=NOON + timedelta(seconds=2),
    ended_by=EndedBy.CARRIER_DROP,
)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WatchLog]:
    """One log for all examples: each begins a watch of its own."""
    with WatchLog.open(tmp_path_factory.mktemp("log"), create=True) as opened:
        yield opened


def read_back(log: WatchLog, watch_id: int) -> list[LoggedTransmission]:
    return [entry for entry in transmissions(log) if entry.watch_id == watch_id]


@settings(max_examples=25)
@given(st.lists(heard(), max_size=12), st.booleans())
def test_transmissions_are_read_as_they_were_written(
    log: WatchLog, written: list[Transmission], with_clips: bool
) -> None:
    clips: dict[int, Clip | None] = {}
    with log.unit():
        watch_id = log.begin_watch(FACTS)
        for number, each in enumerate(written):
            path = Path(f"watch-{watch_id}") / f"{number}.flac"
            clip = Clip(each, path, f"{number:064x}", number) if with_clips else None
            clips[log.add_transmission(watch_id, each, clip)] = clip
    read = read_back(log, watch_id)
    assert [entry.transmission for entry in read] == sorted(written, key=lambda each: each.start_utc)
    for entry in read:
        clip = clips[entry.entry_id]
        assert (entry.clip_path, entry.clip_sha256, entry.clip_audio_frames) == (
            (clip.path, clip.sha256, clip.audio_frames) if clip else (None, None, None)
        )


@settings(max_examples=15)
@given(st.lists(GAPS, max_size=8), st.lists(CONDITIONS, max_size=8), st.lists(spans_on(), max_size=8))
def test_gaps_conditions_and_watched_spans_are_read_as_they_were_written(
    log: WatchLog,
    found_gaps: list[Gap],
    found: list[Condition],
    spans: list[tuple[str, datetime, datetime]],
) -> None:
    listened = [Watched(*each) for each in spans]
    before = [*gaps(log)], [*conditions(log)], [*watched_records(log)]
    with log.unit():
        watch_id = log.begin_watch(FACTS)
        for gap in found_gaps:
            log.add_gap(watch_id, gap)
        for condition in found:
            log.add_condition(watch_id, condition)
        for each in listened:
            log.add_watched(watch_id, each)
    for read, there, added in zip(
        (gaps, conditions, watched_records), before, (found_gaps, found, listened), strict=True
    ):
        everything: list[Gap | Condition | Watched] = [*there, *added]
        assert [*read(log)] == sorted(everything, key=lambda each: each.start_utc)  # type: ignore[operator]


def test_a_watch_is_read_as_it_was_written(tmp_path: Path) -> None:
    facts = WatchFacts(
        started_utc=NOON,
        source_label="ridge.sigmf-meta",
        plan_text='[[channel]]\nname = "Süd"\n',
        plan_sha256="ab" * 32,
        program_version="0.1.0",
        channels=(
            Channel(
                name="b", frequency_hz=146_520_000, mode="nfm", bandwidth_hz=12_500, expect_tone_hz=100.0
            ),
            Channel(
                name="a",
                frequency_hz=121_500_000,
                mode="am",
                bandwidth_hz=8_330,
                priority=1,
                raise_threshold_db=2.5,
                keep="alerts",
                calling=True,
            ),
            Channel(
                name="c",
                frequency_hz=462_675_000,
                mode="fm",
                bandwidth_hz=20_000,
                expect_code="023N",
                require_tone=True,
            ),
        ),
        stretches=(
            Stretch(NOON, True, 2_400_000, 146_500_000, 9_600_000, "ridge, capture 1"),
            Stretch(NOON + timedelta(seconds=9), False, 2_400_000, 146_500_000, None, "ridge, capture 2"),
        ),
        station="Ridge base",
        time_zone="America/Boise",
        notes="The clock was set by hand.",
    )
    end = WatchEnd(NOON + timedelta(hours=1), WatchEndedBy.STOPPED, 10**12, 7, 0, "Stopped by the operator.")
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(facts)
        (running,) = watches(log)
        assert (running.ended_utc, running.ended_by, running.notes) == (None, None, facts.notes)
        log.end_watch(watch_id, end)
        (read,) = watches(log)
    assert read.watch_id == watch_id
    for name in WatchFacts.__dataclass_fields__:
        if name != "notes":
            assert getattr(read, name) == getattr(facts, name), name
    for name in WatchEnd.__dataclass_fields__:
        if name != "notes":
            assert getattr(read, name) == getattr(end, name), name
    assert read.notes == "The clock was set by hand.\nStopped by the operator."


@given(st.integers(-(10**15), 10**16))
@example(500)  # a half, where roundings differ
@example(1500)
@example(-500)
def test_an_instant_is_stored_to_the_millisecond_that_is_written_out(microseconds: int) -> None:
    instant = NOON + timedelta(microseconds=microseconds)
    assert instant_of(utc_ms(instant)) == read_utc(write_utc(instant))


def test_an_instant_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        utc_ms(datetime(2031, 5, 4))  # noqa: DTZ001 - the naive datetime is what is tested


def test_numbers_nobody_knows_are_stored_as_unknown(log: WatchLog) -> None:
    odd = replace(
        PLAIN,
        snr_db=Measured(float("nan"), 1.0),
        power_dbfs=float("-inf"),
        frequency_error_hz=Measured(12.0, float("inf")),
        tone=ToneReading(None, probability=float("nan")),
    )
    watch_id = log.begin_watch(FACTS)
    log.add_transmission(watch_id, odd, None)
    (read,) = read_back(log, watch_id)
    assert read.transmission == replace(
        PLAIN, frequency_error_hz=Measured(12.0, None), tone=ToneReading(None)
    )


def test_numbers_of_numpy_are_stored_as_numbers(log: WatchLog) -> None:
    odd = replace(
        PLAIN,
        start_sample=np.int64(5),
        on_at_start=np.bool_(True),
        snr_db=Measured(np.float32(12.5), np.float64(0.25)),  # type: ignore[arg-type]
        tone=ToneReading(np.float32(100.0)),  # type: ignore[arg-type]
    )
    watch_id = log.begin_watch(FACTS)
    log.add_transmission(watch_id, odd, None)
    (read,) = read_back(log, watch_id)
    assert read.transmission == replace(
        PLAIN, start_sample=5, on_at_start=True, snr_db=Measured(12.5, 0.25), tone=ToneReading(100.0)
    )
    assert type(read.transmission.on_at_start) is bool


def test_windows_come_back_with_their_watch_in_order(tmp_path: Path) -> None:
    with WatchLog.open(tmp_path, create=True) as log:
        watch_id = log.begin_watch(FACTS)
        later = Span(NOON + timedelta(hours=3), NOON + timedelta(hours=3, minutes=5))
        row = log.add_window(watch_id, later, "three-hourly")
        log.add_window(watch_id, Span(NOON, NOON + timedelta(minutes=5)), "follow-up", "a call at 11:58")
        log.move_window_end(row, NOON + timedelta(hours=3, minutes=9))
        (found,) = watches(log)
    assert [(one.name, one.reason) for one in found.windows] == [
        ("follow-up", "a call at 11:58"),
        ("three-hourly", ""),
    ]
    assert found.windows[1].span.stop_utc == NOON + timedelta(hours=3, minutes=9)
