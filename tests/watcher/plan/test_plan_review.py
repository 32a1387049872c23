"""The `[review]` table: what it says, and that its password is shown nowhere."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import PlanError
from watcher.plan.describe import describe
from watcher.plan.reading import plan_from_text, read_plan
from watcher.plan.review_rules import MASK, ReviewRules, is_loopback, who_else_can_read

PATH = Path("plan.toml")
SECRET = "brass lantern 7"
ESCAPED = "".join(rf"\u{ord(letter):04x}" for letter in SECRET)  # the same to TOML
CHANNEL = """
[[channel]]
name = "2 m calling"
frequency_mhz = 146.52
mode = "nfm"
bandwidth_khz = 12.5
"""


def problems(review: str) -> str:
    with pytest.raises(PlanError) as refused:
        plan_from_text(review + CHANNEL, PATH)
    return "\n".join(refused.value.problems)


def test_a_plan_without_the_table_is_for_this_machine_alone() -> None:
    assert plan_from_text(CHANNEL, PATH).review == ReviewRules()
    assert (ReviewRules().address, ReviewRules().secret) == ("127.0.0.1", None)


def test_address_port_and_password_are_read() -> None:
    text = f'[review]\naddress = "0.0.0.0"\nport = 9000\npassword = "{SECRET}"\n'
    review = plan_from_text(text + CHANNEL, PATH).review
    assert (review.address, review.port, review.secret) == ("0.0.0.0", 9000, SECRET)


@pytest.mark.parametrize(
    ("review", "told"),
    [
        ('[review]\npassword = "hush"\n', "it must have 8 to 200 letters, and has 4"),
        (f'[review]\npassword = "{"hush" * 60}"\n', "it must have 8 to 200 letters, and has 240"),
        ('[review]\npassword = " hush hush"\n', "one line of visible letters that neither begins nor ends"),
        ('[review]\npassword = "hush\\nhush"\n', "one line of visible letters"),
        ("[review]\npassword = 1234567890\n", "it must be a text in quotes of 8 to 200 letters"),
        ('[review]\npassword = """hush\nhush"""\n', "must be one line of visible letters"),
        ('review = { password = "hushhushhush" }\n', "password must stand in one line of its own"),
        ('[review]\npasword = "hushhush"\n', "pasword is not a key of [review]; did you mean password?"),
        ('review = "hushhushhush"\n', "review must be headed [review]"),
    ],
)
def test_a_wrong_password_is_told_and_not_shown(review: str, told: str) -> None:
    sentences = problems(review)
    assert told in sentences
    assert "hush" not in sentences
    assert "1234567890" not in sentences


def test_an_address_for_others_without_a_password_is_refused() -> None:
    assert problems('[review]\naddress = "192.0.2.7"\n') == (
        "plan.toml: review: address is 192.0.2.7, which other machines can reach; "
        "it must be 127.0.0.1, or set password too"
    )
    assert 'address is "ridge"; it must be an IP address' in problems('[review]\naddress = "ridge"\n')


@pytest.mark.parametrize(
    "review",
    [
        f'[review]\npassword = "{SECRET}"\n',
        f"[review]\n  password='{SECRET}'   # {SECRET}, as ever\n",
        f'[review]\n"password" = "{SECRET}"\n# password = "{SECRET} of last year"\n',
        f'review.password = "{SECRET}"\n',
        f'[review]\r\npassword = """{SECRET}"""\r\n',
        f'[review]\npassword = "{ESCAPED}"\n',
    ],
)
def test_the_text_for_the_log_holds_a_mask_and_is_a_plan_still(review: str) -> None:
    plan = plan_from_text(review + CHANNEL, PATH)
    assert plan.review.secret == SECRET
    assert SECRET not in plan.text
    assert ESCAPED not in plan.text
    assert tomllib.loads(plan.text)["review"]["password"] == MASK
    assert plan_from_text(plan.text, PATH).channels == plan.channels
    assert SECRET not in repr(plan)
    assert SECRET not in str(plan.model_dump())


PASSWORDS = st.text(st.characters(codec="utf-8"), min_size=8, max_size=40).filter(
    lambda one: one.isprintable() and one == one.strip() and one not in CHANNEL
)


@given(PASSWORDS, st.sampled_from(["password = {}", "password={} # as ever", "'password'\t= {}"]))
def test_no_password_stands_in_the_text_whatever_it_is(password: str, line: str) -> None:
    written = json.dumps(password, ensure_ascii=False)  # a basic string of TOML (TOML 1.0, "String")
    plan = plan_from_text(f"[review]\n{line.format(written)}\n{CHANNEL}", PATH)
    assert plan.review.secret == password
    assert password not in plan.text
    assert plan_from_text(plan.text, PATH).channels == plan.channels


def test_a_digest_tells_nothing_of_the_password() -> None:
    """A short password could be tried against it."""
    first, second = (f'[review]\npassword = "{each}"\n{CHANNEL}' for each in (SECRET, "x" * 9))
    assert plan_from_text(first, PATH).digest == plan_from_text(second, PATH).digest


def test_what_is_told_of_the_plan_says_that_there_is_a_password() -> None:
    facts = dict(describe(plan_from_text(f'[review]\npassword = "{SECRET}"\n{CHANNEL}', PATH)).facts)
    assert facts["review page"] == "127.0.0.1, port 8714; a password is asked"


def test_a_file_that_others_can_read_is_told(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(f'[review]\npassword = "{SECRET}"\n{CHANNEL}')
    path.chmod(0o600)
    assert who_else_can_read(path) is None
    for mode in (0o640, 0o604):
        path.chmod(mode)
        assert "others can read it; chmod 600" in (who_else_can_read(path) or "")
    assert read_plan(path).review.secret == SECRET
    assert who_else_can_read(tmp_path / "absent") is None


@pytest.mark.parametrize(
    ("address", "own"),
    [
        ("127.0.0.1", True),
        ("127.3.2.1", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("x", False),
    ],
)
def test_only_this_machine_reaches_a_loopback_address(address: str, own: bool) -> None:
    """127.0.0.0/8 and ::1: RFC 1122, 3.2.1.3, and RFC 4291, 2.5.3."""
    assert is_loopback(address) is own
