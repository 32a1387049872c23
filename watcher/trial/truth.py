"""What was really sent while a recording was made: SigMF annotations or JSON Lines, read forgivingly.

A key that is absent is not known; a key that is null is known not to be there: a line with `"ctcss_hz": null`
says that no tone was sent, a line without it says nothing about tones.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from watcher.errors import RadioError, UsageProblem
from watcher.plan.names import folded
from watcher.plan.tones import normal_code
from watcher.radio.sigmf_annotations import Annotation, read_annotations
from watcher.radio.sigmf_metadata import read_metadata
from watcher.radio.sigmf_recording import META_SUFFIX, metadata_path
from watcher.radio.source import Stretch
from watcher.utc import instant_of_sample, read_utc

LARGEST_TRUTH_BYTES = 100_000_000  # hundreds of thousands of lines; beyond it these are samples
LEAST_RATE_HZ, LARGEST_RATE_HZ = 1, 10**12  # what can be a sample rate at all
STEADY = "steady carrier"
_SHOWN = 60  # characters of a wrong value


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One key-down as it truly was.

    Parameters
    ----------
    start_utc, stop_utc : datetime
        Carrier up and down, cut to the recording.
    frequency_hz : float or None
        Of the channel, or where the carrier stood; None where only a name is known.
    label : str
        The channel's name, or whatever the truth calls it.
    comment : str
        What was said.
    tone_hz, code : float or None, str or None
        None is "none sent" where `tone_is_known`, `code_is_known`, else "unknown".
    cnr_db, noise_width_hz : float or None
        Carrier over the noise in that width; the channel's pass band where no width is told.
    fades : bool
        The path is known to fade.
    is_steady : bool
        A carrier that is nobody's transmission: a birdie.
    """

    start_utc: datetime
    stop_utc: datetime
    frequency_hz: float | None = None
    label: str = ""
    comment: str = ""
    tone_hz: float | None = None
    tone_is_known: bool = False
    code: str | None = None
    code_is_known: bool = False
    cnr_db: float | None = None
    noise_width_hz: float | None = None
    fades: bool = False
    is_steady: bool = False

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return (self.stop_utc - self.start_utc).total_seconds()


def read_truth(path: Path, stretches: Sequence[Stretch]) -> list[Sent]:
    """The truth of one file, in order of start.

    Parameters
    ----------
    path : Path
        SigMF metadata (`.sigmf-meta`), or JSON Lines.
    stretches : sequence of Stretch
        Of the recordings, in order: they tell the time where the truth counts only samples or seconds.

    Raises
    ------
    RadioError, UsageProblem
        In one sentence: the file, the line or annotation, the key, the value and what would be right.
    """
    meta = metadata_path(path)
    if path.name.lower().endswith(META_SUFFIX) or (meta is not None and not path.is_file()):
        found = _of_annotations(meta or path, stretches)
    else:
        found = _of_lines(path, stretches)
    if not found:
        raise UsageProblem(f"{path}: holds no transmission; the truth must tell of at least one")
    return sorted(found, key=lambda sent: (sent.start_utc, sent.stop_utc))


# ---------------------------------------------------------------------------------------- SigMF


def _of_annotations(meta_path: Path, stretches: Sequence[Stretch]) -> list[Sent]:
    metadata = read_metadata(meta_path)
    rate = metadata.globals.number("core:sample_rate")
    captures = metadata.captures or [metadata.implied_capture()]
    # The recording's own stretches leave out captures that hold no sample; the truth's own times are used
    # where it has them.
    starts = [_capture_start(scope.text("core:datetime"), scope.trail("core:datetime")) for scope in captures]
    counts = [scope.whole("core:sample_start", None) for scope in captures]
    found = []
    for number, annotation in enumerate(read_annotations(meta_path)):
        at = annotation.stretch
        here = stretches[at] if at < len(stretches) else None
        start_utc = starts[at] or (here.start_utc if here else None)
        rate_hz = (here.sample_rate_hz if here else None) if rate is None else rate
        if start_utc is None or rate_hz is None:
            raise RadioError(
                f"{meta_path}: captures[{at}] tells no time and no recording has such a capture; "
                "give core:datetime, or the recording that belongs to the truth"
            )
        if not LEAST_RATE_HZ <= rate_hz <= LARGEST_RATE_HZ:
            raise metadata.globals.wrong("core:sample_rate", "it must be a rate in samples per second")
        if annotation.samples is not None:
            samples = annotation.samples
        elif at + 1 < len(counts):
            samples = counts[at + 1] - counts[at] - annotation.first_sample
        else:
            samples = max(0, (here.samples or 0 if here else 0) - annotation.first_sample)
        trail = f"{meta_path}: annotations[{number}]"
        try:
            edges = [
                instant_of_sample(start_utc, sample, round(rate_hz))
                for sample in (annotation.first_sample, annotation.first_sample + samples)
            ]
        except OverflowError as far:
            raise RadioError(f"{trail} lies beyond all calendars; it must lie in the recording") from far
        found.append(_of_annotation(annotation, edges[0], edges[1], trail))
    return found


def _capture_start(text: str | None, trail: str) -> datetime | None:
    if text is None:
        return None
    try:
        return read_utc(text)
    except ValueError as wrong:
        raise RadioError(f"{trail} is {_shown(text)}; it must be an instant in ISO 8601 UTC") from wrong


def _of_annotation(annotation: Annotation, start_utc: datetime, stop_utc: datetime, trail: str) -> Sent:
    facts = annotation.facts
    kept = ("frequency_hz", "ctcss_hz", "dcs", "fades")
    values: dict[str, Any] = {key: facts[key] for key in kept if key in facts}
    values["cnr_db"] = facts.get("cnr_db", facts.get("snr_db"))
    values["noise_width_hz"] = facts.get("noise_width_hz")
    if values.get("frequency_hz") is None and annotation.lower_hz is not None:
        assert annotation.upper_hz is not None  # both or neither: checked when it was read
        values["frequency_hz"] = 0.5 * (annotation.lower_hz + annotation.upper_hz)
    return _sent(
        values,
        start_utc,
        stop_utc,
        trail,
        label=annotation.label,
        comment=annotation.comment,
        is_steady=facts.get("kind") == STEADY,
    )


# ---------------------------------------------------------------------------------------- JSON Lines


def _of_lines(path: Path, stretches: Sequence[Stretch]) -> list[Sent]:
    found = []
    for number, line in enumerate(_text_of(path).splitlines(), 1):
        trail = f"{path}: line {number}"
        if not line.strip() or line.lstrip().startswith(("#", "//")):
            continue
        try:
            tree = json.loads(line)
        except (ValueError, RecursionError) as wrong:
            raise UsageProblem(
                f"{trail} is {_shown(line)}; it must be one JSON object, as the lines of an export are"
            ) from wrong
        if not isinstance(tree, dict):
            raise UsageProblem(f"{trail} is {_shown(tree)}; it must be a JSON object in braces")
        origin = min((stretch.start_utc for stretch in stretches), default=None)
        start = _instant(tree, ("start_utc",), ("start_s",), origin, trail)
        stop = _instant(tree, ("end_utc", "stop_utc"), ("stop_s", "end_s"), origin, trail)
        found.append(
            _sent(
                tree,
                start,
                stop,
                trail,
                label=_text(tree, "channel", trail),
                comment=_text(tree, "comment", trail),
                is_steady=tree.get("kind") == STEADY,
            )
        )
    return found


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_TRUTH_BYTES + 1)
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or str(failure)
        raise UsageProblem(
            f"--truth {path} cannot be read ({reason}); give SigMF metadata or JSON Lines"
        ) from failure
    if len(content) > LARGEST_TRUTH_BYTES:
        raise UsageProblem(f"--truth {path} has more than 100 MB; give the truth, not the samples")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as failure:
        raise UsageProblem(
            f"--truth {path} is not UTF-8 text; give SigMF metadata (.sigmf-meta) or JSON Lines"
        ) from failure


def _instant(
    tree: Mapping[str, Any],
    as_utc: tuple[str, ...],
    as_seconds: tuple[str, ...],
    origin: datetime | None,
    trail: str,
) -> datetime:
    for key in as_utc:
        if isinstance(value := tree.get(key), str):
            try:
                return read_utc(value)
            except (ValueError, OverflowError) as wrong:
                raise UsageProblem(
                    f"{trail}: {key} is {_shown(value)}; it must be an instant with its zone, "
                    "like 2031-05-04T03:00:00Z"
                ) from wrong
        if tree.get(key) is not None:
            raise UsageProblem(f"{trail}: {key} is {_shown(tree[key])}; it must be an instant in quotes")
    for key in as_seconds:
        seconds = _number(tree, key, trail)
        if seconds is not None and origin is not None:
            if abs(seconds) > 1e9:
                raise UsageProblem(f"{trail}: {key} is {_shown(seconds)}; it must be seconds from the start")
            return origin + timedelta(seconds=seconds)
    raise UsageProblem(f"{trail}: {as_utc[0]} is missing; give {as_utc[0]} or {as_seconds[0]}")


# ---------------------------------------------------------------------------------------- both


def _sent(
    values: Mapping[str, Any],
    start_utc: datetime,
    stop_utc: datetime,
    trail: str,
    *,
    label: str,
    comment: str,
    is_steady: bool,
) -> Sent:
    if stop_utc <= start_utc:
        raise UsageProblem(f"{trail}: ends at {stop_utc.isoformat()}; it must end after it starts")
    frequency_hz = _number(values, "frequency_hz", trail)
    megahertz = _number(values, "frequency_mhz", trail)
    if frequency_hz is None and megahertz is not None:
        frequency_hz = megahertz * 1e6
    if frequency_hz is None and not label:
        raise UsageProblem(f"{trail}: frequency_hz is missing; give frequency_hz or channel")
    width_hz = _number(values, "noise_width_hz", trail)
    if width_hz is not None and width_hz <= 0:
        raise UsageProblem(f"{trail}: noise_width_hz is {_shown(width_hz)}; it must be above 0")
    cnr = _number(values, "cnr_db", trail)
    return Sent(
        start_utc=start_utc,
        stop_utc=stop_utc,
        frequency_hz=frequency_hz,
        label=label,
        comment=comment,
        tone_hz=_number(values, "ctcss_hz", trail),
        tone_is_known="ctcss_hz" in values,
        code=_code(values, trail),
        code_is_known="dcs" in values,
        cnr_db=_number(values, "snr_db", trail) if cnr is None else cnr,
        noise_width_hz=width_hz,
        fades=values.get("fades") is True,
        is_steady=is_steady,
    )


def _number(values: Mapping[str, Any], key: str, trail: str) -> float | None:
    value = values.get(key)
    if value is None:
        return None
    try:
        good = not isinstance(value, bool) and isinstance(value, int | float) and math.isfinite(value)
    except OverflowError:  # an integer beyond any float
        good = False
    if not good:
        raise UsageProblem(f"{trail}: {key} is {_shown(value)}; it must be a number")
    return float(value)


def _text(values: Mapping[str, Any], key: str, trail: str) -> str:
    value = values.get(key)
    if value is not None and not isinstance(value, str):
        raise UsageProblem(f"{trail}: {key} is {_shown(value)}; it must be a text")
    return value or ""


def _code(values: Mapping[str, Any], trail: str) -> str | None:
    value = values.get("dcs")
    if value is None:
        return None
    code = normal_code(value) if isinstance(value, str) and value.isascii() else None
    if code is None:
        raise UsageProblem(
            f'{trail}: dcs is {_shown(value)}; it must be one of the 104 codes in quotes, like "023N"'
        )
    return code


def _shown(value: object) -> str:
    try:
        text = json.dumps(value, ensure_ascii=True)
    except (ValueError, TypeError):  # an integer of thousands of digits
        text = "a value too long to show"
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def same_name(one: str, other: str) -> bool:
    """Whether two names are the same to a reader."""
    return folded(one) == folded(other)
