"""Schedules against one another, the best for a budget, and what the command says and writes."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from PIL import Image

from watcher.cli import main
from watcher.plan import read_plan
from watcher.plan.caller_rules import CallerRules
from watcher.plan.model import Channel, WatchPlan, Window
from watcher.plan.outlook import schedules
from watcher.plan.outlook.callers import WITHIN_H, Share, chance, channel_shares, delays_s, draw_callers
from watcher.plan.outlook.energy import Duty
from watcher.plan.outlook.hearing import Receiving, listening, receiving
from watcher.plan.outlook.picture import SIZE, frontier_picture
from watcher.plan.outlook.schedules import Candidate, Comparison, Schedule, Search, duty_of, frontier_of
from watcher.plan.outlook.wording import suppositions
from watcher.plan.power_rules import PowerRules, Uncertain

START = datetime(2031, 5, 4, tzinfo=UTC)
UTC_ZONE = ZoneInfo("UTC")


@pytest.fixture(autouse=True)
def _few_in_the_family(monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole family takes seconds, and no rule of these needs more than a few of it."""
    monkeypatch.setattr(schedules, "PERIODS_H", (1, 3))
    monkeypatch.setattr(schedules, "LENGTHS_MIN", (5,))
    monkeypatch.setattr(schedules, "FAMILY_LEADS_MIN", (0, 5))
    monkeypatch.setattr(schedules, "DAYS", 1)


def nfm(name: str, frequency_hz: int, **said: object) -> Channel:
    return Channel(name=name, frequency_hz=frequency_hz, mode="nfm", bandwidth_hz=12_500, **said)  # type: ignore[arg-type]


CALLING, OTHER = nfm("calling", 146_520_000, calling=True), nfm("other", 446_100_000)
HOURLY = Window(every_hours=1, length_minutes=5)
PLAN = WatchPlan(channels=(CALLING, OTHER), windows=(HOURLY,))


def candidate(name: str, cost: float, share: float) -> Candidate:
    return Candidate(Schedule(name, ()), Duty(cost, 1), cost, Share(share, share, share))


def test_the_frontier_holds_what_none_beats() -> None:
    made = [
        candidate(*each)
        for each in (("a", 2, 0.5), ("b", 1, 0.3), ("c", 3, 0.5), ("d", 1, 0.2), ("e", 4, 0.9))
    ]
    assert [each.schedule.name for each in frontier_of(made)] == ["b", "a", "e"]


def test_duty_counts_open_hours_and_openings() -> None:
    two = (HOURLY, Window(at=("00:02",), length_minutes=13))
    duty = duty_of(two, UTC_ZONE, START, 1)
    assert duty.open_hours == pytest.approx((24 * 5 + 10) / 60)  # they overlap by three minutes
    assert duty.openings == pytest.approx(24)


def test_calling_channels_are_used_where_the_plan_has_them() -> None:
    rules = CallerRules()
    assert channel_shares(rules, PLAN.channels) == {"calling": 1.0}
    quiet = nfm("weather", 162_550_000, keep="alerts")
    assert channel_shares(rules, [OTHER, quiet]) == {"other": 1.0}
    assert channel_shares(rules, [quiet]) == {}


def test_nobody_is_heard_on_a_channel_nobody_watches() -> None:
    rules = CallerRules(channels=(("calling", 0.25),), cn_db=Uncertain(20.0), lasts_hours=Uncertain(50.0))
    heard_by = listening(receiving(PLAN, [CALLING]), (Window(continuous=True),), UTC_ZONE, START, 48)
    callers = draw_callers(rules, PLAN.channels, UTC_ZONE, START, 1, 20_000)
    seen = np.isfinite(delays_s(rules, callers, heard_by, START))
    assert seen.mean() == pytest.approx(0.25, abs=0.015)
    assert set(callers.channel[seen]) == {0}


def test_a_plan_whose_windows_never_open_in_the_days_looked_at_hears_nobody() -> None:
    never = Window(at=("05:00",), length_minutes=5, from_date="12-01", to_date="12-02")
    prospect = Comparison(PLAN, START, 1000).prospect(Schedule("winter", (never,)))
    assert prospect.duty.open_hours == 0
    assert prospect.chance.within[24].share == 0
    assert prospect.chance.delay_h == {10: None, 50: None, 90: None}


def test_a_plan_of_weather_alone_hears_no_caller() -> None:
    plan = WatchPlan(channels=(nfm("weather", 162_550_000, keep="alerts"),))
    comparison = Comparison(plan, START, 500)
    assert comparison.own().chance.within[24].share == 0
    assert "channels: none of this plan; 100 % call where nobody watches" in suppositions(plan)
    assert comparison.search(12).frontier[0].heard.share == 0


def test_more_watching_never_hears_fewer_of_the_same_callers() -> None:
    comparison = Comparison(PLAN, START, 5000)
    chances = [
        comparison.prospect(Schedule(name, windows)).chance
        for name, windows in (
            ("three-hourly", (Window(every_hours=3, length_minutes=5),)),
            ("hourly", (HOURLY,)),
            ("always", (Window(continuous=True),)),
        )
    ]
    for hours in WITHIN_H:
        shares = [each.within[hours].share for each in chances]
        assert shares == sorted(shares)


def test_a_local_hour_of_half_an_hour_zone_is_the_callers_hour() -> None:
    zone = ZoneInfo("Asia/Kolkata")  # five and a half hours ahead of UTC
    rules = CallerRules(
        clock_error_minutes=Uncertain(0.0), cn_db=Uncertain(20.0), lasts_hours=Uncertain(50.0)
    )
    heard_by = listening(receiving(PLAN, [CALLING]), (HOURLY,), zone, START, 48)
    callers = draw_callers(rules, PLAN.channels, zone, START, 1, 2000)
    assert np.all(delays_s(rules, callers, heard_by, START) <= 3700)


def test_the_same_seed_gives_the_same_outlook_and_another_one_another() -> None:
    windows = (Window(every_hours=3, length_minutes=5),)
    shares = [
        Comparison(PLAN, START, 2000, seed=seed).prospect(Schedule("x", windows)).chance.within[1].share
        for seed in (1, 1, 2)
    ]
    assert shares[0] == shares[1] != shares[2]


def test_a_lead_helps_those_whose_clock_is_early() -> None:
    early = CallerRules(clock_error_minutes=Uncertain(-8.0), rounds=1, cn_db=Uncertain(20.0))
    plan = PLAN.model_copy(update={"callers": early})
    by_lead = Comparison(plan, START, 2000).by_lead()
    assert by_lead[0].within[1].share == 0  # two minutes of calls, eight minutes too early
    assert by_lead[10].within[1].share > 0.8
    assert Comparison(plan.model_copy(update={"windows": ()}), START, 100).by_lead() == {}


def test_the_best_schedule_is_the_best_affordable_one() -> None:
    power = PowerRules(
        battery_wh=Uncertain(480.0), usable_share=Uncertain(0.5), computer_asleep_w=Uncertain(0.5)
    )
    plan = WatchPlan(channels=(CALLING,), power=power)
    search = Comparison(plan, START, 2000).search(12, days=10)
    assert search.affordable_cost == pytest.approx(24)  # 240 Wh over ten days
    assert search.best is not None
    assert search.best.energy is not None
    assert search.best.energy.days.value >= 10
    affordable = [each for each in search.candidates if each.cost <= 24]
    assert max(each.heard.share for each in affordable) == next(
        each.heard.share for each in search.candidates if each.schedule == search.best.schedule
    )
    assert Comparison(plan, START, 200).search(12, days=1000).best is None


def test_the_picture_is_a_png_of_its_size() -> None:
    made = tuple(candidate(name, cost, share) for name, cost, share in (("a", 1, 0.2), ("b", 2, 0.5)))
    picture = frontier_picture(Search(12, made, frontier_of(made), 1.5, None), "Wh a day")
    with Image.open(io.BytesIO(picture)) as image:
        assert (image.format, image.size) == ("PNG", SIZE)
    with pytest.raises(ValueError, match="no candidates"):
        frontier_picture(Search(12, (), (), None, None), "Wh a day")


def test_no_callers_heard_is_no_delay() -> None:
    nobody = chance(np.full(10, np.inf, np.float32))
    assert nobody.within[24].share == 0
    assert nobody.within[24].high > 0
    assert nobody.delay_h[50] is None


def test_a_plan_without_radios_is_taken_for_one_with_the_usual_one() -> None:
    setup = receiving(PLAN)
    assert isinstance(setup, Receiving)
    assert (len(setup.tunings), setup.radios) == (2, 1)


TEXT = """
[power]
battery_wh = 300
[[window]]
every_hours = 3
length_minutes = 5
[[channel]]
name = "a"
frequency_mhz = 146.52
mode = "nfm"
bandwidth_khz = 12.5
"""
FROM = ["--from", "2031-05-04T00:00:00Z", "--callers", "500"]


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(TEXT)
    return path


def run(*words: str) -> object:
    with pytest.raises(SystemExit) as ended:
        main(["outlook", *words])
    return ended.value.code


def test_the_command_says_its_cautions_and_every_schedule(
    plan_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(str(plan_file), *FROM) == 0
    said = capsys.readouterr().out
    assert said.count("Nobody should rely on being heard") == 2
    for name in ("this plan", "three-hourly", "hourly", "continuous"):
        assert f"\n{name} " in said
    assert "days until empty" in said


def test_the_command_writes_facts_and_a_picture(plan_file: Path, tmp_path: Path) -> None:
    facts, picture = tmp_path / "o.json", tmp_path / "o.png"
    budget = ["--days", "5", "--json", str(facts), "--picture", str(picture), "--quiet"]
    assert run(str(plan_file), *FROM, *budget) == 0
    read = json.loads(facts.read_text())
    assert read["schedules"][0]["name"] == "this plan"
    assert read["schedules"][0]["open_h_a_day"] == pytest.approx(8 * 5 / 60)
    assert read["search"]["cost_unit"] == "wh_a_day"
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_facts_alone_go_to_standard_output(plan_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(plan_file), *FROM, "--json", "-") == 0
    assert json.loads(capsys.readouterr().out)["seed"] == 1


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--callers", "7"], "--callers is 7; it must be between 100 and 10000000"),
        (["--within", "2"], "--within is 2; it must be one of 1, 3, 6, 12, 24"),
        (["--days", "0"], "--days is 0; it must be above 0 and up to 1e+06"),
        (["--hours-a-day", "25"], "--hours-a-day is 25; it must be above 0 and up to 24"),
        (["--seed", "-1"], "--seed is -1; it must be 0 or more"),
    ],
)
def test_a_wrong_option_is_one_sentence(
    plan_file: Path, capsys: pytest.CaptureFixture[str], options: list[str], sentence: str
) -> None:
    assert run(str(plan_file), *options) == 2
    assert capsys.readouterr().err == f"midwatch: {sentence}\n"


def test_a_budget_of_energy_needs_the_power_table(
    plan_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan_file.write_text(TEXT.replace("[power]\nbattery_wh = 300\n", ""))
    assert read_plan(plan_file).power is None
    assert run(str(plan_file), "--days", "3") == 2
    assert "--days is 3 and plan.toml has no [power] table" in capsys.readouterr().err


def test_a_channel_wider_than_the_radio_is_one_sentence(
    plan_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan_file.write_text(f"{TEXT}\n[[radio]]\nsample_rate_hz = 20000\n")
    assert run(str(plan_file)) == 2
    assert capsys.readouterr().err.startswith('midwatch: plan.toml: channel "a": sample_rate_hz is 20000')
