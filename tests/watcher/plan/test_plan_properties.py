"""Laws of plan parsing: what is valid is read exactly, and no text whatever ends in a traceback."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.signalling.tone_table import TONES_HZ
from watcher.errors import PlanError
from watcher.plan import Channel
from watcher.plan.figures import write_khz, write_mhz, write_number
from watcher.plan.names import clean_name_problem, file_part, folded
from watcher.plan.reading import plan_from_text
from watcher.plan.tones import is_listed_tone, nearest_tone_hz

NAMES = st.text(min_size=1, max_size=60).filter(lambda name: clean_name_problem(name) is None)
CHANNELS = st.builds(
    Channel,
    name=NAMES,
    frequency_hz=st.integers(100_000, 6_000_000_000),
    mode=st.sampled_from(["nfm", "fm", "am"]),
    bandwidth_hz=st.integers(1_000, 40_000),
    expect_tone_hz=st.none() | st.sampled_from(TONES_HZ),
    priority=st.integers(1, 9),
    raise_threshold_db=st.integers(0, 40).map(lambda halves: halves / 2),
)
PATH = Path("plan.toml")


def as_toml(channel: Channel) -> str:
    lines = [
        "[[channel]]",
        f"name = {json.dumps(channel.name)}" if channel.name.isascii() else f'name = "{channel.name}"',
        f"frequency_mhz = {write_mhz(channel.frequency_hz)}",
        f'mode = "{channel.mode}"',
        f"bandwidth_khz = {write_khz(channel.bandwidth_hz)}",
        f"priority = {channel.priority}",
        f"raise_threshold_db = {write_number(channel.raise_threshold_db)}",
    ]
    if channel.expect_tone_hz is not None:
        lines.append(f"expect_tone_hz = {channel.expect_tone_hz}")
    return "\n".join(lines) + "\n"


@given(
    st.lists(
        CHANNELS,
        min_size=1,
        max_size=8,
        unique_by=(lambda each: folded(each.name), lambda each: file_part(each.name).casefold()),
    )
)
def test_a_plan_written_out_is_read_back_the_same(channels: list[Channel]) -> None:
    channels = [each for each in channels if '"' not in each.name and "\\" not in each.name]
    text = "\n".join(map(as_toml, channels))
    if channels:
        assert plan_from_text(text, PATH).channels == tuple(channels)


SCRAPS = st.sampled_from(
    [
        *(
            "[[channel]]\n",
            "[channel]\n",
            "[station]\n",
            "[[radio]]\n",
            "[[window]]\n",
            "[x]\n",
            "name = ",
            "\n",
        ),
        *(
            "frequency_mhz = ",
            "mode = ",
            "bandwidth_khz = ",
            "expect_tone_hz = ",
            "priority = ",
            '"nfm"\n',
            "=",
            "x",
        ),
        *(
            "146.52\n",
            "1e99999\n",
            "-0\n",
            "nan\n",
            "[]\n",
            "{}\n",
            "true\n",
            "2031-05-04\n",
            '"\\u0000"\n',
            "'a'\n",
        ),
        *(
            "time_zone = ",
            "every_hours = ",
            "longest_clip_minutes = ",
            "12.5\n",
            "a.b = 1\n",
            "[[channel.x]]\n",
        ),
    ]
)


@given(st.text() | st.lists(SCRAPS, max_size=30).map("".join))
def test_no_text_ends_in_anything_but_a_plan_or_sentences(text: str) -> None:
    try:
        plan = plan_from_text(text, PATH)
    except PlanError as refused:
        assert refused.problems
        for sentence in refused.problems:
            assert sentence.startswith("plan.toml: ")
            assert "\n" not in sentence
    else:
        assert plan.channels


@pytest.mark.parametrize("tone_hz", TONES_HZ)
def test_a_listed_tone_is_its_own_nearest(tone_hz: float) -> None:
    written = Decimal(str(tone_hz))
    assert is_listed_tone(written)
    assert nearest_tone_hz(written) == tone_hz
    assert not is_listed_tone(written + Decimal("0.05"))
