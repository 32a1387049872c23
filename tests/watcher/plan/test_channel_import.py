"""A person's own list of channels: what is understood, and what is told by the line."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path

import pytest

from watcher.cli import main
from watcher.errors import PlanError
from watcher.plan import read_plan
from watcher.plan.channel_import import Imported, import_channels, write_tables
from watcher.plan.csv_cells import read_khz, read_mhz, read_mode, read_number, read_offset_khz, read_tone
from watcher.plan.rules import Wrong


def imported(text: str, **said: object) -> Imported:
    return import_channels(text.encode(), "list.csv", **said)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("written", "unit", "megahertz"),
    [
        ("146.520", None, "146.52"),
        ("146,520", None, "146.52"),
        ("146520", None, "146.52"),
        ("146520000", None, "146.52"),
        ("146.520.000", None, "146.52"),
        ("462,562.5", "khz", "462.5625"),
        ("146,520", "khz", "146.52"),
        ("1 294,5 MHz", None, "1294.5"),
        ("0.1465 GHz", None, "146.5"),
        ("27065 kHz", None, "27.065"),
    ],
)
def test_a_frequency_is_understood_however_written(written: str, unit: str | None, megahertz: str) -> None:
    assert read_mhz(written, unit) == Decimal(megahertz)


@pytest.mark.parametrize("written", ["abc", "", "0.01", "1e", "inf", "-146.52", "7e12"])
def test_what_is_no_frequency_is_refused(written: str) -> None:
    with pytest.raises(Wrong, match="it must be a frequency"):
        read_mhz(written)


@pytest.mark.parametrize(
    ("written", "kilohertz"),
    [("12.5", "12.5"), ("12,5 kHz", "12.5"), ("12500", "12.5"), ("0.0125", "12.5"), ("W", "25")],
)
def test_a_width_is_understood(written: str, kilohertz: str) -> None:
    assert read_khz(written) == Decimal(kilohertz)


@pytest.mark.parametrize(
    ("written", "kilohertz"), [("-0,6", -600), ("+5", 5000), ("600", 600), ("-600000", -600)]
)
def test_an_offset_is_understood(written: str, kilohertz: int) -> None:
    assert read_offset_khz(written) == kilohertz


def test_an_offset_beyond_reason_is_refused() -> None:
    with pytest.raises(Wrong, match="at most 100 MHz"):
        read_offset_khz("1e9")


def test_modes_and_tones_are_understood() -> None:
    assert [read_mode(each) for each in ("NBFM", "11K0F3E", "FM", "16k0f3e", "A3E")] == [
        "nfm",
        "nfm",
        "fm",
        "fm",
        "am",
    ]
    assert read_tone("CTCSS 100,0 Hz") == (Decimal("100.0"), None)
    assert read_tone("D023N") == (None, "023N")
    assert read_tone("D047I") == (None, "023N")
    assert read_number("1'234,5") == Decimal("1234.5")
    for wrong in ("DMR", "USB", ""):
        with pytest.raises(Wrong, match="nothing else can be heard"):
            read_mode(wrong)
    for wrong in ("99.9", "abc", "D999N"):
        with pytest.raises(Wrong, match="it must be"):
            read_tone(wrong)


def test_delimiter_heading_and_decimal_comma_are_worked_out() -> None:
    made = imported(
        "my list 2031\nNo;Label;Freq "
        "(MHz);Modulation;CTCSS\n1;Calling;146,520;FM;100,0\n\n2;Hut;446,00625;NFM;\n"
    )
    assert made.channels == (
        {
            "name": "Calling",
            "frequency_mhz": Decimal("146.52"),
            "mode": "fm",
            "bandwidth_khz": Decimal(20),
            "expect_tone_hz": Decimal("100.0"),
        },
        {
            "name": "Hut",
            "frequency_mhz": Decimal("446.00625"),
            "mode": "nfm",
            "bandwidth_khz": Decimal("12.5"),
        },
    )
    assert made.told == ()


def test_a_list_without_a_heading_is_taken_by_what_stands_in_it() -> None:
    made = imported("Calling\t146520\nHut\t446006.25\n")
    assert [(each["name"], each["frequency_mhz"]) for each in made.channels] == [
        ("Calling", Decimal("146.52")),
        ("Hut", Decimal("446.00625")),
    ]
    assert made.told[0] == "list.csv: no line names the columns; column 2 was taken for the frequency"


def test_repeaters_are_taken_from_an_input_or_from_an_offset_with_its_sign() -> None:
    made = imported(
        "name,rx frequency,tx frequency,offset,duplex,tx tone,mode\n"
        "a,146.94,146.34,,,123.0,FM\nb,146.94,,0.6,-,,FM\nc,147.105,,+600 kHz,,,FM\nd,146.52,146.52,,,,FM\n"
    )
    assert [each.get("repeater") for each in made.channels] == [
        {"input_mhz": Decimal("146.34"), "tone_hz": Decimal("123.0")},
        {"offset_khz": Decimal(-600)},
        {"offset_khz": Decimal(600)},
        None,
    ]


def test_what_makes_no_sense_is_told_by_its_line_and_the_rest_is_taken() -> None:
    made = imported(
        "name,frequency,mode,tone\na,146.52,FM,99.9\nb,x,FM,\nc,147,DMR,\nd,148,,\na,146.52,FM,\na,149,FM,\n,150,FM,\n"
    )
    assert [each["name"] for each in made.channels] == ["a", "d", "a 149", "150 MHz"]
    assert made.left_out == 3
    assert [each.split(";")[0] for each in made.told] == [
        'list.csv: line 2: tone is "99.9"',
        'list.csv: line 3: frequency is "x"',
        'list.csv: line 4: mode is "DMR"',
        "list.csv: line 5: no mode is said",
        'list.csv: line 6: "a" on 146.52 MHz is there already',
    ]


@pytest.mark.parametrize("text", ["", "\n\n", "# only remarks\n", "a,b\nc,d\n", "frequency\nx\n"])
def test_a_file_without_a_channel_is_refused(text: str) -> None:
    with pytest.raises(PlanError, match=r"list\.csv"):
        imported(text)


def test_no_bytes_make_it_fall_over(rng: object) -> None:
    for length in (1, 50, 2000):
        noise = rng.integers(0, 256, length).astype("uint8").tobytes()  # type: ignore[attr-defined]
        for content in (noise, b"name,frequency\n" + noise):
            with pytest.raises(PlanError):
                import_channels(content, "noise.csv")


def test_what_is_written_is_toml_that_reads_back_the_same() -> None:
    made = imported('name,frequency,mode\n"Q ""1"" \\ x",146.52,FM\n')
    read = tomllib.loads(write_tables(made.channels), parse_float=Decimal)["channel"]
    assert read == [dict(made.channels[0])]


def test_the_command_adds_to_a_plan_and_keeps_what_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    plan, source = tmp_path / "plan.toml", tmp_path / "list.csv"
    before = '# mine\n[[channel]]\nname = "a"\nfrequency_mhz = 146.52\nmode = "fm"\nbandwidth_khz = 20\n'
    plan.write_text(before)
    source.write_text("name,frequency,mode\na,146.52,FM\na,147.0,FM\n")
    with pytest.raises(SystemExit) as ended:
        main(["import-channels", str(source), "--into", str(plan)])
    assert ended.value.code == 0
    assert plan.read_text().startswith(before)
    assert [channel.name for channel in read_plan(plan).channels] == ["a", "a 147"]
    assert "1 channel taken over, 1 line left out" in capsys.readouterr().err


def test_the_command_prints_where_no_plan_is_given(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    source = tmp_path / "list.csv"
    source.write_text("name,frequency,mode\na,146.52,FM\n")
    with pytest.raises(SystemExit):
        main(["import-channels", str(source)])
    assert tomllib.loads(capsys.readouterr().out)["channel"][0]["name"] == "a"


def test_a_plan_that_would_not_be_sound_stands_as_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    plan, source = tmp_path / "plan.toml", tmp_path / "list.csv"
    plan.write_text("[radios]\n")
    source.write_text("name,frequency,mode\na,146.52,FM\n")
    with pytest.raises(SystemExit) as ended:
        main(["import-channels", str(source), "--into", str(plan)])
    assert ended.value.code == 2
    assert plan.read_text() == "[radios]\n"
    assert "radios" in capsys.readouterr().err
