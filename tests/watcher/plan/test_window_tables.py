"""The keys of `[[window]]`: what is read, what is refused and with which sentence, what a preset puts in."""

from __future__ import annotations

from datetime import time
from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import Window
from watcher.plan.describe import describe
from watcher.plan.presets import read_presets, shipped_presets
from watcher.plan.reading import plan_from_text
from watcher.plan.window_rules import cron_clock_times

CHANNEL = '[[channel]]\nname = "2 m calling"\nfrequency_mhz = 146.520\nmode = "nfm"\nbandwidth_khz = 12.5\n'
FIVE = "length_minutes = 5\n"


def windows_of(*tables: str) -> tuple[Window, ...]:
    text = CHANNEL + "".join(f"[[window]]\n{table}\n" for table in tables)
    return plan_from_text(text, Path("plan.toml")).windows


def problems_of(*tables: str) -> list[str]:
    with pytest.raises(PlanError) as refused:
        windows_of(*tables)
    return [problem.removeprefix("plan.toml: ") for problem in refused.value.problems]


def test_every_way_of_giving_starts_is_read() -> None:
    every, at, cron, continuous, preset = windows_of(
        "every_hours = 3\nlength_minutes = 5\nlead_minutes = 2.5",
        f'at = ["10:00", "07:30"]\nname = "club"\ndays = ["sun", "sat"]\n{FIVE}',
        f'cron = "*/30 7-8 * may-sep SAT,sun"\nfrom_date = "05-01"\nto_date = "10-15"\n{FIVE}',
        "continuous = true",
        'preset = "three-hourly-wide"',
    )
    assert (every.every_hours, every.length_minutes, every.lead_minutes) == (3, 5, 2.5)
    assert (at.at, at.days, at.said_name) == ((time(7, 30), time(10)), ("sat", "sun"), "club")
    assert cron.cron is not None
    assert cron_clock_times(cron.cron) == (time(7), time(7, 30), time(8), time(8, 30))
    assert (cron.from_date, cron.to_date) == ("05-01", "10-15")
    assert continuous.continuous
    assert (preset.lead_minutes, preset.length_minutes, preset.said_name) == (5, 5, "three-hourly-wide")
    assert preset.at == tuple(time(hour) for hour in (7, 10, 13, 16, 19, 22))


def test_a_key_beside_a_preset_goes_before_the_preset() -> None:
    (window,) = windows_of('preset = "hourly"\nlength_minutes = 10\nfrom_date = "05-01"\nto_date = "09-30"')
    assert (window.every_hours, window.length_minutes, window.from_date) == (1, 10, "05-01")


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (
            FIVE,
            "nothing says when it opens; it must have one of every_hours, at, cron, continuous and preset",
        ),
        (
            f'every_hours = 3\ncron = "0 7 * * *"\n{FIVE}',
            "every_hours and cron each say when it opens; it must be one of them",
        ),
        (
            'at = ["07:00"]',
            "length_minutes is missing; it must be a number of minutes above 0 and up to 1440",
        ),
        ("continuous = false", "continuous is false; it must be true, or be left out"),
        ("continuous = 1", "continuous is 1; it must be true, or be left out"),
        (
            f"continuous = true\n{FIVE}",
            "length_minutes is 5 in a continuous window; it must be left out",
        ),
        (
            f'at = "07:00"\n{FIVE}',
            'at is "07:00"; it must be a list of local times in quotes, like ["07:00", "10:00"]',
        ),
        (
            f"at = []\n{FIVE}",
            'at is a list; it must be a list of local times in quotes, like ["07:00", "10:00"]',
        ),
        (
            f'at = ["07:00", "24:00"]\n{FIVE}',
            'at is a list; it must be a list of local times in quotes, like ["07:00", "10:00"], '
            'and "24:00" is none',
        ),
        (
            f"at = [7]\n{FIVE}",
            'at is a list; it must be a list of local times in quotes, like ["07:00", "10:00"], '
            "and one of its entries is none",
        ),
        (
            f'cron = "@hourly"\n{FIVE}',
            'cron is "@hourly"; it must be five fields in quotes (minute, hour, day of the month, month, '
            'day of the week), like "0 */3 * * *" or "30 7 * * sat,sun"',
        ),
        (
            f'cron = "0 25 * * *"\n{FIVE}',
            'cron is "0 25 * * *"; it must be five fields in quotes (minute, hour, day of the month, month, '
            'day of the week), like "0 */3 * * *" or "30 7 * * sat,sun"',
        ),
        (
            f'cron = "0 7 * * 0"\n{FIVE}',
            'cron is "0 7 * * 0"; it must name days of the week (mon, tue, …), because their numbers are '
            "read in two ways",
        ),
        (
            f'cron = "0 7 1 * mon"\n{FIVE}',
            'cron is "0 7 1 * mon"; it must name days of the month or days of the week, not both',
        ),
        (f'cron = "0 7 30 2 *"\n{FIVE}', 'cron is "0 7 30 2 *"; it must name a date that exists'),
        (
            f'every_hours = 3\nfrom_date = "05-01"\n{FIVE}',
            'from_date is "05-01" without to_date; it must have both or neither',
        ),
        (
            f'every_hours = 3\nfrom_date = "05-01"\nto_date = "06-31"\n{FIVE}',
            'to_date is "06-31"; it must be a month and a day in quotes, like "05-01"',
        ),
        (
            f'every_hours = 3\ndays = ["Saturday"]\n{FIVE}',
            "days is a list; it must hold days of mon, tue, wed, thu, fri, sat, sun in quotes, "
            'and "Saturday" is none',
        ),
        (
            f"every_hours = 3\ndays = []\n{FIVE}",
            'days is a list; it must be a list of days in quotes, like ["sat", "sun"]',
        ),
        (
            f'cron = "0 7 * * mon"\ndays = ["sat"]\n{FIVE}',
            "cron and days never come together; there must be a day on which the window opens",
        ),
        ('preset = "hourley"', 'preset is "hourley", which is not a preset; did you mean hourly?'),
        (
            'preset = "x"',
            'preset is "x", which is not a preset; the presets are three-hourly, hourly, three-hourly-wide, '
            "three-hourly-day-and-night, three-hourly-from-midnight",
        ),
        (f"every_hour = 3\n{FIVE}", "every_hour is not a key of [[window]]; did you mean every_hours?"),
    ],
)
def test_a_window_that_cannot_be_is_told_in_one_sentence(table: str, sentence: str) -> None:
    assert problems_of("every_hours = 1\nlength_minutes = 5", table) == [f"window 2: {sentence}"]


def test_several_wrong_windows_are_told_at_once() -> None:
    assert [problem.split(":")[0] for problem in problems_of("at = []", FIVE, 'preset = "x"')] == [
        *("window 1", "window 2", "window 3"),
    ]


def test_a_window_is_told_in_words() -> None:
    text = CHANNEL + "".join(
        f"[[window]]\n{table}\n"
        for table in (
            f'name = "club"\nat = ["07:30"]\ndays = ["sat"]\n{FIVE}',
            'preset = "hourly"\nfrom_date = "05-01"\nto_date = "09-30"\nlead_minutes = 1',
            "continuous = true",
            f'cron = "0 7 * * mon-fri"\n{FIVE}',
        )
    )
    facts = describe(plan_from_text(text, Path("plan.toml"))).facts
    assert [text for label, text in facts if label == "window"] == [
        "club: at 07:30 for 5 minutes, on sat",
        "every hour for 5 minutes, opening 1 minutes before, from 05-01 to 09-30 (hourly)",
        "continuous",
        "by cron 0 7 * * mon-fri for 5 minutes",
    ]


def test_a_preset_says_what_it_does_and_where_it_comes_from() -> None:
    for name, preset in shipped_presets().items():
        assert preset.name == name
        assert preset.does
        assert preset.source
        assert preset.basis in {"verified", "secondary", "common practice, no source"}


def test_a_preset_file_with_a_mistake_is_told(tmp_path: Path) -> None:
    path = tmp_path / "presets.toml"
    path.write_text('[[preset]]\nname = "x"\nevery_hours = 5\nlength_minutes = 5\n')
    with pytest.raises(PlanError) as refused:
        read_presets(path)
    assert refused.value.problems == [
        "presets.toml: preset 1: every_hours is 5; it must be a whole number of hours that divides the day: "
        "1, 2, 3, 4, 6, 8, 12 or 24",
        "presets.toml: preset 1: does is missing; it must be a short text",
        "presets.toml: preset 1: source is missing; it must be a short text",
        "presets.toml: preset 1: basis is missing; it must be a short text",
    ]
