"""Exact conversion between what is written and whole hertz."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.plan.figures import hz_from_khz, hz_from_mhz, write_khz, write_mhz, write_number
from watcher.plan.reading import plan_from_text


@pytest.mark.parametrize(
    ("written", "hertz"),
    [
        ("146.520", 146_520_000),
        ("462.5625", 462_562_500),
        ("118.00833", 118_008_330),
        ("0.1", 100_000),
        ("6000", 6_000_000_000),
        ("118.0083333", 118_008_333),
    ],
)
def test_megahertz_become_whole_hertz(written: str, hertz: int) -> None:
    assert hz_from_mhz(Decimal(written)) == hertz


def test_a_figure_that_binary_floats_get_wrong_is_exact() -> None:
    assert int(32.05 * 1e6) == 32_049_999  # 32.05 has no exact binary form
    assert hz_from_mhz(Decimal("32.05")) == 32_050_000


@given(st.integers(min_value=100_000, max_value=6_000_000_000))
def test_every_frequency_survives_being_written_and_read(hertz: int) -> None:
    written = write_mhz(hertz)
    assert hz_from_mhz(Decimal(written)) == hertz
    plan = plan_from_text(
        f'[[channel]]\nname = "a"\nfrequency_mhz = {written}\nmode = "nfm"\nbandwidth_khz = 12.5\n',
        Path("p.toml"),
    )
    assert plan.channels[0].frequency_hz == hertz


@given(st.integers(min_value=1_000, max_value=40_000))
def test_every_width_survives_being_written_and_read(hertz: int) -> None:
    assert hz_from_khz(Decimal(write_khz(hertz))) == hertz


@pytest.mark.parametrize(
    ("hertz", "written"),
    [(146_520_000, "146.520"), (462_562_500, "462.5625"), (121_500_000, "121.500"), (7, "0.000007")],
)
def test_megahertz_are_written_with_three_to_six_decimals(hertz: int, written: str) -> None:
    assert write_mhz(hertz) == written


@pytest.mark.parametrize(("hertz", "written"), [(12_500, "12.5"), (20_000, "20"), (8_330, "8.33"), (0, "0")])
def test_kilohertz_are_written_without_idle_zeros(hertz: int, written: str) -> None:
    assert write_khz(hertz) == written


@pytest.mark.parametrize(
    ("number", "written"),
    [(5.0, "5"), (2.5, "2.5"), (Decimal("1E+3"), "1000"), (1e-7, "0.0000001"), (-1.5, "-1.5")],
)
def test_numbers_are_written_plainly(number: Decimal | float, written: str) -> None:
    assert write_number(number) == written
    assert tomllib.loads(f"x = {written}")["x"] == number
