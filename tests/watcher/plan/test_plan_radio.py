"""The `[[radio]]` tables of a plan."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from watcher.errors import PlanError
from watcher.plan import Radio, WatchPlan
from watcher.plan.describe import describe
from watcher.plan.radio_rules import RADIO_KINDS
from watcher.plan.reading import plan_from_text
from watcher.radio.opening import KINDS

CHANNEL = """
[[channel]]
name = "2 m calling"
frequency_mhz = 146.520
mode = "nfm"
bandwidth_khz = 12.5
"""


def plan_of(lines: str) -> WatchPlan:
    return plan_from_text(f"[[radio]]\n{lines}\n{CHANNEL}", Path("plan.toml"))


def told_of(lines: str) -> tuple[str, ...]:
    return tuple(text for label, text in describe(plan_of(lines)).facts if label == "radio")


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("kind = 'rtlsdr'", "rtlsdr, 0 ppm"),
        (
            "kind = 'rtlsdr'\nserial = '00000001'\nsample_rate_hz = 1_024_000\nppm = -1.5\ngain_db = 40.2\n"
            "bias_tee = true\ndirect_sampling = 'q'",
            "rtlsdr, 1024000 samples/s, -1.5 ppm, serial 00000001, gain 40.2 dB, antenna supply on, "
            "direct sampling of q",
        ),
        ("kind = 'rtlsdr'\nindex = 1\ngain_db = 'auto'", "rtlsdr, 0 ppm, number 1"),
        ("kind = 'network'\naddress = '192.0.2.7:1234'", "network, 0 ppm, at 192.0.2.7:1234"),
        ("kind = 'network'\naddress = '[2001:db8::7]:1234'", "network, 0 ppm, at [2001:db8::7]:1234"),
        ("kind = 'soapy'\ndriver = 'driver=ridge'\ngain_db = 30", "soapy, 0 ppm, driver=ridge, gain 30 dB"),
        (
            "kind = 'recording'\npath = '/air/evening.sigmf-meta'\nloop = true",
            "recording, 0 ppm, /air/evening.sigmf-meta over and over",
        ),
        ("ppm = 2", "–, 2 ppm"),
    ],
)
def test_every_kind_is_read_and_told(lines: str, told: str) -> None:
    assert told_of(lines) == (told,)


def test_what_is_not_said_is_left_to_the_radio() -> None:
    (radio,) = plan_of("kind = 'rtlsdr'").radios
    assert (radio.serial, radio.index, radio.sample_rate_hz, radio.gain_db) == (None, None, None, "auto")
    assert (radio.bias_tee, radio.direct_sampling, radio.ppm) == (False, "off", 0.0)


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        ("kind = 'usb'", 'kind is "usb"; it must be "rtlsdr", "network", "soapy" or "recording"'),
        ("kind = 'network'", 'kind is "network"; it must come with address'),
        ("kind = 'recording'", 'kind is "recording"; it must come with path'),
        ("kind = 'soapy'", 'kind is "soapy"; it must come with driver'),
        (
            "kind = 'rtlsdr'\naddress = '192.0.2.7:1234'\nloop = true",
            'kind is "rtlsdr"; it must come without address and loop',
        ),
        (
            "kind = 'recording'\npath = 'x.wav'\ngain_db = 3",
            'kind is "recording"; it must come without gain_db',
        ),
        ("serial = 1", "serial is 1; it must be the serial number in quotes"),
        ("serial = '1'\nindex = 0", "index is 0; it must be left out where serial is given"),
        ("index = -1", "index is -1; it must be a whole number from 0, the receiver's place on the bus"),
        (
            "gain_db = '40'",
            'gain_db is "40"; it must be "auto" in quotes or a figure in dB between -20 and 100',
        ),
        (
            "gain_db = true",
            'gain_db is true; it must be "auto" in quotes or a figure in dB between -20 and 100',
        ),
        (
            "gain_db = 101",
            'gain_db is 101; it must be "auto" in quotes or a figure in dB between -20 and 100',
        ),
        (
            "gain_db = nan",
            'gain_db is nan; it must be "auto" in quotes or a figure in dB between -20 and 100',
        ),
        ("bias_tee = 1", "bias_tee is 1; it must be true or false"),
        ("direct_sampling = 'x'", 'direct_sampling is "x"; it must be "off", "i" or "q"'),
        ("driver = ''", 'driver is ""; it must hold at least one letter or digit'),
        ("path = 3", "path is 3; it must be the path of a recording in quotes"),
        *(
            (
                f"address = '{address}'",
                f'address is "{address}"; it must be a host and a port in quotes, '
                f'like "127.0.0.1:1234"{more}',
            )
            for address, more in [
                ("192.0.2.7", ""),
                (":1234", ""),
                ("a b:1", ""),
                ("2001:db8::7", ""),
                ("192.0.2.7:0", ", the port between 1 and 65535"),
                ("192.0.2.7:65536", ", the port between 1 and 65535"),
                ("192.0.2.7:²", ", the port between 1 and 65535"),
            ]
        ),
    ],
)
def test_a_wrong_key_is_one_sentence(lines: str, sentence: str) -> None:
    with pytest.raises(PlanError) as refused:
        plan_of(lines)
    assert refused.value.problems == [f"plan.toml: radio 1: {sentence}"]


def test_a_wrong_address_is_not_told_again_as_missing() -> None:
    with pytest.raises(PlanError) as refused:
        plan_of("kind = 'network'\naddress = 'ridge'")
    assert len(refused.value.problems) == 1


def test_the_path_stands_beside_the_plan() -> None:
    radio = Radio(kind="recording", path=Path("air.sigmf-meta"))
    assert radio.beside(Path("/plans")).path == Path("/plans/air.sigmf-meta")
    assert Radio(kind="recording", path=Path("/x.wav")).beside(Path("/plans")).path == Path("/x.wav")
    assert Radio().beside(Path("/plans")) == Radio()


def test_a_radio_made_by_hand_is_checked_too() -> None:
    with pytest.raises(ValidationError):
        Radio(kind="network")


def test_the_plan_and_the_radios_know_the_same_kinds() -> None:
    assert RADIO_KINDS == KINDS
