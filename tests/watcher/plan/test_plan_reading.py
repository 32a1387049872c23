"""Plan files: what is accepted, and the exact sentence for what is not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from watcher.errors import PlanError
from watcher.plan import WatchPlan, read_plan

CHANNEL = """
[[channel]]
name = "2 m calling"
frequency_mhz = 146.520
mode = "nfm"
bandwidth_khz = 12.5
"""

Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write_plan(text: str) -> Path:
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write_plan


def problems_of(path: Path) -> list[str]:
    with pytest.raises(PlanError) as refused:
        read_plan(path)
    return refused.value.problems


def with_key(line: str) -> str:
    """The good channel with one key replaced or added."""
    key = line.split("=")[0].strip()
    kept = [each for each in CHANNEL.splitlines() if each.split("=")[0].strip() != key]
    return "\n".join([*kept, line, ""])


def test_a_plan_for_replay_needs_four_keys_and_nothing_else(write: Write) -> None:
    plan = read_plan(write(CHANNEL))
    (channel,) = plan.channels
    assert (channel.name, channel.frequency_hz, channel.mode, channel.bandwidth_hz) == (
        "2 m calling",
        146_520_000,
        "nfm",
        12_500,
    )
    assert (channel.expect_tone_hz, channel.priority, channel.raise_threshold_db) == (None, 5, 0.0)
    assert (plan.station.time_zone, plan.station.longest_clip_s, plan.ppm) == ("UTC", 300.0, 0.0)
    assert plan.warnings == ()


def test_every_table_is_read(write: Write) -> None:
    path = write(
        """
        [station]
        name = "Ridge base"
        time_zone = "America/Boise"
        storage = "watch-log"
        longest_clip_minutes = 2.5
        [[radio]]
        kind = "rtlsdr"
        sample_rate_hz = 2_400_000
        ppm = -1.5
        [[window]]
        every_hours = 3
        length_minutes = 5
        lead_minutes = 1
        """
        + CHANNEL
        + "expect_tone_hz = 100.0\npriority = 1\nraise_threshold_db = 3\n"
    )
    plan = read_plan(path)
    assert plan.station.storage == path.parent / "watch-log"
    assert plan.station.longest_clip_s == 150
    assert plan.station.zone.key == "America/Boise"
    assert (plan.radios[0].kind, plan.radios[0].sample_rate_hz, plan.ppm) == ("rtlsdr", 2_400_000, -1.5)
    assert (plan.windows[0].every_hours, plan.windows[0].length_minutes, plan.windows[0].lead_minutes) == (
        3,
        5,
        1,
    )
    assert (plan.channels[0].expect_tone_hz, plan.channels[0].priority) == (100.0, 1)
    assert plan.channels[0].raise_threshold_db == 3.0


def test_the_text_is_kept_with_its_digest(write: Write) -> None:
    plan = read_plan(write("abc = 1\n".replace("abc = 1\n", CHANNEL)))
    assert plan.text == CHANNEL
    # FIPS 180-4, example of SHA-256: the digest of "abc".
    digest = WatchPlan(channels=plan.channels, text="abc").digest
    assert digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_five_mistakes_are_five_sentences(write: Write) -> None:
    path = write(
        """
        [station]
        time_zone = "America/Boisy"

        [[channel]]
        name = "2 m calling"
        frequency_mhz = 146520000
        mode = "usb"
        bandwidth_khz = 0

        [[channel]]
        name = "Family 1"
        frequncy_mhz = 462.5625
        mode = "nfm"
        bandwidth_khz = 12.5
        """
    )
    assert problems_of(path) == [
        'plan.toml: channel "2 m calling": frequency_mhz is 146520000; '
        "it must be a number of MHz between 0.1 and 6000 and looks like Hz: write 146.52",
        'plan.toml: channel "2 m calling": mode is "usb"; it must be "nfm", "fm" or "am"',
        'plan.toml: channel "2 m calling": bandwidth_khz is 0; it must be between 1 and 40',
        'plan.toml: channel "Family 1": frequncy_mhz is not a key of [[channel]]; '
        "did you mean frequency_mhz?",
        'plan.toml: station: time_zone is "America/Boisy"; '
        "it must be the name of a time zone: did you mean America/Boise?",
    ]


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (
            "frequency_mhz = 146520",
            "frequency_mhz is 146520; it must be a number of MHz between 0.1 and 6000 and looks like kHz: "
            "write 146.52",
        ),
        (
            "frequency_mhz = 462562500.0",
            "frequency_mhz is 462562500.0; it must be a number of MHz between 0.1 and 6000 "
            "and looks like Hz: write 462.5625",
        ),
        ("frequency_mhz = 0.05", "frequency_mhz is 0.05; it must be a number of MHz between 0.1 and 6000"),
        (
            "frequency_mhz = -146.52",
            "frequency_mhz is -146.52; it must be a number of MHz between 0.1 and 6000",
        ),
        ("frequency_mhz = inf", "frequency_mhz is inf; it must be a number of MHz between 0.1 and 6000"),
        ("frequency_mhz = -nan", "frequency_mhz is -nan; it must be a number of MHz between 0.1 and 6000"),
        ("frequency_mhz = true", "frequency_mhz is true; it must be a number of MHz between 0.1 and 6000"),
        (
            'frequency_mhz = "146.52"',
            'frequency_mhz is "146.52"; it must be a number of MHz between 0.1 and 6000, without quotes',
        ),
        ("frequency_mhz = [1]", "frequency_mhz is a list; it must be a number of MHz between 0.1 and 6000"),
        ("frequency_mhz = {}", "frequency_mhz is a table; it must be a number of MHz between 0.1 and 6000"),
        (
            "frequency_mhz = 2031-05-04",
            "frequency_mhz is the date or time 2031-05-04; it must be a number of MHz between 0.1 and 6000",
        ),
        (
            f"frequency_mhz = 0x{'f' * 4000}",
            "frequency_mhz is a number of more than 60 digits; "
            "it must be a number of MHz between 0.1 and 6000",
        ),
        (
            "bandwidth_khz = 12500",
            "bandwidth_khz is 12500; it must be between 1 and 40 and looks like Hz: write 12.5",
        ),
        (
            "bandwidth_khz = 0.0125",
            "bandwidth_khz is 0.0125; it must be between 1 and 40 and looks like MHz: write 12.5",
        ),
        ("bandwidth_khz = 40.001", "bandwidth_khz is 40.001; it must be between 1 and 40"),
        ("mode = 3", 'mode is 3; it must be "nfm", "fm" or "am"'),
        (
            "expect_tone_hz = 127",
            "expect_tone_hz is 127; it must be one of the 50 CTCSS tones, and the nearest is 127.3",
        ),
        (
            "expect_tone_hz = -1",
            "expect_tone_hz is -1; it must be one of the 50 CTCSS tones, and the nearest is 67.0",
        ),
        (
            'expect_tone_hz = "none"',
            'expect_tone_hz is "none"; it must be one of the 50 CTCSS tones as a number, like 100.0, '
            "without quotes",
        ),
        ("priority = 0", "priority is 0; it must be a whole number between 1 (highest) and 9"),
        ("priority = 1.5", "priority is 1.5; it must be a whole number between 1 (highest) and 9"),
        ("priority = 1e300", "priority is 1E+300; it must be a whole number between 1 (highest) and 9"),
        ("raise_threshold_db = 21", "raise_threshold_db is 21; it must be a number between 0 and 20"),
        ("raise_threshold_db = 1e999", "raise_threshold_db is 1E+999; it must be a number between 0 and 20"),
        (
            'expect_code = "022"',
            'expect_code is "022"; it must be one of the 104 digital codes in quotes, like "023" or "047I"',
        ),
        (
            "expect_code = 23",
            'expect_code is 23; it must be one of the 104 digital codes in quotes, like "023" or "047I"',
        ),
        ("require_tone = 1", "require_tone is 1; it must be true or false"),
        (
            "require_tone = true",
            "require_tone is true; the channel must be nfm or fm and name its expect_tone_hz or expect_code",
        ),
        (
            'expect_tone_hz = 100\nexpect_code = "023"',
            "expect_code is 023N and expect_tone_hz is 100.0; it must be one of the two",
        ),
        ('keep = "some"', 'keep is "some"; it must be "all" or "alerts"'),
        ('calling = "yes"', 'calling is "yes"; it must be true or false'),
        (
            "ctcss = 100.0",
            "ctcss is not a key of [[channel]]; its keys are name, frequency_mhz, mode, "
            "bandwidth_khz, expect_tone_hz, priority, raise_threshold_db, expect_code, require_tone, keep, "
            "calling, purpose, licence, repeater, watch_input",
        ),
        (
            '"odd key!" = 1',
            '"odd key!" is not a key of [[channel]]; its keys are name, frequency_mhz, mode, '
            "bandwidth_khz, expect_tone_hz, priority, raise_threshold_db, expect_code, require_tone, keep, "
            "calling, purpose, licence, repeater, watch_input",
        ),
    ],
)
def test_a_wrong_value_is_told_with_what_would_be_right(write: Write, line: str, sentence: str) -> None:
    assert problems_of(write(with_key(line))) == [f'plan.toml: channel "2 m calling": {sentence}']


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ('""', 'name is ""; it must hold at least one letter or digit'),
        ('"  "', 'name is "  "; it must hold at least one letter or digit'),
        ('"?!"', 'name is "?!"; it must hold at least one letter or digit'),
        (
            '"a\\nb"',
            'name is "a\\nb"; it must not hold control characters, line breaks or invisible characters',
        ),
        (
            '"a\\u202eb"',
            'name is "a\u202eb"; it must not hold control characters, line breaks or invisible characters',
        ),
        ('" a"', 'name is " a"; it must not begin or end with a space; write "a"'),
        ("7", "name is 7; it must be a name in quotes"),
        (
            f'"{"n" * 61}"',
            f'name is "{"n" * 58}…; it must be at most 60 characters long, and has 61',
        ),
    ],
)
def test_a_name_that_cannot_stand_is_refused(write: Write, name: str, sentence: str) -> None:
    assert problems_of(write(with_key(f"name = {name}"))) == [f"plan.toml: channel 1: {sentence}"]


def test_every_missing_key_is_told(write: Write) -> None:
    assert problems_of(write("[[channel]]\n")) == [
        "plan.toml: channel 1: name is missing; it must be a name in quotes",
        "plan.toml: channel 1: frequency_mhz is missing; it must be a number of MHz between 0.1 and 6000",
        'plan.toml: channel 1: mode is missing; it must be "nfm", "fm" or "am"',
        "plan.toml: channel 1: bandwidth_khz is missing; it must be a number of kHz between 1 and 40",
    ]


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (
            '[station]\ntime_zone = "Nowhere"',
            'station: time_zone is "Nowhere"; it must be the name of a time zone, '
            'like "America/Boise" or "UTC"',
        ),
        (
            '[station]\ntime_zone = "../zone"',
            'station: time_zone is "../zone"; it must be the name of a time zone, '
            'like "America/Boise" or "UTC"',
        ),
        (
            '[station]\ntime_zone = "America"',
            'station: time_zone is "America"; it must be the name of a time zone, '
            'like "America/Boise" or "UTC"',
        ),
        (
            '[station]\ntime_zone = "boise"',
            'station: time_zone is "boise"; it must be the name of a time zone: did you mean America/Boise?',
        ),
        (
            "[station]\ntime_zone = -7",
            'station: time_zone is -7; it must be the name of a time zone in quotes, like "America/Boise"',
        ),
        ("[station]\nstorage = 1", "station: storage is 1; it must be the path of a folder in quotes"),
        (
            "[station]\nlongest_clip_minutes = 0",
            "station: longest_clip_minutes is 0; it must be a number of minutes between 0.1 and 120",
        ),
        ("[station]\nnane = 'x'", "station: nane is not a key of [station]; did you mean name?"),
        (
            "[[radio]]\nsample_rate_hz = 2.4",
            "radio 1: sample_rate_hz is 2.4; it must be a whole number between 8000 and 100000000",
        ),
        ("[[radio]]\nppm = 1000", "radio 1: ppm is 1000; it must be a number between -200 and 200"),
        (
            "[[radio]]\nkind = 'rtlsdr'\n[[radio]]\nkind = 1",
            "radio 2: kind is 1; it must be a short text in quotes",
        ),
        (
            "[[window]]\nevery_hours = 5\nlength_minutes = 5",
            "window 1: every_hours is 5; it must be a whole number of hours that divides the day: "
            "1, 2, 3, 4, 6, 8, 12 or 24",
        ),
        (
            "[[window]]\nevery_hours = 3\nlength_minutes = 0",
            "window 1: length_minutes is 0; it must be a number of minutes above 0 and up to 1440",
        ),
        ("[station]\nkeep_iq = 'some'", 'station: keep_iq is "some"; it must be "none", "flagged" or "all"'),
        (
            "[[tone_pair]]\nname = 'Valley fire'\nfirst_hz = 100\nsecond_hz = 900",
            "tone_pair 1: first_hz is 100; it must be a number of hertz between 250 and 3100",
        ),
        ("[[channels]]\nname = 'x'", 'table "channels" is unknown; did you mean [[channel]]?'),
        (
            "[tidings]",
            'table "tidings" is unknown; '
            "a plan has [[channel]], [[radio]], [[window]], [[tone_pair]], [[alert]], [station], [keep], "
            "[listen], [dwell], [follow_up], [power], [callers], [review]",
        ),
        (
            "[radio]\nkind = 'rtlsdr'",
            "radio must be headed [[radio]], with double brackets, once for each radio",
        ),
        ("[[station]]\nname = 'x'", "station must be headed [station], with single brackets, once"),
    ],
)
def test_the_other_tables_are_checked_too(write: Write, table: str, sentence: str) -> None:
    assert problems_of(write(f"{table}\n{CHANNEL}")) == [f"plan.toml: {sentence}"]


def test_a_channel_in_single_brackets_is_told_with_its_other_mistakes(write: Write) -> None:
    text = CHANNEL.replace("[[channel]]", "[channel]").replace("12.5", "50")
    assert problems_of(write(text)) == [
        "plan.toml: channel must be headed [[channel]], with double brackets, once for each channel",
        'plan.toml: channel "2 m calling": bandwidth_khz is 50; it must be between 1 and 40',
    ]


def test_a_key_outside_every_table_is_told(write: Write) -> None:
    assert problems_of(write(f"name = 'x'\n{CHANNEL}")) == [
        'plan.toml: "name" stands under no table; '
        "a key belongs under [[channel]], [[radio]], [[window]], [[tone_pair]], [[alert]], [station], "
        "[keep], [listen], [dwell], [follow_up], [power], [callers], [review]"
    ]


@pytest.mark.parametrize("text", ["", "# nothing\n", "channel = []\n", "[station]\nname = 'Ridge base'\n"])
def test_a_plan_without_channels_is_refused(write: Write, text: str) -> None:
    assert problems_of(write(text)) == ["plan.toml: there is no [[channel]] table; it must have at least one"]


@pytest.mark.parametrize(
    ("second", "sentence"),
    [
        ("2 m calling", 'name is the same as that of channel 1 "2 m calling"; it must be its own'),
        (
            "2 M  Calling",
            'name is the same as that of channel 1 "2 m calling" but for capitals and spaces; '
            "it must be its own",
        ),
        (
            "2-M/calling",  # some file systems do not tell capitals from small letters
            'name is "2-M-calling" in the name of a clip, and so is that of channel 1 "2 m calling"; '
            "it must differ in letters or digits",
        ),
        (
            "2-m/calling",
            'name is "2-m-calling" in the name of a clip, and so is that of channel 1 "2 m calling"; '
            "it must differ in letters or digits",
        ),
    ],
)
def test_two_names_for_one_reader_or_one_file_are_refused(write: Write, second: str, sentence: str) -> None:
    other = CHANNEL.replace("2 m calling", second).replace("146.520", "146.580")
    assert problems_of(write(CHANNEL + other)) == [f'plan.toml: channel 2 "{second}": {sentence}']


def test_name_clashes_are_told_beside_other_mistakes(write: Write) -> None:
    assert len(problems_of(write(CHANNEL + CHANNEL.replace("12.5", "0")))) == 2
