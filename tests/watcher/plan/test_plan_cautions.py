"""What `midwatch check` warns of beyond single channels, and the exit code that scripts read."""

from __future__ import annotations

from pathlib import Path

import pytest

from watcher.cli import main
from watcher.plan.cautions import plan_cautions
from watcher.plan.model import Channel, Radio, WatchPlan, Window
from watcher.plan.stay_rules import DwellRules

RADIO = Radio(kind="rtlsdr", sample_rate_hz=2_400_000)
WINDOW = Window(every_hours=3, length_minutes=1)


def nfm(name: str, frequency_hz: int) -> Channel:
    return Channel(name=name, frequency_hz=frequency_hz, mode="nfm", bandwidth_hz=12_500)


def test_a_plan_for_replay_has_no_cautions() -> None:
    assert plan_cautions(WatchPlan(channels=(nfm("a", 144_000_000),))) == ()


def test_windows_without_a_radio_are_told() -> None:
    (told,) = plan_cautions(WatchPlan(channels=(nfm("a", 146_520_000),), windows=(WINDOW,)))
    assert told.startswith("the plan has windows and no [[radio]]; nobody can hear in them")


def test_a_channel_on_a_harmonic_of_the_crystal_is_told() -> None:
    # Five times 28.8 MHz is 144 MHz.
    (told,) = plan_cautions(WatchPlan(channels=(nfm("a", 144_000_000),), radios=(RADIO,)))
    assert 'channel "a" lies on harmonic 5 of the radio\'s crystal' in told


def test_a_channel_out_of_reach_is_told() -> None:
    plan = WatchPlan(channels=(nfm("short wave", 7_100_000), nfm("b", 146_520_000)), radios=(RADIO,))
    assert any(
        told.startswith('channel "short wave" lies outside 24 to 1766 MHz') for told in plan_cautions(plan)
    )
    sampled = RADIO.model_copy(update={"direct_sampling": "q"})
    assert not plan_cautions(plan.model_copy(update={"radios": (sampled,)}))


def test_a_window_too_short_for_every_tuning_is_told() -> None:
    channels = (nfm("a", 52_525_000), nfm("b", 146_520_000), nfm("c", 446_100_000))
    long = DwellRules(dwell_seconds=30)
    plan = WatchPlan(channels=channels, radios=(RADIO,), windows=(WINDOW,), dwell=long)
    # Three visits of 30 s and 0.3 s of retuning for each.
    (told,) = plan_cautions(plan)
    assert told == (
        'window "every 3 hours" is open for 60 s and a radio needs 90.9 s to visit all its tunings; some '
        "channels are not heard in it"
    )
    assert plan_cautions(plan.model_copy(update={"dwell": DwellRules(dwell_seconds=10)})) == ()


def test_a_span_too_narrow_for_a_channel_is_told() -> None:
    narrow = Radio(kind="rtlsdr", sample_rate_hz=20_000)
    (told,) = plan_cautions(WatchPlan(channels=(nfm("a", 146_520_000),), radios=(narrow,)))
    assert told.startswith(
        'no window can be stood: channel "a": sample_rate_hz is 20000; it must be at least'
    )


PLAN = (
    '[[channel]]\nname = "a"\nfrequency_mhz = {}\nmode = "nfm"\nbandwidth_khz = 12.5\n'
    '[[radio]]\nkind = "rtlsdr"\n'
)


@pytest.mark.parametrize(
    ("frequency_mhz", "strict", "code"), [(146.52, True, 0), (144.0, False, 0), (144.0, True, 2)]
)
def test_strict_makes_a_warning_an_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], frequency_mhz: float, strict: bool, code: int
) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.format(frequency_mhz))
    with pytest.raises(SystemExit) as ended:
        main(["check", str(path), *(["--strict"] if strict else [])])
    assert ended.value.code == code
    said = capsys.readouterr()
    assert ("worth a look" in said.err) == (code == 2)
    assert ("worth a look" in said.out) == (frequency_mhz == 144.0 and not strict)


def test_check_tells_what_a_channel_is_for_and_what_one_needs_to_transmit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('use = ["Marine 16"]\n')
    with pytest.raises(SystemExit):
        main(["check", str(path)])
    (line,) = (line for line in capsys.readouterr().out.splitlines() if line.startswith("Marine 16"))
    assert "distress safety and calling" in line
    assert "to transmit: ship station" in line
