"""A package for an incident lead: chosen clips with what the log says of them, in one zip with checksums.

The same log and choice give the same bytes: names are in order and no clock is read. A clip is taken only
from inside the folder of the log, whatever the log or a link in the folder says.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path, PurePosixPath
from typing import IO

from watcher.durable import TMP_SUFFIX, sync_file, sync_folder
from watcher.errors import StorageError, UsageProblem
from watcher.log.export import FORMS
from watcher.log.reading import LoggedTransmission, transmissions, whole_span
from watcher.log.spans import Span
from watcher.log.writing import WatchLog
from watcher.report import cautions
from watcher.report.forms.communications_log import communications_log
from watcher.report.forms.station import StationFacts, station_facts
from watcher.report.html import render_html
from watcher.report.selection import chosen_entries
from watcher.report.summary import ActivitySummary
from watcher.report.wording import headline, write_count
from watcher.report.writing import REPORT_NAME, read_marks, read_summary

INSIDE = PurePosixPath("midwatch-package")
CHECKSUMS = "SHA256SUMS"
AROUND = timedelta(hours=1)
"""Of the watch before and after chosen entries that the report tells of: a call comes back on the hour."""

_MADE = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can tell
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Packed:
    """What went into a package; `left_out` tells of each clip that did not, and why."""

    path: Path
    entries: int
    clips: int
    left_out: tuple[str, ...]


def write_package(
    folder: Path, path: Path, span: Span | None = None, entries: Collection[int] | None = None
) -> Packed:
    """Write the package of a folder's log.

    Parameters
    ----------
    folder : Path
    path : Path
        The zip; it appears under its name only when it is complete.
    span : Span or None
        Only what shares time with it.
    entries : collection of int or None
        Only these numbers of the log; they must lie in the span where one is given.

    Raises
    ------
    UsageProblem
        The log has no such entry, the entry lies outside the span, or nothing is chosen.
    StorageError
        The log cannot be read or the package cannot be written.
    """
    chosen = _chosen(folder, span, entries)
    summary = read_summary(folder, _around(folder, chosen) if span is None and entries else span)
    clips, left_out = _clips(folder, chosen)
    unfinished = path.with_name(path.name + TMP_SUFFIX)
    try:
        try:
            with zipfile.ZipFile(unfinished, "w") as package:
                _fill(package, folder, summary, chosen, clips, left_out)
            sync_file(unfinished)
            unfinished.replace(path)
            sync_folder(path.parent)
        except BaseException:
            unfinished.unlink(missing_ok=True)
            raise
    except OSError as failure:
        raise StorageError(
            f"package {path} cannot be written ({failure.strerror}); give a file in a folder that can be"
        ) from failure
    return Packed(path, len(chosen), len(clips), tuple(left_out))


def _chosen(folder: Path, span: Span | None, entries: Collection[int] | None) -> list[LoggedTransmission]:
    with WatchLog.open_to_read(folder) as log:
        inside = list(transmissions(log, span))
        if not entries:
            if not inside:
                raise UsageProblem("nothing was heard in this time; choose a span in which something was")
            return inside
        known = {one.entry_id for one in inside}
        for one in chosen_entries(log, entries):
            if one.entry_id not in known:
                raise UsageProblem(
                    f"entry {one.entry_id} lies outside --from and --to; leave them out or widen them"
                )
    wanted = set(entries)
    return [one for one in inside if one.entry_id in wanted]


def _around(folder: Path, chosen: list[LoggedTransmission]) -> Span:
    """From before the first to after the last, as far as the log reaches: what the report tells of."""
    start = min(one.transmission.start_utc for one in chosen) - AROUND
    stop = max(one.transmission.end_utc for one in chosen) + AROUND
    with WatchLog.open_to_read(folder) as log:
        whole = whole_span(log)
    return (
        Span(start, stop) if whole is None else Span(max(start, whole.start_utc), min(stop, whole.stop_utc))
    )


def _clips(
    folder: Path, chosen: list[LoggedTransmission]
) -> tuple[dict[PurePosixPath, tuple[Path, LoggedTransmission]], list[str]]:
    """The clips by their path, in order of it, and a sentence for each that is not to be had."""
    found: dict[PurePosixPath, tuple[Path, LoggedTransmission]] = {}
    left_out = []
    root = folder.resolve()
    for one in chosen:
        path = one.clip_path
        if path is None:
            why = "retention removed its clip" if one.clip_removed_utc else "no clip was kept"
            left_out.append(f"entry {one.entry_id}: {why}")
            continue
        real = (folder / path).resolve()
        if path.is_absolute() or ".." in path.parts or not real.is_relative_to(root):
            left_out.append(f"entry {one.entry_id}: its clip lies outside the folder of the log")
        elif not real.is_file():
            left_out.append(f"entry {one.entry_id}: the clip {path} is not there")
        else:
            found[path] = (real, one)
    return dict(sorted(found.items())), left_out


def _fill(  # noqa: PLR0917 - each is a part of the package
    package: zipfile.ZipFile,
    folder: Path,
    summary: ActivitySummary,
    chosen: list[LoggedTransmission],
    clips: dict[PurePosixPath, tuple[Path, LoggedTransmission]],
    left_out: list[str],
) -> None:
    sums: dict[PurePosixPath, str] = {}
    changed = []
    for path, (real, entry) in clips.items():
        with real.open("rb") as clip:
            sums[path] = _put(package, path, clip, compress=False)
        if entry.clip_sha256 is not None and sums[path] != entry.clip_sha256:
            changed.append(f"entry {entry.entry_id}: {path} is not the file that the log closed it as")
    only = {one.entry_id for one in chosen}
    form = communications_log(summary, only=only, marks=read_marks(folder))
    texts: dict[str, bytes] = {
        "log.jsonl": _extract("jsonl", chosen),
        "log.csv": _extract("csv", chosen),
        "communications-log.csv": form.as_csv().encode(),
        "communications-log.pdf": bytes(form.as_sheet().output()),
        REPORT_NAME: render_html(summary, folder, only=only).encode("utf-8", errors="replace"),
        "README.txt": _readme(summary, chosen, len(clips), left_out, changed).encode(),
    }
    for name in sorted(texts):
        sums[PurePosixPath(name)] = _put(package, PurePosixPath(name), io.BytesIO(texts[name]), compress=True)
    listed = "".join(f"{sums[path]}  {path}\n" for path in sorted(sums))
    _put(package, PurePosixPath(CHECKSUMS), io.BytesIO(listed.encode()), compress=True)


def _put(package: zipfile.ZipFile, path: PurePosixPath, content: IO[bytes], *, compress: bool) -> str:
    """Write one file into the zip; returns its SHA-256."""
    entry = zipfile.ZipInfo((INSIDE / path).as_posix(), _MADE)
    entry.compress_type = zipfile.ZIP_DEFLATED if compress else zipfile.ZIP_STORED  # FLAC is small already
    entry.external_attr = 0o644 << 16
    entry.create_system = 3  # the same whatever machine writes it
    digest = hashlib.sha256()
    with package.open(entry, "w", force_zip64=True) as into:
        while piece := content.read(_PIECE):
            digest.update(piece)
            into.write(piece)
    return digest.hexdigest()


def _extract(form: str, chosen: list[LoggedTransmission]) -> bytes:
    write: Callable[..., int] = FORMS[form]
    out = io.StringIO(newline="")
    write(None, out, None, None, chosen)
    return out.getvalue().encode()


def _readme(
    summary: ActivitySummary,
    chosen: list[LoggedTransmission],
    clips: int,
    left_out: list[str],
    changed: list[str],
) -> str:
    lines = [*_opening(summary, chosen, clips), ""]
    lines += [
        "What is in here",
        "  README.txt               this page",
        f"  {REPORT_NAME}              open it in a browser: what was heard, with players",
        "  communications-log.pdf   one line a transmission, to print and sign (ICS 309)",
        "  communications-log.csv   the same for a spreadsheet",
        "  log.csv, log.jsonl       every figure that was measured, for a spreadsheet or a program",
        "  YYYY-MM-DD/...flac       the clips; most players know FLAC",
        f"  {CHECKSUMS}               what each file must be: sha256sum -c {CHECKSUMS}",
        "",
        "How to read it",
        "  A clip's name begins with the time its carrier came up, in UTC.",
        "  Nobody has written down the words: hear the clips. Sender and addressee are what a person told in",
        "  review, else blank.",
        "  A channel that was quiet was not necessarily empty; what was not watched is told in the report.",
        "",
    ]
    for heading, sentences in (("Not in here", left_out), ("Changed since the watch", changed)):
        if sentences:
            lines += [heading, *(f"  {sentence}" for sentence in sentences), ""]
    lines += ["Cautions", *(f"  {caution}" for caution in cautions.CAUTIONS)]
    return "\n".join(lines) + "\n"


def _opening(summary: ActivitySummary, chosen: list[LoggedTransmission], clips: int) -> Iterator[str]:
    station: StationFacts = station_facts(summary.watches)
    clock = summary.clock
    yield "A package from a radio watch"
    yield ""
    who = ", ".join(part for part in (station.operator, station.call_sign) if part) or "not told in the plan"
    where = ", ".join(part for part in (station.name, station.place) if part) or "not told in the plan"
    yield f"Kept by: {who}"
    yield f"Station: {where}"
    yield f"From:    {clock.full(summary.span.start_utc)}"
    yield f"To:      {clock.full(summary.span.stop_utc)}"
    yield f"Holds:   {write_count(len(chosen), 'log entry', 'log entries')}, {write_count(clips, 'clip')}"
    yield ""
    yield from headline(summary)
