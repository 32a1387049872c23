"""One table of a plan against its model: every problem as one sentence with its trail."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from datetime import date, time
from decimal import Decimal
from typing import TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from watcher.plan.rules import Wrong

LONGEST_SHOWN = 60  # characters of a wrong value that are repeated in its sentence

Table = TypeVar("Table", bound=BaseModel)


def write_value(value: object) -> str:
    """A value as the file has it, shortened, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, str):
        shown = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, date | time):
        shown = f"the date or time {value.isoformat()}"
    elif isinstance(value, int) and abs(value) >= 10**LONGEST_SHOWN:
        return "a number of more than 60 digits"  # Python refuses to write an integer of 4300 digits
    elif isinstance(value, Decimal):
        shown = str(value).replace("Infinity", "inf").replace("NaN", "nan")
    else:
        shown = str(value)
    return shown if len(shown) <= LONGEST_SHOWN else shown[: LONGEST_SHOWN - 1] + "…"


def nearest_key(unknown: str, known: Iterable[str]) -> str | None:
    """The known key that an unknown one was probably meant to be."""
    near = difflib.get_close_matches(unknown.casefold(), list(known), n=1, cutoff=0.6)
    return near[0] if near else None


def check_table(
    model: type[Table], table: Mapping[str, object], trail: str, heading: str
) -> tuple[Table | None, list[str]]:
    """The table as its model, or every problem it has.

    Parameters
    ----------
    model : type of BaseModel
        A wrong value is told the `description` of its field.
    table : mapping
        As tomllib gave it, numbers with decimals as Decimal.
    trail : str
        Where the table is: `plan.toml: channel "2 m calling"`.
    heading : str
        How the table is headed in the file: `[[channel]]`.

    Returns
    -------
    tuple
        The model and no problem, or None and one sentence a problem.
    """
    try:
        return model.model_validate(table), []
    except ValidationError as refused:
        details = refused.errors(include_url=False)
    meant = {
        near
        for detail in details
        if detail["type"] == "extra_forbidden" and (near := nearest_key(_key(detail), model.model_fields))
    }
    sentences = [
        f"{trail}: {_sentence(model, table, detail, heading)}"
        for detail in details
        # A misspelt key is told once: not again as the key that is missing for it.
        if not (detail["type"] == "missing" and _key(detail) in meant)
    ]
    return None, sentences


def _key(detail: ErrorDetails) -> str:
    return str(detail["loc"][0])


def _sentence(model: type[BaseModel], table: Mapping[str, object], detail: ErrorDetails, heading: str) -> str:
    key = _key(detail)
    if detail["type"] == "extra_forbidden":
        near = nearest_key(key, model.model_fields)
        if near:
            return f"{_shown_key(key)} is not a key of {heading}; did you mean {near}?"
        return f"{_shown_key(key)} is not a key of {heading}; its keys are {', '.join(model.model_fields)}"
    right = f"it must be {model.model_fields[key].description or 'a short text in quotes'}"
    if detail["type"] == "missing":
        return f"{key} is missing; {right}"
    cause = detail.get("ctx", {}).get("error")
    if isinstance(cause, Wrong):
        right = str(cause)
    elif isinstance(table[key], str) and "number" in right:
        right += ", without quotes"
    if not model.model_fields[key].repr:  # a secret
        return f"{key} is not shown here; {right}"
    return f"{key} is {write_value(table[key])}; {right}"


def _shown_key(key: str) -> str:
    bare = key.replace("_", "").replace("-", "")
    return key if bare.isalnum() and bare.isascii() and len(key) <= LONGEST_SHOWN else write_value(key)
