"""Names of clips, and the facts beside unfinished ones: what goes in comes out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.plan.names import file_part
from watcher.receive.clip_names import (
    clip_path,
    part_name,
    transmission_from_part_name,
    write_mhz,
)
from watcher.receive.clip_part import Cut, SideFile
from watcher.receive.records import EndedBy, Measured, ToneReading, Transmission

NOWHERE = Path("/nowhere")
START = datetime(2031, 5, 4, 3, 2, 1, 250_000, tzinfo=UTC)
instants = st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001
finite = st.floats(allow_nan=False, allow_infinity=False)
measured = st.none() | st.builds(Measured, finite, st.none() | finite)
transmissions = st.builds(
    Transmission,
    channel=st.text(min_size=1, max_size=30),
    frequency_hz=st.integers(0, 6_000_000_000),
    mode=st.sampled_from(["nfm", "fm", "am"]),
    start_utc=instants,
    end_utc=instants,
    clip_start_utc=instants,
    clip_end_utc=instants,
    snr_db=measured,
    power_dbfs=st.none() | finite,
    frequency_error_hz=measured,
    peak_deviation_hz=measured,
    rms_deviation_hz=measured,
    tone=st.none() | st.builds(ToneReading, st.none() | finite, measured, measured, st.none() | finite),
    flags=st.lists(st.text(max_size=9), max_size=3).map(tuple),
)
plain = Transmission("A", 1, "nfm", 0, 0, START, START, START, START, EndedBy.STOPPED)


@pytest.mark.parametrize(
    ("frequency_hz", "written"),
    [
        (146_520_000, "146.520"),
        (462_562_500, "462.5625"),
        (118_008_333, "118.008333"),
        (156_800_000, "156.800"),
        (7_000_001, "7.000001"),
        (0, "0.000"),
        (1_000_000_000, "1000.000"),
    ],
)
def test_mhz_have_every_digit_and_three_decimals(frequency_hz: int, written: str) -> None:
    assert write_mhz(frequency_hz) == written


@pytest.mark.parametrize(
    ("channel", "written"),
    [
        ("2 m calling", "2-m-calling"),
        ("../../etc/passwd", "etc-passwd"),
        ("CH 16 / distress", "CH-16-distress"),
        ("Höhe", "Höhe"),
        ("峠", "峠"),
        ("***", "channel"),
        ("a\x00b\nc", "a-b-c"),
    ],
)
def test_channels_are_safe_in_file_names(channel: str, written: str) -> None:
    assert file_part(channel) == written


@given(facts=transmissions)
def test_every_name_fits_every_file_system(facts: Transmission) -> None:
    path = clip_path(facts, NOWHERE)
    assert len(path.parts) == 2 and len(path.name.encode()) <= 255
    assert not set(path.name) & set('/\\:*?"<>|\0\n')
    name = part_name(facts, NOWHERE)
    assert len(f"{name}.part.json.tmp".encode()) <= 255
    assert Path(name).name == name


def test_the_name_tells_utc_to_the_millisecond() -> None:
    local = START.astimezone(timezone(timedelta(hours=9))) + timedelta(microseconds=499)
    assert (
        str(clip_path(replace(plain, start_utc=local), NOWHERE)) == "2031-05-04/030201.250Z_0.000001_A.flac"
    )
    late = datetime(2031, 12, 31, 23, 59, 59, 999_500, tzinfo=UTC)  # rounds into the next year
    assert str(clip_path(replace(plain, start_utc=late), NOWHERE)).startswith("2032-01-01/000000.000Z_")


def test_a_taken_name_gets_a_number(tmp_path: Path) -> None:
    for expected in ("A.flac", "A_2.flac", "A_3.flac"):
        path = tmp_path / clip_path(plain, tmp_path)
        assert path.name.endswith(f"_{expected}")
        path.parent.mkdir(exist_ok=True)
        path.touch()


@given(facts=transmissions)
def test_the_name_of_an_unfinished_clip_tells_what_matters(facts: Transmission) -> None:
    told = transmission_from_part_name(part_name(facts, NOWHERE), START)
    assert (told.frequency_hz, told.mode, told.clip_start_utc) == (
        facts.frequency_hz,
        facts.mode,
        facts.clip_start_utc,
    )
    assert told.ended_by is EndedBy.RECOVERED
    if len(facts.channel) <= 10:  # longer ones may be cut
        assert told.channel == facts.channel


def test_a_strange_name_still_tells_when() -> None:
    told = transmission_from_part_name("holiday song", START)
    assert (told.channel, told.frequency_hz, told.mode, told.clip_start_utc) == (
        "unknown",
        0,
        "unknown",
        START,
    )


@given(facts=transmissions, cut=st.none() | st.builds(Cut), path=st.none() | st.text())
def test_facts_beside_the_audio_come_back(facts: Transmission, cut: Cut | None, path: str | None) -> None:
    side = SideFile(transmission=facts, cut=cut, path=path)
    assert SideFile.model_validate_json(side.model_dump_json()) == side


def test_a_figure_that_is_no_number_comes_back() -> None:
    side = SideFile(transmission=replace(plain, snr_db=Measured(float("inf"), 1.0), power_dbfs=float("-inf")))
    assert SideFile.model_validate_json(side.model_dump_json()) == side
