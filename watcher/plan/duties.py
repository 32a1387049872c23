"""What a plan asks of the watch beside hearing: alerts, what is kept how long, live audio.

The keys are checked here; whether a service or a sound card is really there is known only to the watch.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import time
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict

from watcher.plan.rules import Wrong, as_real, as_whole

AlertFlag = Literal["long-tone", "beacon", "same", "alert-tone", "unmodulated"]

_SPAN = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")
_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]*://\S+", re.IGNORECASE)
_VARIABLE = re.compile(r"env:[A-Z_][A-Z0-9_]*")
_WAYS = ("to", "command", "sound")


def _check_quiet_hours(text: str) -> str:
    found = _SPAN.fullmatch(text)
    if found is None or found.group(1, 2) == found.group(3, 4):
        raise Wrong('it must be two different times of day in quotes, like "22:00-07:00"')
    return text


def _check_address(text: str) -> str:
    if not (_ADDRESS.fullmatch(text) or _VARIABLE.fullmatch(text)):
        raise Wrong(
            'it must be the address of a service in quotes, like "mailto://…", or the name of an environment '
            'variable that holds one, like "env:ALERT_ADDRESS"'
        )
    return text


def _tuple_of(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


class _Duty(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Alert(_Duty):
    """One way to wake somebody, and for what.

    Parameters
    ----------
    to : str or None
        Address of a service, or `env:NAME`: the plan's text stands in the watch log, a secret should not.
    command : tuple of str
        A program and its arguments, run without a shell; it gets the text on its standard input.
    sound : Path or None
        An audio file that is played.
    flags : tuple of str
        What to tell of.
    least_severity : int
        Of a digital alert, 0 (test) to 4 (warning); lesser ones are not told.
    calling : bool
        Tell of whatever is heard on a calling channel.
    quiet_hours : str or None
        Local time in which nothing but a call for help is told: "22:00-07:00".
    most_per_hour : int
        Messages; calls for help beyond it go together in one message.
    """

    to: Annotated[str, Strict(), AfterValidator(_check_address)] | None = Field(
        default=None, description="the address of a service in quotes"
    )
    command: Annotated[tuple[Annotated[str, Strict()], ...], BeforeValidator(_tuple_of)] | None = Field(
        default=None, min_length=1, description='a list of texts, like ["logger", "-t", "watch"]'
    )
    sound: Path | None = Field(default=None, description="the path of an audio file in quotes")
    flags: Annotated[tuple[AlertFlag, ...], BeforeValidator(_tuple_of)] = Field(
        default=("long-tone", "beacon", "same"),
        description='a list of "long-tone", "beacon", "same", "alert-tone" and "unmodulated"',
    )
    least_severity: Annotated[int, BeforeValidator(as_whole)] = Field(
        default=3, ge=0, le=4, description="a whole number between 0 (tests too) and 4 (warnings only)"
    )
    calling: Annotated[bool, Strict()] = Field(default=True, description="true or false")
    quiet_hours: Annotated[str, Strict(), AfterValidator(_check_quiet_hours)] | None = Field(
        default=None, description='two times of day in quotes, like "22:00-07:00"'
    )
    most_per_hour: Annotated[int, BeforeValidator(as_whole)] = Field(
        default=6, ge=1, le=60, description="a whole number between 1 and 60"
    )

    def is_quiet(self, local: time) -> bool:
        """Whether a local time of day lies in the quiet hours, which may reach over midnight."""
        found = None if self.quiet_hours is None else _SPAN.fullmatch(self.quiet_hours)
        if found is None:
            return False
        start, stop = (time(int(found[hour]), int(found[hour + 1])) for hour in (1, 3))
        local = local.replace(tzinfo=None)
        return start <= local < stop if start < stop else local >= start or local < stop

    @property
    def way(self) -> str:
        """How it is told, without the secret an address may hold: `mailto`, `command logger`, `sound`."""
        if self.command:
            return f"command {Path(self.command[0]).name}"
        if self.sound is not None:
            return f"sound {self.sound.name}"
        address = self.to or ""
        return address if _VARIABLE.fullmatch(address) else address.partition(":")[0].lower()

    def beside(self, folder: Path) -> Alert:
        """The same with relative paths taken from the folder of the plan."""
        change: dict[str, object] = {}
        if self.sound is not None:
            change["sound"] = folder / self.sound.expanduser()
        if self.command and "/" in self.command[0]:
            change["command"] = (str(folder / Path(self.command[0]).expanduser()), *self.command[1:])
        return self.model_copy(update=change)


class KeepRules(_Duty):
    """How long clips are kept, and how much of the disk they may take; None sets no limit.

    `flagged_days` is a promise: no limit removes a flagged clip before. A clip with an operator's mark stays.
    `spectra_days` is how long the small picture of the spectrum is kept, 1 to 5 MB for a day of watching.
    """

    days: Annotated[float, BeforeValidator(as_real)] | None = Field(
        default=None, gt=0, le=36_500, description="a number of days above 0"
    )
    flagged_days: Annotated[float, BeforeValidator(as_real)] | None = Field(
        default=None, gt=0, le=36_500, description="a number of days above 0"
    )
    least_free_gb: Annotated[float, BeforeValidator(as_real)] = Field(
        default=1.0, ge=0, le=1_000_000, description="a number of gigabytes"
    )
    most_gb: Annotated[float, BeforeValidator(as_real)] | None = Field(
        default=None, gt=0, le=1_000_000, description="a number of gigabytes above 0"
    )
    spectra_days: Annotated[float, BeforeValidator(as_real)] = Field(
        default=366, gt=0, le=36_500, description="a number of days above 0"
    )


class LiveAudio(_Duty):
    """What is on the air is played while the watch is stood; `device` is None for the system's own choice."""

    device: Annotated[str, Strict()] | None = Field(
        default=None, min_length=1, description="the name of a sound device in quotes"
    )


def alert_contradictions(written: Sequence[Mapping[str, object]], file: str) -> list[str]:
    """One problem for each `[[alert]]` table that does not name exactly one way to tell.

    Parameters
    ----------
    written : sequence of mapping
        The tables as the file has them, in its order.
    file : str
        The name of the plan file.
    """
    problems = []
    for number, table in enumerate(written, 1):
        ways = [way for way in _WAYS if way in table]
        if len(ways) != 1:
            found = " and ".join(ways) if ways else "none"
            problems.append(
                f"{file}: alert {number}: of to, command and sound it names {found}; it must name exactly one"
            )
    return problems


def keep_contradictions(keep: KeepRules, file: str) -> list[str]:
    """What the `[keep]` table says that cannot all be meant."""
    if keep.days is not None and keep.flagged_days is not None and keep.flagged_days < keep.days:
        return [
            f"{file}: keep: flagged_days is {keep.flagged_days:g} and days is {keep.days:g}; "
            "flagged clips must be kept at least as long as others"
        ]
    return []
