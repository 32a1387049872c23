"""The plans in config/ are sound and give the published frequencies."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.plan import read_plan


@pytest.mark.parametrize("name", ["example-plan.toml", "family-radio-plan.toml"])
def test_an_example_plan_is_valid_and_without_warnings(checkout: Path, name: str) -> None:
    assert read_plan(checkout / "config" / name).warnings == ()


def test_family_channels_stand_where_the_rule_puts_them(checkout: Path) -> None:
    # 47 CFR 95.563 and 95.1763: channels 1 to 7 at 462.5625 MHz and every 25 kHz, 15 to 22 at 462.5500 MHz
    # and every 25 kHz (numbering: secondary).
    plan = read_plan(checkout / "config" / "family-radio-plan.toml")
    published = {f"Family {n}": 462_562_500 + 25_000 * (n - 1) for n in range(1, 8)}
    published |= {f"Family {n}": 462_550_000 + 25_000 * (n - 15) for n in range(15, 23)}
    assert {channel.name: channel.frequency_hz for channel in plan.channels} == published
    # All of them fit one radio at 2.4 MS/s, of which the middle 80 % is flat (common practice, no source).
    assert plan.channels_outside(462_637_500, 0.8 * 1_200_000) == ()
