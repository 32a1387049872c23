"""Channel lists that come with the program, and how a plan draws on them."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import WatchPlan, read_plan
from watcher.plan.channel_lists import HEARD_MODES, SHIPPED_LISTS, read_channel_list
from watcher.plan.problems import check_table
from watcher.plan.tables import ChannelTable
from watcher.shipped import config_folder

BASES = ("verified", "secondary", "computed", "from memory", "common practice, no source")
HEAD = (
    "name,frequency_mhz,mode,bandwidth_khz,usual_tone_hz,tags,service,use,licence_to_transmit,source,basis\n"
)


def plan_of(folder: Path, text: str) -> WatchPlan:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return read_plan(path)


def problems_of(folder: Path, text: str) -> list[str]:
    with pytest.raises(PlanError) as refused:
        plan_of(folder, text)
    return refused.value.problems


@pytest.mark.parametrize("name", SHIPPED_LISTS)
def test_every_shipped_row_has_its_source_and_makes_a_channel(name: str) -> None:
    for row in read_channel_list(config_folder() / f"channels_{name}.csv"):
        assert row.source
        assert row.licence
        assert row.tags
        assert row.basis.startswith(BASES), row
        if row.mode in HEARD_MODES:
            checked, problems = check_table(ChannelTable, row.table(), row.name, "[[channel]]")
            assert problems == []
            assert checked is not None


def test_frequencies_are_those_of_the_published_plans() -> None:
    us = {row.name: row for row in read_channel_list(config_folder() / "channels_us.csv")}
    # 47 CFR 95.563: 1 to 7 from 462.5625, 8 to 14 from 467.5625, 15 to 22 from 462.5500 MHz, all in 25
    # kHz steps.
    for first, count, base in ((1, 7, "462.5625"), (8, 7, "467.5625"), (15, 8, "462.5500")):
        for step in range(count):
            expected = Decimal(base) + step * Decimal("0.025")
            assert us[f"FRS/GMRS {first + step:02d}"].frequency_mhz == expected
    # National Weather Service: seven channels from 162.400 in 25 kHz steps.
    weather = sorted(row.frequency_mhz for row in us.values() if "weather" in row.tags)
    assert weather == [Decimal("162.400") + step * Decimal("0.025") for step in range(7)]
    assert us["Marine 16"].frequency_mhz == Decimal("156.8")  # 47 CFR 80.148
    europe = {row.name: row for row in read_channel_list(config_folder() / "channels_region1.csv")}
    # ECC Decision (15)05 (from memory): sixteen channels of 12.5 kHz between 446.0 and 446.2 MHz.
    pmr = [row.frequency_mhz for row in europe.values() if "pmr446" in row.tags]
    assert pmr == [Decimal("446.0") + Decimal("0.0125") * (n + Decimal("0.5")) for n in range(16)]


def test_a_repeater_input_of_general_mobile_radio_lies_5_mhz_above_its_output() -> None:
    us = {row.name: row for row in read_channel_list(config_folder() / "channels_us.csv")}
    for number in range(15, 23):  # 47 CFR 95.1763
        up = us[f"GMRS {number} repeater input"].frequency_mhz - us[f"FRS/GMRS {number}"].frequency_mhz
        assert up == 5


def test_use_draws_by_tag_by_several_tags_and_by_name(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, 'use = ["weather", "Amateur Calling", "marine 16"]')
    names = {channel.name for channel in plan.channels}
    assert {"NWR 162.400", "NWR 162.550", "2 m FM simplex calling", "Marine 16"} <= names
    assert not any(name.startswith("VCALL") for name in names)
    weather, calling = plan.channel("NWR 162.550"), plan.channel("2 m FM simplex calling")
    assert weather.keep == "alerts"
    assert (calling.calling, calling.frequency_hz) == (True, 146_520_000)
    assert calling.licence is not None


def test_use_of_another_region_and_of_an_own_list(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text(HEAD + "Hut,145.325,nfm,12.5,88.5,hut,,,,,from memory\n")
    plan = plan_of(tmp_path, 'use = ["pmr446", "hut"]\nuse_lists = ["region1", "mine.csv"]')
    assert len(plan.channels) == 17
    assert plan.channel("Hut").expect_tone_hz == 88.5


def test_a_channel_of_the_same_name_changes_single_fields(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, 'use = ["Marine 16"]\n[[channel]]\nname = "marine  16"\npriority = 1')
    (only,) = plan.channels
    assert (only.name, only.frequency_hz, only.priority, only.mode) == ("marine  16", 156_800_000, 1, "fm")


def test_a_channel_of_the_same_frequency_changes_single_fields(tmp_path: Path) -> None:
    text = 'use = ["Marine 16"]\n[[channel]]\nname = "Distress"\nfrequency_mhz = 156.8\nmode = "nfm"'
    (only,) = plan_of(tmp_path, text).channels
    assert (only.name, only.mode, only.bandwidth_hz, only.calling) == ("Distress", "nfm", 25_000, True)


def test_rows_that_share_a_frequency_are_one_channel_unless_named(tmp_path: Path) -> None:
    by_tag = plan_of(tmp_path, 'use = ["interop"]').channels
    assert len({(channel.frequency_hz, channel.mode) for channel in by_tag}) == len(by_tag)
    named = plan_of(tmp_path, 'use = ["VTAC14", "VTAC33 output"]').channels
    assert [channel.name for channel in named] == ["VTAC14", "VTAC33 output"]


def test_a_mode_that_cannot_be_heard_is_told(tmp_path: Path) -> None:
    warned = plan_of(tmp_path, 'use = ["interop calling"]').warnings
    assert any('"7CALL50" of the list is left out, for its mode is p25 digital' in each for each in warned)
    assert problems_of(tmp_path, 'use = ["7CALL50"]') == [
        'plan.toml: use names "7CALL50", whose mode is p25 digital; it must be a channel in nfm, fm or am'
    ]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('use = "weather"', 'use is "weather"; it must be a list of texts, like ["weather", "calling"]'),
        ("use = [1]", 'use is a list; it must be a list of texts, like ["weather", "calling"]'),
        (
            'use = ["wether"]',
            'use names "wether", which is neither a name nor a tag of the lists; did you mean "weather"?',
        ),
        ('use_lists = ["us"]', "use_lists is there without use; it must be left out, or use be added"),
        (
            'use = ["weather"]\nuse_lists = ["mars"]',
            'use_lists: "mars" is no list; it must be us or region1, or the path of a CSV file',
        ),
    ],
)
def test_a_wrong_use_is_one_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    channel = '\n[[channel]]\nname = "a"\nfrequency_mhz = 146.52\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    assert problems_of(tmp_path, text + channel) == [f"plan.toml: {sentence}"]


def test_a_name_and_a_frequency_of_two_rows_contradict(tmp_path: Path) -> None:
    text = 'use = ["Marine 16", "Marine 09"]\n[[channel]]\nname = "Marine 16"\nfrequency_mhz = 156.45'
    assert problems_of(tmp_path, text)[0] == (
        'plan.toml: channel "Marine 16": frequency_mhz is 156.45, that of "Marine 09" in the list; '
        "it must be the channel's own, or be left out"
    )


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "mine.csv has no rows; it must have a line of column names and one a channel"),
        (
            HEAD + "# remark\n,1,fm,20,,a,,,,,\n",
            'mine.csv: line 3: name is ""; it must hold at least one letter',
        ),
        (HEAD + "a,x,fm,20,,a,,,,,\n", 'mine.csv: line 2: frequency_mhz is "x"; it must be a number of MHz'),
        (HEAD + "a,146.52,fm,99,,a,,,,,\n", 'mine.csv: line 2: bandwidth_khz is "99"; it must be between'),
        (
            HEAD + "a,146.52,fm,20,99.9,a,,,,,\n",
            'mine.csv: line 2: usual_tone_hz is "99.9"; it must be one of',
        ),
        (HEAD + "a,1,fm,20,,a,,,,,\na,2,fm,20,,a,,,,,\n", 'mine.csv: line 3: name is "a", as on an earlier'),
        (
            "name,mode\n",
            "mine.csv: line 1: the column frequency_mhz is missing; it must have name, frequency_mhz",
        ),
    ],
)
def test_a_wrong_list_is_told_by_the_line(tmp_path: Path, content: str, sentence: str) -> None:
    (tmp_path / "mine.csv").write_text(content)
    (problem,) = problems_of(tmp_path, 'use = ["a"]\nuse_lists = ["mine.csv"]')
    assert problem.startswith(f"plan.toml: use_lists: {sentence}")


def test_a_list_that_is_not_there_is_told(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, 'use = ["a"]\nuse_lists = ["mine.csv"]')
    assert "mine.csv cannot be read (No such file or directory)" in problem


def test_the_plan_that_shows_it_is_sound(checkout: Path) -> None:
    plan = read_plan(checkout / "config" / "ridge-battery-plan.toml")
    assert plan.warnings == ()
    assert plan.power is not None
    assert plan.channel("Far ridge input").frequency_hz == 146_340_000


REPEATER = '[[channel]]\nname = "Ridge"\nmode = "fm"\nbandwidth_khz = 20\n'


def test_a_repeater_is_watched_on_its_output_and_where_wanted_on_its_input(tmp_path: Path) -> None:
    pair = "repeater = { output_mhz = 146.94, offset_khz = -600, tone_hz = 123.0 }\n"
    (output,) = plan_of(tmp_path, REPEATER + pair).channels
    assert (output.frequency_hz, output.expect_tone_hz) == (146_940_000, None)
    output, listens = plan_of(tmp_path, f"{REPEATER}{pair}watch_input = true\npriority = 2\n").channels
    assert (listens.name, listens.frequency_hz, listens.expect_tone_hz) == ("Ridge input", 146_340_000, 123.0)
    assert (output.priority, listens.priority) == (2, 2)


def test_an_input_may_be_given_as_a_frequency(tmp_path: Path) -> None:
    pair = "frequency_mhz = 439.1\nrepeater = { input_mhz = 431.5 }\nwatch_input = true\n"
    _, listens = plan_of(tmp_path, REPEATER + pair).channels
    assert listens.frequency_hz == 431_500_000


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            "frequency_mhz = 146.94\nwatch_input = true",
            "watch_input is true without a repeater; it must have",
        ),
        ("frequency_mhz = 146.94\nwatch_input = 1", "watch_input is 1; it must be true or false"),
        (
            "repeater = { output_mhz = 146.94 }\nwatch_input = true",
            "watch_input is true; the repeater must have",
        ),
        (
            "repeater = { output_mhz = 9 , offset = 1 }",
            "repeater: offset is not a key of repeater; did you mean",
        ),
        ("frequency_mhz = 146.94\nrepeater = 3", "repeater is 3; it must be a table like { output_mhz"),
        (
            "frequency_mhz = 146.94\nrepeater = { output_mhz = 146.97 }",
            "frequency_mhz is 146.94 and the repeater's output_mhz is 146.97; it must be one of the two",
        ),
        (
            "repeater = { output_mhz = 146.94, input_mhz = 146.34, offset_khz = -600 }",
            "repeater has offset_khz and input_mhz; it must be one of the two",
        ),
        (
            "repeater = { output_mhz = 146.94, tone_hz = 99.9 }",
            "repeater: tone_hz is 99.9; it must be one of",
        ),
    ],
)
def test_a_wrong_repeater_is_one_sentence(tmp_path: Path, keys: str, sentence: str) -> None:
    (problem,) = problems_of(tmp_path, f"{REPEATER}{keys}\n")
    assert problem.startswith(f'plan.toml: channel "Ridge": {sentence}')
