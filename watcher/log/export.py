"""The watch log for other programs: JSON Lines and CSV, one transmission a line, in order of start.

The first thirteen keys are a contract: they stay, in this order. Keys may be added behind them. What is not
known is `null` in JSON and an empty cell in CSV. Rows pass one at a time, so a log of any size fits.
"""

from __future__ import annotations

import csv
import json
import unicodedata
from collections.abc import Callable, Collection, Iterable, Iterator
from pathlib import Path
from typing import TextIO

from watcher.durable import TMP_SUFFIX, sync_file, sync_folder
from watcher.errors import StorageError
from watcher.log.reading import LoggedTransmission, transmissions
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.receive.records import Measured, Sign
from watcher.utc import write_utc

Cell = str | int | float | bool | list[str] | None

# ASCII alone: no line separator of Unicode can tear a line, and any terminal shows it.
_JSON = json.JSONEncoder(ensure_ascii=True, allow_nan=False)

LIST_JOINT = ";"  # between the texts of a list in one CSV cell; no flag and no SAME header contains it


def exported(entry: LoggedTransmission) -> dict[str, Cell]:
    """One transmission as the keys of the export contract, and what is added to it.

    `ctcss_hz` is null where no listed tone was there and where nobody looked; `ctcss_probability` is a
    number only where somebody looked. Sigmas are standard uncertainties in the unit of their value.
    """
    heard, tone, code = entry.transmission, entry.transmission.tone, entry.transmission.code
    return {
        "start_utc": write_utc(heard.start_utc),
        "end_utc": write_utc(heard.end_utc),
        "channel": heard.channel,
        "frequency_hz": heard.frequency_hz,
        "mode": heard.mode,
        "snr_db": _value(heard.snr_db),
        "frequency_error_hz": _value(heard.frequency_error_hz),
        "ctcss_hz": tone.tone_hz if tone else None,
        "dcs": code.code if code else None,
        "dtmf": " ".join(heard.texts(Sign.DTMF)) or None,
        "flags": list(heard.flags),
        "same": list(heard.texts(Sign.SAME)),
        "clip": None if entry.clip_path is None else entry.clip_path.as_posix(),
        "clip_start_utc": write_utc(heard.clip_start_utc),
        "clip_end_utc": write_utc(heard.clip_end_utc),
        "on_at_start": heard.on_at_start,
        "ended_by": heard.ended_by.value,
        "piece": heard.piece,
        "snr_sigma_db": _sigma(heard.snr_db),
        "power_dbfs": _rounded(heard.power_dbfs),
        "frequency_error_sigma_hz": _sigma(heard.frequency_error_hz),
        "peak_deviation_hz": _value(heard.peak_deviation_hz),
        "peak_deviation_sigma_hz": _sigma(heard.peak_deviation_hz),
        "rms_deviation_hz": _value(heard.rms_deviation_hz),
        "rms_deviation_sigma_hz": _sigma(heard.rms_deviation_hz),
        "ctcss_estimate_hz": _value(tone.estimate_hz) if tone else None,
        "ctcss_estimate_sigma_hz": _sigma(tone.estimate_hz) if tone else None,
        "ctcss_deviation_hz": _value(tone.deviation_hz) if tone else None,
        "ctcss_deviation_sigma_hz": _sigma(tone.deviation_hz) if tone else None,
        # Not rounded: what tells is how far it is from 1.
        "ctcss_probability": tone.probability if tone else None,
        "ctcss_first_word_ms": _rounded(tone.first_word_ms) if tone else None,
        "clip_sha256": entry.clip_sha256,
        "watch_id": entry.watch_id,
        "entry_id": entry.entry_id,
        "dcs_other_name": code.other_name if code else None,
        "dcs_deviation_hz": _rounded(code.deviation_hz) if code else None,
        "dcs_probability": code.probability if code else None,
        "kind": heard.kind.kind.value if heard.kind else None,
        "kind_probability": heard.kind.probability if heard.kind else None,
        "speech_s": _rounded(heard.kind.speech_s) if heard.kind else None,
        "morse": list(heard.texts(Sign.MORSE)),
        "two_tone": list(heard.texts(Sign.TWO_TONE)),
        "findings": [finding.words for finding in heard.findings],
        "iq": heard.iq,
    }


KEYS = (
    *("start_utc", "end_utc", "channel", "frequency_hz", "mode", "snr_db", "frequency_error_hz", "ctcss_hz"),
    *("dcs", "dtmf", "flags", "same", "clip", "clip_start_utc", "clip_end_utc", "on_at_start", "ended_by"),
    *("piece", "snr_sigma_db", "power_dbfs", "frequency_error_sigma_hz"),
    *("peak_deviation_hz", "peak_deviation_sigma_hz", "rms_deviation_hz", "rms_deviation_sigma_hz"),
    *("ctcss_estimate_hz", "ctcss_estimate_sigma_hz", "ctcss_deviation_hz", "ctcss_deviation_sigma_hz"),
    *("ctcss_probability", "ctcss_first_word_ms", "clip_sha256", "watch_id", "entry_id"),
    *("dcs_other_name", "dcs_deviation_hz", "dcs_probability", "kind", "kind_probability", "speech_s"),
    *("morse", "two_tone", "findings", "iq"),
)


def write_jsonl(
    log: WatchLog,
    out: TextIO,
    span: Span | None = None,
    channels: Collection[str] | None = None,
    entries: Iterable[LoggedTransmission] | None = None,
) -> int:
    """Write JSON Lines in ASCII, other letters escaped; returns how many transmissions.

    `entries` are written as they come where another order than that of start is wanted; without them all that
    share time with the span.
    """
    count = 0
    for row in _exported_rows(log, span, channels, entries):
        out.write(_JSON.encode(row) + "\n")
        count += 1
    return count


def write_csv(
    log: WatchLog,
    out: TextIO,
    span: Span | None = None,
    channels: Collection[str] | None = None,
    entries: Iterable[LoggedTransmission] | None = None,
) -> int:
    """Write CSV as RFC 4180 has it: a header line, CR LF line ends, quotes where needed.

    A text that a spreadsheet would run as a formula is preceded by an apostrophe. `out` must not translate
    line ends (`newline=""`). Returns how many transmissions.
    """
    lines = csv.writer(out, lineterminator="\r\n")
    lines.writerow(KEYS)
    count = 0
    for row in _exported_rows(log, span, channels, entries):
        lines.writerow([csv_cell(row[key]) for key in KEYS])
        count += 1
    return count


Writer = Callable[
    [WatchLog, TextIO, Span | None, Collection[str] | None, Iterable[LoggedTransmission] | None], int
]
FORMS: dict[str, Writer] = {"jsonl": write_jsonl, "csv": write_csv}


def export_to_file(
    log: WatchLog,
    path: Path,
    form: str,
    span: Span | None = None,
    channels: Collection[str] | None = None,
    *,
    entries: Iterable[LoggedTransmission] | None = None,
) -> int:
    """Write the export into a file that appears under its name only when it is complete.

    Parameters
    ----------
    form : {"jsonl", "csv"}
    entries : iterable of LoggedTransmission, optional
        What to write, in that order; without it all that share time with the span, in order of start.

    Raises
    ------
    StorageError
        The file cannot be written, or the log cannot be read; what stood under the name stays.
    KeyError
        The form is neither.
    """
    write = FORMS[form]
    unfinished = path.with_name(path.name + TMP_SUFFIX)
    try:
        try:
            with unfinished.open("w", encoding="utf-8", newline="") as out:
                count = write(log, out, span, channels, entries)
            sync_file(unfinished)
            unfinished.replace(path)
            sync_folder(path.parent)
        except BaseException:
            unfinished.unlink(missing_ok=True)
            raise
    except OSError as failure:
        raise StorageError(
            f"export {path} cannot be written ({failure.strerror}); give a file in a folder that can be"
        ) from failure
    return count


def csv_cell(cell: Cell) -> str:
    """The text of one CSV cell, before the quoting."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, int | float):
        return str(cell)
    text = cell if isinstance(cell, str) else LIST_JOINT.join(cell)
    # OWASP, "CSV Injection": = + - @ and control characters begin a formula, full-width forms too.
    first = unicodedata.normalize("NFKC", text.lstrip(" ")[:1])
    return f"'{text}" if first and first in "=+-@\t\r\n" else text


def _exported_rows(
    log: WatchLog,
    span: Span | None,
    channels: Collection[str] | None,
    entries: Iterable[LoggedTransmission] | None,
) -> Iterator[dict[str, Cell]]:
    return map(exported, transmissions(log, span, channels) if entries is None else entries)


def _value(measured: Measured | None) -> float | None:
    return None if measured is None else _rounded(measured.value)


def _sigma(measured: Measured | None) -> float | None:
    return None if measured is None else _rounded(measured.sigma)


def _rounded(number: float | None) -> float | None:
    """Thousandths: far below any uncertainty here, and short enough to read."""
    return None if number is None else round(number, 3)
