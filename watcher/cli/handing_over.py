"""The commands that hand on what was heard: `relay`, `message` and `package`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from watcher.cli.logs import asked_span
from watcher.cli.terminal import LogFolder, Quiet, Since, Until, app, as_whole, instant, out
from watcher.errors import UsageProblem
from watcher.log.writing import WatchLog

LONGEST_ANSWER = 2_000  # letters; a message is to be read aloud


@app.command()
def relay(  # noqa: PLR0917 - the options are named ones to the user
    folder: LogFolder,
    entry: Annotated[str, typer.Argument(metavar="ENTRY", help="The number of the call in the log.")],
    who: Annotated[str, typer.Option("--who", metavar="TEXT", help="Who calls.")] = "",
    where: Annotated[str, typer.Option("--where", metavar="TEXT", help="Where they are.")] = "",
    what: Annotated[str, typer.Option("--what", metavar="TEXT", help="What has happened.")] = "",
    need: Annotated[str, typer.Option("--need", metavar="TEXT", help="What help is needed.")] = "",
    next_on_air: Annotated[
        str, typer.Option("--next", metavar="TEXT", help="When they are next on the air.")
    ] = "",
    to_file: Annotated[
        Path | None,
        typer.Option("--into", metavar="FILE", help="A .txt or .pdf file; standard output if absent."),
    ] = None,
) -> None:
    """Draft the relay of a call for help, to read aloud; what nobody knows is left blank."""
    from watcher.report.forms.relay import relay_draft  # noqa: PLC0415 - only here

    suffix = _suffix("--into", to_file, (".txt", ".pdf")) if to_file else ""
    answers = {
        name: _answer(f"--{name.removesuffix('_on_air')}", text)
        for name, text in {
            "who": who,
            "where": where,
            "what": what,
            "need": need,
            "next_on_air": next_on_air,
        }.items()
    }
    with WatchLog.open_to_read(folder) as log:
        draft = relay_draft(log, _entry_number("ENTRY", entry), **answers)
    if to_file is None:
        out.print(draft.as_text(), markup=False, end="")
    elif suffix == ".pdf":
        draft.as_sheet().save(to_file)
    else:
        _save_text(to_file, draft.as_text())


@app.command()
def message(  # noqa: PLR0917 - the options are named ones to the user
    to_file: Annotated[Path, typer.Option("--into", metavar="FILE", help="The PDF file to write.")],
    incident: Annotated[str, typer.Option("--incident", metavar="TEXT", help="Name of the incident.")] = "",
    recipient: Annotated[
        str, typer.Option("--recipient", metavar="TEXT", help="To whom, name and position.")
    ] = "",
    sender: Annotated[
        str, typer.Option("--sender", metavar="TEXT", help="From whom, name and position.")
    ] = "",
    subject: Annotated[str, typer.Option("--subject", metavar="TEXT", help="What it is about.")] = "",
    text: Annotated[str, typer.Option("--text", metavar="TEXT", help="The message itself.")] = "",
    approved_by: Annotated[
        str, typer.Option("--approved-by", metavar="TEXT", help="Who approves it, by name.")
    ] = "",
    at: Annotated[
        str | None, typer.Option("--at", metavar="UTC", help="Date and time of it, ISO 8601 UTC.")
    ] = None,
) -> None:
    """Fill in a general message (ICS 213) as PDF; what is not given is left blank."""
    from watcher.report.forms.message import GeneralMessage  # noqa: PLC0415 - only here

    _suffix("--into", to_file, (".pdf",))
    GeneralMessage(
        incident=_answer("--incident", incident),
        recipient=_answer("--recipient", recipient),
        sender=_answer("--sender", sender),
        subject=_answer("--subject", subject),
        message=_answer("--text", text),
        approved_by=_answer("--approved-by", approved_by),
        sent_utc=None if at is None else instant("--at", at),
    ).as_sheet().save(to_file)


@app.command()
def package(  # noqa: PLR0917 - the options are named ones to the user
    folder: LogFolder,
    to_file: Annotated[Path, typer.Option("--into", metavar="FILE", help="The zip file to write.")],
    entry: Annotated[
        list[str] | None,
        typer.Option("--entry", metavar="N", help="Only this entry of the log; may be given again."),
    ] = None,
    since: Since = None,
    until: Until = None,
    quiet: Quiet = False,
) -> None:
    """Pack clips with log, forms, report and checksums for an incident lead."""
    from watcher.report.package import write_package  # noqa: PLC0415 - only here

    _suffix("--into", to_file, (".zip",))
    numbers = [_entry_number("--entry", text) for text in entry or ()]
    packed = write_package(folder, to_file, asked_span(folder, since, until), numbers)
    if not quiet:
        out.print(f"{packed.path}: {packed.entries} entries, {packed.clips} clips", markup=False)
        for sentence in packed.left_out:
            out.print(f"not in it: {sentence}", markup=False)


def _entry_number(option: str, text: str) -> int:
    number = as_whole(option, text, "17") if text.strip() else 0
    if number < 1:
        raise UsageProblem(f"{option} is {text}; it must be the number of an entry of the log, like 17")
    return number


def _answer(option: str, text: str) -> str:
    text = " ".join(text.split()) if option != "--text" else text.strip()
    if len(text) > LONGEST_ANSWER:
        raise UsageProblem(f"{option} has {len(text)} letters; give at most {LONGEST_ANSWER}")
    return text


def _suffix(option: str, path: Path, allowed: tuple[str, ...]) -> str:
    suffix = path.suffix.lower()
    if suffix not in allowed:
        raise UsageProblem(f"{option} is {path}; its name must end in {' or '.join(allowed)}")
    return suffix


def _save_text(path: Path, text: str) -> None:
    from watcher.report.forms.sheet import save_bytes  # noqa: PLC0415 - only here

    save_bytes(path, text.encode("utf-8", errors="replace"))
