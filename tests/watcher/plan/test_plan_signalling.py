"""The keys of a plan that speak of tones, codes and what is kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.plan import WatchPlan
from watcher.plan.reading import plan_from_text

CHANNEL = """
[[channel]]
name = "2 m calling"
frequency_mhz = 146.520
mode = "nfm"
bandwidth_khz = 12.5
"""


def plan_of(text: str) -> WatchPlan:
    return plan_from_text(text, Path("plan.toml"))


@pytest.mark.parametrize("written", ["023", "023N", "023n", "047I", "047i", "340", "766"])
def test_a_code_has_one_name(written: str) -> None:
    """023 inverted is 047, and 340 and 766 are the same word turned round (config/dcs.csv)."""
    (channel,) = plan_of(f'{CHANNEL}expect_code = "{written}"\n').channels
    assert channel.expect_code == "023N" and channel.expects == "code 023N"


def test_signalling_keys_reach_the_plan() -> None:
    text = (
        f"[station]\nkeep_iq = 'flagged'\n{CHANNEL}expect_tone_hz = 100\nrequire_tone = true\n"
        "keep = 'alerts'\ncalling = true\n[[tone_pair]]\nname = 'Valley fire'\n"
        "first_hz = 853.2\nsecond_hz = 1185\n"
    )
    plan = plan_of(text)
    (channel,) = plan.channels
    assert (channel.require_tone, channel.keep, channel.calling) == (True, "alerts", True)
    assert plan.station.keep_iq == "flagged"
    assert [(pair.name, pair.first_hz, pair.second_hz) for pair in plan.tone_pairs] == [
        ("Valley fire", 853.2, 1185.0)
    ]
