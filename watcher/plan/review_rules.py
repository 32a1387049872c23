"""What a plan says of the review page: the `[review]` table, and how its password is kept from being shown.

The text of a plan goes into the watch log, and from there into other people's hands. The password does not:
the plan's `text` holds a mask in its place, whatever reads it.
"""

from __future__ import annotations

import ipaddress
import re
import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, Strict

from watcher.plan.rules import Wrong, as_whole

REVIEW_PORT = 8714  # unassigned at IANA (Service Name and Port Number Registry; from memory)
LEAST_PASSWORD_LETTERS, MOST_PASSWORD_LETTERS = 8, 200
MASK = "(not shown)"

_PASSWORD_RULE = f"a text in quotes of {LEAST_PASSWORD_LETTERS} to {MOST_PASSWORD_LETTERS} letters"
# A line that sets it, or did before somebody put a # in front; what stands behind it goes as well.
_PASSWORD_LINE = re.compile(
    r"""^(?P<before>[ \t]*(?:\#[ \t#]*)?(?:["']?review["']?[ \t]*\.[ \t]*)?["']?password["']?[ \t]*=).*$""",
    re.MULTILINE,
)


def password_problem(password: str) -> str | None:
    """What keeps a text from being the password, as the end of a sentence that does not show it."""
    letters = len(password)
    if not LEAST_PASSWORD_LETTERS <= letters <= MOST_PASSWORD_LETTERS:
        return f"it must have {LEAST_PASSWORD_LETTERS} to {MOST_PASSWORD_LETTERS} letters, and has {letters}"
    if not password.isprintable() or password != password.strip():
        return "it must be one line of visible letters that neither begins nor ends with a space"
    return None


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach a server on the address."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _check_password(password: SecretStr) -> SecretStr:
    problem = password_problem(password.get_secret_value())
    if problem:
        raise Wrong(problem)
    return password


def _check_address(address: str) -> str:
    if address != "localhost":
        ipaddress.ip_address(address)
    return address


class ReviewRules(BaseModel):
    """Where the review page is served, and what a browser is asked for there.

    Parameters
    ----------
    address, port : str, int
        Port 0 is any free one.
    password : SecretStr or None
        Whoever opens the page is asked for it; needed for an address that other machines can reach.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    address: Annotated[str, Strict(), AfterValidator(_check_address)] = Field(
        default="127.0.0.1", description='an IP address in quotes, like "127.0.0.1"'
    )
    port: Annotated[int, BeforeValidator(as_whole)] = Field(
        default=REVIEW_PORT, ge=0, le=65_535, description="a whole number between 0 (any free port) and 65535"
    )
    # Kept out of repr: that is also how the sentences about a table know what they must not show.
    password: Annotated[SecretStr, AfterValidator(_check_password)] | None = Field(
        default=None, repr=False, description=_PASSWORD_RULE
    )

    @property
    def secret(self) -> str | None:
        """The password itself."""
        return None if self.password is None else self.password.get_secret_value()

    @property
    def said(self) -> str:
        """Where and for whom, in words."""
        who = "no password is asked" if self.password is None else "a password is asked"
        port = "any free port" if self.port == 0 else f"port {self.port}"
        return f"{self.address}, {port}; {who}"


def review_contradictions(review: ReviewRules, file: str) -> list[str]:
    """What the `[review]` table says that cannot be: a page for other machines that asks for no password."""
    if is_loopback(review.address) or review.password is not None:
        return []
    return [
        f"{file}: review: address is {review.address}, which other machines can reach; "
        "it must be 127.0.0.1, or set password too"
    ]


def masked(text: str, tables: Mapping[str, object], file: str) -> tuple[str, list[str]]:
    """The text of a plan without its password, or the problem that keeps it from being masked.

    Parameters
    ----------
    text : str
        Valid TOML.
    tables : mapping
        What it says.
    file : str
        Its name.
    """
    shown = _PASSWORD_LINE.sub(rf'\g<before> "{MASK}"', text)
    review = tables.get("review")
    if not isinstance(review, Mapping) or "password" not in review:
        # No password is set; a line that only looked like one changes nothing that is meant.
        return shown, []
    try:
        again = tomllib.loads(shown).get("review")
    except tomllib.TOMLDecodeError:
        again = None
    if isinstance(again, Mapping) and again.get("password") == MASK:
        return shown, []
    return "", [f'{file}: review: password must stand in one line of its own, like password = "…"']


def who_else_can_read(path: Path) -> str | None:
    """A warning where other users of this machine can read a file that holds a password."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return None
    if not mode & (stat.S_IRGRP | stat.S_IROTH):
        return None
    return f"{path} holds the password of the review page and others can read it; chmod 600 keeps it to you"
