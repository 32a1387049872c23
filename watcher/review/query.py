"""What the address bar asks for, read with suspicion: every part is checked, nothing is taken on trust."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from watcher.log.marks import Verdict
from watcher.log.search import NOT_YET_HEARD, Wanted
from watcher.utc import read_utc, write_utc

PAGE_ROWS = 100
HEAR_FIRST, BY_TIME = "hear-first", "time"
ORDERS = (HEAR_FIRST, BY_TIME)
VERDICTS = (NOT_YET_HEARD, *(one.value for one in Verdict))
LARGEST_NUMBER = 2**63 - 1  # SQLite's largest integer
LONGEST_TEXT = 200
EVERYTHING = Wanted()


class Refused(Exception):
    """What was asked for cannot be; `status` is the HTTP status, the text one sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        self.status = status
        super().__init__(sentence)


@dataclass(frozen=True, slots=True)
class Query:
    """One view of the list: the order, the filter and the page, from 1."""

    order: str = HEAR_FIRST
    wanted: Wanted = EVERYTHING
    page: int = 1

    @classmethod
    def read(cls, asked: Mapping[str, str]) -> Query:
        """Read the part of an address after the question mark; keys that are not known are left alone.

        Raises
        ------
        Refused
            A value cannot be; the sentence names the key, the value and what would be right.
        """
        verdict = _one_of(asked, "mark", ("", *VERDICTS))
        return cls(
            order=_one_of(asked, "order", ORDERS),
            wanted=Wanted(
                channel=_text(asked, "channel"),
                tone=_text(asked, "tone").strip(),
                flag=_text(asked, "flag"),
                verdict=verdict,
                words=_text(asked, "words").strip(),
                since_utc=_instant(asked, "from"),
                until_utc=_instant(asked, "to"),
            ),
            page=whole_number("page", asked.get("page", "1"), 1),
        )

    def address(self, *, page: int = 1, **changed: str) -> str:
        """The same view as it stands after the question mark, keys changed; what asks nothing is left out."""
        return urlencode(self.parts(page=page, **changed))

    def parts(self, *, page: int = 1, **changed: str) -> dict[str, str]:
        """The same as keys and texts."""
        wanted = self.wanted
        parts = {
            "order": "" if self.order == HEAR_FIRST else self.order,
            "channel": wanted.channel,
            "tone": wanted.tone,
            "flag": wanted.flag,
            "mark": wanted.verdict,
            "words": wanted.words,
            "from": "" if wanted.since_utc is None else write_utc(wanted.since_utc),
            "to": "" if wanted.until_utc is None else write_utc(wanted.until_utc),
            "page": "" if page == 1 else str(page),
        } | changed
        return {key: text for key, text in parts.items() if text}

    @property
    def filtered(self) -> bool:
        """Whether anything is left out."""
        return self.wanted != EVERYTHING


def whole_number(key: str, text: str, least: int = 0) -> int:
    """A whole number of an address or a form, not below `least` and not beyond what the log can hold."""
    if not (text.isascii() and text.isdigit() and len(text) < 20 and least <= int(text) <= LARGEST_NUMBER):
        raise Refused(400, f"{key} is {text[:40]}; it must be a whole number from {least}")
    return int(text)


def _text(asked: Mapping[str, str], key: str) -> str:
    text = asked.get(key, "")
    if len(text) > LONGEST_TEXT:
        raise Refused(400, f"{key} has {len(text)} letters; it must have at most {LONGEST_TEXT}")
    return text


def _one_of(asked: Mapping[str, str], key: str, allowed: tuple[str, ...]) -> str:
    text = asked.get(key) or allowed[0]
    if text not in allowed:
        raise Refused(400, f"{key} is {text[:40]}; it must be one of {', '.join(filter(None, allowed))}")
    return text


def _instant(asked: Mapping[str, str], key: str) -> datetime | None:
    text = asked.get(key, "").strip()
    if not text:
        return None
    try:
        return read_utc(text)
    except (ValueError, OverflowError) as problem:
        raise Refused(
            400, f"{key} is {text[:40]}; it must be an instant with its zone, like 2031-05-04T03:00:00Z"
        ) from problem
