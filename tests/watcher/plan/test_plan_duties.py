"""Alerts, limits and live audio in a plan: what is accepted, and the sentence for what is not."""

from __future__ import annotations

from datetime import time
from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import WatchPlan, read_plan
from watcher.plan.duties import Alert, KeepRules, LiveAudio

CHANNEL = '[[channel]]\nname = "a"\nfrequency_mhz = 146.520\nmode = "nfm"\nbandwidth_khz = 12.5\n'


def plan_of(folder: Path, text: str) -> WatchPlan:
    path = folder / "plan.toml"
    path.write_text(f"{text}\n{CHANNEL}", encoding="utf-8")
    return read_plan(path)


def test_a_plan_without_duties_alerts_nobody_and_keeps_everything_while_there_is_room(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, "")
    assert plan.alerts == ()
    assert plan.listen is None
    assert plan.keep == KeepRules(days=None, flagged_days=None, least_free_gb=1.0, most_gb=None)
    assert plan.station.health_port is None


def test_every_key_is_read(tmp_path: Path) -> None:
    plan = plan_of(
        tmp_path,
        """
        [station]
        health_port = 9750
        [[alert]]
        to = "json://localhost/watch"
        [[alert]]
        command = ["./bell", "twice"]
        flags = ["alert-tone"]
        least_severity = 0
        calling = false
        quiet_hours = "22:00-07:00"
        most_per_hour = 2
        [[alert]]
        sound = "bell.wav"
        [[alert]]
        to = "env:ALERT_ADDRESS"
        [keep]
        days = 30
        flagged_days = 365.5
        least_free_gb = 2
        most_gb = 20
        [listen]
        device = "desk"
        """,
    )
    service, command, sound, variable = plan.alerts
    assert (service.to, service.flags, service.least_severity, service.calling, service.most_per_hour) == (
        *("json://localhost/watch", ("long-tone", "beacon", "same"), 3, True, 6),
    )
    assert command.command == (str(tmp_path / "bell"), "twice")
    assert (command.flags, command.least_severity, command.calling) == (("alert-tone",), 0, False)
    assert (command.quiet_hours, command.most_per_hour) == ("22:00-07:00", 2)
    assert sound.sound == tmp_path / "bell.wav"
    assert [alert.way for alert in plan.alerts] == [
        "json",
        "command bell",
        "sound bell.wav",
        "env:ALERT_ADDRESS",
    ]
    assert variable.to == "env:ALERT_ADDRESS"
    assert plan.keep == KeepRules(days=30, flagged_days=365.5, least_free_gb=2, most_gb=20)
    assert plan.listen == LiveAudio(device="desk")
    assert plan.station.health_port == 9750


def test_an_empty_listen_table_asks_for_the_systems_own_device(tmp_path: Path) -> None:
    assert plan_of(tmp_path, "[listen]").listen == LiveAudio(device=None)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[[alert]]", "alert 1: of to, command and sound it names none; it must name exactly one"),
        (
            '[[alert]]\nto = "json://x"\nsound = "a.wav"',
            "alert 1: of to, command and sound it names to and sound; it must name exactly one",
        ),
        (
            '[[alert]]\nto = "tell me"',
            'alert 1: to is "tell me"; it must be the address of a service in quotes, like "mailto://…", or '
            'the name of an environment variable that holds one, like "env:ALERT_ADDRESS"',
        ),
        (
            '[[alert]]\ncommand = "bell"',
            'alert 1: command is "bell"; it must be a list of texts, like ["logger", "-t", "watch"]',
        ),
        (
            "[[alert]]\ncommand = []",
            'alert 1: command is a list; it must be a list of texts, like ["logger", "-t", "watch"]',
        ),
        (
            '[[alert]]\nsound = "a.wav"\nflags = ["loud"]',
            'alert 1: flags is a list; it must be a list of "long-tone", "beacon", "same", "alert-tone" and '
            '"unmodulated"',
        ),
        *(
            (
                f'[[alert]]\nsound = "a.wav"\nquiet_hours = "{hours}"',
                f'alert 1: quiet_hours is "{hours}"; it must be two different times of day in quotes, like '
                '"22:00-07:00"',
            )
            for hours in ("22-7", "22:00-24:00", "07:00-07:00", "22:60-07:00")
        ),
        (
            '[[alert]]\nsound = "a.wav"\nmost_per_hour = 0',
            "alert 1: most_per_hour is 0; it must be a whole number between 1 and 60",
        ),
        (
            '[[alert]]\nsound = "a.wav"\nleast_severity = 5',
            "alert 1: least_severity is 5; it must be a whole number between 0 (tests too) and 4 (warnings "
            "only)",
        ),
        ("[keep]\ndays = 0", "keep: days is 0; it must be a number of days above 0"),
        ("[keep]\nmost_gb = -1", "keep: most_gb is -1; it must be a number of gigabytes above 0"),
        (
            "[keep]\ndays = 30\nflagged_days = 7",
            "keep: flagged_days is 7 and days is 30; flagged clips must be kept at least as long as others",
        ),
        (
            "[keep]\nmonths = 1",
            "keep: months is not a key of [keep]; "
            "its keys are days, flagged_days, least_free_gb, most_gb, spectra_days",
        ),
        ("[[keep]]\ndays = 1", "keep must be headed [keep], with single brackets, once"),
        ("[listen]\ndevice = 3", "listen: device is 3; it must be the name of a sound device in quotes"),
        (
            "[station]\nhealth_port = 80",
            "station: health_port is 80; it must be a whole number between 1024 and 65535",
        ),
    ],
)
def test_what_cannot_be_meant_is_told(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(PlanError) as refused:
        plan_of(tmp_path, text)
    assert refused.value.problems == [f"plan.toml: {sentence}"]


@pytest.mark.parametrize(
    ("hours", "quiet", "loud"),
    [
        (
            "22:00-07:00",
            [time(22), time(23, 59, 59), time(0), time(6, 59, 59)],
            [time(7), time(12), time(21, 59)],
        ),
        ("13:30-14:00", [time(13, 30), time(13, 59, 59)], [time(13, 29, 59), time(14), time(0)]),
        (None, [], [time(0), time(12)]),
    ],
)
def test_quiet_hours_hold_their_start_and_not_their_stop(
    hours: str | None, quiet: list[time], loud: list[time]
) -> None:
    alert = Alert(to="json://x", quiet_hours=hours)
    assert all(alert.is_quiet(each) for each in quiet)
    assert not any(alert.is_quiet(each) for each in loud)
