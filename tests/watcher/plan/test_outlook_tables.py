"""The tables an outlook rests on: what is accepted, and the sentence for what is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import WatchPlan, read_plan
from watcher.plan.power_rules import Uncertain

CHANNEL = '[[channel]]\nname = "a"\nfrequency_mhz = 146.520\nmode = "nfm"\nbandwidth_khz = 12.5\n'


def plan_of(folder: Path, text: str) -> WatchPlan:
    path = folder / "plan.toml"
    path.write_text(f"{text}\n{CHANNEL}", encoding="utf-8")
    return read_plan(path)


def test_a_plan_without_the_tables_knows_no_battery_and_supposes_the_usual_caller(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, "")
    assert plan.power is None
    assert (plan.callers.call_minutes, plan.callers.listen_minutes, plan.callers.rounds) == (2, 3, 2)


def test_every_figure_is_a_number_or_has_its_uncertainty(tmp_path: Path) -> None:
    plan = plan_of(
        tmp_path,
        """
        [power]
        battery_ah = [50, 2.5]
        battery_volts = 12.8
        chemistry = "lithium"
        temperature_c = [-5, 5]
        solar_w_peak = 20
        sun_hours = [1, 2, [3, 0.5], 4, 5, 6, 6, 5, 4, 3, 2, 1]
        [callers]
        clock_error_minutes = [1, 4]
        lasts_hours = 12
        channels = { "A" = 0.7 }
        detection = [[-3, 0.1], [3, 1]]
        first_call = "at-once"
        """,
    )
    assert plan.power is not None
    assert plan.power.battery_ah == Uncertain(50, 2.5)
    assert plan.power.temperature_c == Uncertain(-5, 5)
    assert plan.power.sun_hours is not None
    assert plan.power.sun_hours[2] == Uncertain(3, 0.5)
    assert plan.callers.clock_error_minutes == Uncertain(1, 4)
    assert plan.callers.channels == (("A", 0.7),)
    assert plan.callers.detection == ((-3, 0.1), (3, 1))
    assert str(Uncertain(5, 0.5)) == "5 ± 0.5"


FIGURE = "or a list of it and its plus_minus, like [12, 0.5]"
BATTERY = "battery_wh = 100\n"


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ("", "the battery's energy is not said; it must have battery_wh, or battery_ah and battery_volts"),
        (
            "battery_ah = 7",
            "the battery's energy is not said; it must have battery_wh, or battery_ah and battery_volts",
        ),
        (
            f"{BATTERY}battery_ah = 7",
            "battery_wh is 100 beside battery_ah; it must be battery_wh alone, or battery_ah and "
            "battery_volts",
        ),
        ("battery_wh = 0", f"battery_wh is 0; it must be a number between 0.1 and 1000000, {FIGURE}"),
        ('battery_wh = "7"', f'battery_wh is "7"; it must be a number between 0.1 and 1000000, {FIGURE}'),
        (f"{BATTERY}radio_w = [1]", f"radio_w is a list; it must be a number between 0 and 10000, {FIGURE}"),
        (
            f"{BATTERY}radio_w = [1, -1]",
            f"radio_w is a list; it must be a number between 0 and 10000, {FIGURE}",
        ),
        (
            f"{BATTERY}usable_share = 50",
            f"usable_share is 50; it must be a number between 0.01 and 1, {FIGURE}",
        ),
        (
            f"{BATTERY}computer_asleep_w = 9",
            "computer_asleep_w is 9; it must not be more than computer_awake_w, 5 ± 1",
        ),
        (
            f"{BATTERY}solar_w_peak = 9",
            "solar_w_peak is 9 without sun; it must have sun_hours or latitude_deg",
        ),
        (
            f"{BATTERY}sun_hours = [1, 2]",
            "sun_hours is a list; it must be a list of twelve numbers between 0 and 24, January first",
        ),
        (
            f"{BATTERY}latitude_deg = 91",
            "latitude_deg is 91; it must be a number of degrees between -90 (south) and 90",
        ),
        (f'{BATTERY}chemistry = "coal"', 'chemistry is "coal"; it must be "lead" or "lithium"'),
        (f"{BATTERY}radio_watts = 1", "radio_watts is not a key of [power]; did you mean radio_w?"),
    ],
)
def test_a_wrong_power_table_is_one_sentence(tmp_path: Path, keys: str, sentence: str) -> None:
    with pytest.raises(PlanError) as refused:
        plan_of(tmp_path, f"[power]\n{keys}\n")
    assert refused.value.problems == [f"plan.toml: power: {sentence}"]


def test_sun_hours_and_latitude_contradict(tmp_path: Path) -> None:
    sun = ", ".join(["3"] * 12)
    with pytest.raises(PlanError, match="sun_hours and latitude_deg both say how much sun there is"):
        plan_of(tmp_path, f"[power]\n{BATTERY}sun_hours = [{sun}]\nlatitude_deg = 40\n")


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            "rounds = 20",
            "rounds is 20, which takes 100 minutes of calling and listening; it must fit into the hour",
        ),
        ('channels = { "b" = 1 }', 'channels names "b"; it must be the name of a channel of this plan'),
        (
            'channels = { "a" = 0.7, "A" = 0.7 }',
            "channels is a table; it must hold shares of together at most 1, and they come to 1.4",
        ),
        (
            "channels = {}",
            "channels is a table; it must be a table of channel names and shares above 0 and up to 1, like "
            '{ "2 m calling" = 0.5 }',
        ),
        (
            "detection = [[3, 0.9], [0, 1]]",
            "detection is a list; it must be a list of pairs of dB and a rate between 0 and 1, both rising, "
            "like [[0, 0], [3, 0.99]]",
        ),
        (
            "detection = [3]",
            "detection is a list; it must be a list of pairs of dB and a rate between 0 and 1, both rising, "
            "like [[0, 0], [3, 0.99]]",
        ),
        ("outage_share = 1", "outage_share is 1; it must be a share from 0 to below 1"),
        ('first_call = "never"', 'first_call is "never"; it must be "next-hour" or "at-once"'),
    ],
)
def test_a_wrong_callers_table_is_one_sentence(tmp_path: Path, keys: str, sentence: str) -> None:
    with pytest.raises(PlanError) as refused:
        plan_of(tmp_path, f"[callers]\n{keys}\n")
    assert refused.value.problems == [f"plan.toml: callers: {sentence}"]
