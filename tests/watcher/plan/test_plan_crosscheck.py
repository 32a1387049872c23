"""Warnings: what is allowed and probably not meant."""

from __future__ import annotations

from watcher.plan import Channel
from watcher.plan.crosscheck import channel_warnings


def nfm(name: str, frequency_hz: int, **changes: object) -> Channel:
    facts: dict[str, object] = {
        "name": name,
        "frequency_hz": frequency_hz,
        "mode": "nfm",
        "bandwidth_hz": 12_500,
    }
    return Channel.model_validate(facts | changes)


def test_one_frequency_twice_in_one_mode_is_warned_of() -> None:
    channels = [nfm("direct", 146_520_000), nfm("with tone", 146_520_000, expect_tone_hz=100.0)]
    assert channel_warnings(channels, "plan.toml") == [
        'plan.toml: channel "with tone": frequency_mhz is 146.520, as is that of "direct" in the same mode; '
        "what is heard there is logged on both"
    ]


def test_one_frequency_in_two_modes_is_not() -> None:
    assert channel_warnings([nfm("a", 121_500_000), nfm("b", 121_500_000, mode="am")], "plan.toml") == []


def test_channels_one_width_apart_are_not_warned_of() -> None:
    assert channel_warnings([nfm("a", 462_562_500), nfm("b", 462_575_000)], "plan.toml") == []


def test_a_run_of_channels_that_lie_on_one_another_is_one_sentence() -> None:
    wide = {"mode": "fm", "bandwidth_hz": 20_000}
    channels = [nfm(f"FRS {number}", 462_550_000 + 12_500 * number, **wide) for number in (3, 1, 2)]
    channels.append(nfm("far", 467_000_000))
    assert channel_warnings(channels, "plan.toml") == [
        'plan.toml: channels "FRS 1", "FRS 2", "FRS 3" lie closer together than their bandwidths; '
        "a strong station on one will be heard on the next"
    ]


def test_wide_deviation_in_a_narrow_channel_is_warned_of() -> None:
    assert channel_warnings([nfm("a", 146_520_000, mode="fm")], "plan.toml") == [
        'plan.toml: channel "a": bandwidth_khz is 12.5 in mode fm, whose deviation is 5 kHz; '
        "loud speech will be distorted"
    ]
    assert channel_warnings([nfm("a", 146_520_000, mode="fm", bandwidth_hz=20_000)], "plan.toml") == []


def test_a_tone_in_am_is_warned_of() -> None:
    guard = nfm("guard", 121_500_000, mode="am", expect_tone_hz=100.0)
    assert channel_warnings([guard], "plan.toml") == [
        'plan.toml: channel "guard": expect_tone_hz is 100.0; tones are read in nfm and fm only'
    ]
