"""Channels and plans as values: widths, deviations, spans."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from watcher.plan import Channel, Radio, Station, WatchPlan, channels_outside


def channel(**changes: object) -> Channel:
    facts: dict[str, object] = {
        "name": "Ridge",
        "frequency_hz": 146_520_000,
        "mode": "nfm",
        "bandwidth_hz": 12_500,
    }
    return Channel.model_validate(facts | changes)


@pytest.mark.parametrize(
    ("mode", "bandwidth_hz", "pass_band_hz"),
    [
        ("nfm", 12_500, 11_000),
        ("fm", 20_000, 14_000),
        ("fm", 25_000, 16_000),
        ("am", 8_330, 6_500),
        ("am", 25_000, 16_000),
        ("nfm", 6_250, 5_000),
        ("nfm", 8_330, 6_664),
        ("am", 10_000, 8_000),
        ("nfm", 11_250, 9_000),
    ],
)
def test_pass_band_follows_the_trade_width(mode: str, bandwidth_hz: int, pass_band_hz: int) -> None:
    # The project's design, section 6: 12.5 -> 11, 20 -> 14, 25 -> 16, AM 8.33 -> 6.5 kHz, others 0.8 of it.
    assert channel(mode=mode, bandwidth_hz=bandwidth_hz).pass_band_hz == pass_band_hz


@pytest.mark.parametrize(("mode", "deviation_hz"), [("nfm", 2_500), ("fm", 5_000), ("am", None)])
def test_rated_deviation_follows_the_mode(mode: str, deviation_hz: int | None) -> None:
    # TIA-603 rates 12.5 kHz equipment for 2.5 kHz and 25 kHz equipment for 5 kHz (secondary).
    assert channel(mode=mode).rated_deviation_hz == deviation_hz


@pytest.mark.parametrize(("mode", "bandwidth_hz"), [("nfm", 12_500), ("fm", 25_000)])
def test_the_pass_band_holds_carsons_width(mode: str, bandwidth_hz: int) -> None:
    # Carson's rule: 2 (peak deviation + highest modulating frequency), with voice to 3 kHz.
    made = channel(mode=mode, bandwidth_hz=bandwidth_hz)
    assert made.rated_deviation_hz is not None
    assert made.pass_band_hz >= 2 * (made.rated_deviation_hz + 3_000)


def test_channels_are_values_that_cannot_change() -> None:
    made = channel()
    with pytest.raises(ValidationError, match="frozen"):
        made.priority = 1  # type: ignore[misc]
    assert {made, channel()} == {made}


@pytest.mark.parametrize("changes", [{"frequency_hz": 0}, {"priority": 10}, {"mode": "usb"}, {"tone": 1}])
def test_channels_made_by_hand_are_checked(changes: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        channel(**changes)


def test_a_channel_is_outside_as_soon_as_an_edge_of_its_pass_band_is() -> None:
    # Usable to 1 MHz on both sides: the last carrier that fits stands half a pass band (5.5 kHz) inside.
    centre_hz = 146_000_000
    fits = channel(name="in", frequency_hz=centre_hz + 1_000_000 - 5_500)
    high = channel(name="high", frequency_hz=centre_hz + 1_000_000 - 5_499)
    low = channel(name="low", frequency_hz=centre_hz - 1_000_000 + 5_499)
    plan = WatchPlan(channels=(low, fits, high))
    assert plan.channels_outside(centre_hz, 1_000_000) == (low, high)
    assert channels_outside([fits], centre_hz, 1_000_000) == ()


def test_a_channel_is_found_by_its_name() -> None:
    plan = WatchPlan(channels=(channel(name="a"), channel(name="b", frequency_hz=1)))
    assert plan.channel("b").frequency_hz == 1
    with pytest.raises(KeyError):
        plan.channel("c")


def test_the_first_radio_gives_the_frequency_correction() -> None:
    assert WatchPlan(channels=(channel(),), radios=(Radio(ppm=12.5), Radio(ppm=3))).ppm == 12.5
    assert WatchPlan(channels=(channel(),)).ppm == 0.0


def test_the_stations_zone_is_a_real_one() -> None:
    assert Station(time_zone="America/Boise", storage=Path("log")).zone.key == "America/Boise"
    with pytest.raises(ValidationError, match="time zone"):
        Station(time_zone="Ridge/Base")
