"""The README tells of every command and option there is, and of none that there is not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from watcher.cli import MODULES, app, load

load()
COMMANDS = dict(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def options_of(command: object) -> list[str]:
    """The long options of one command and of those under it, `--help` aside."""
    under = getattr(command, "commands", {}).values()
    own = {
        option
        for parameter in command.params  # type: ignore[attr-defined]
        for option in (*parameter.opts, *parameter.secondary_opts)
        if option.startswith("--") and option != "--help"
    }
    return sorted(own.union(*map(options_of, under)))


def section(text: str, heading: str) -> str | None:
    """What stands under a heading, up to the next one of its rank or higher; None where there is none."""
    found = re.search(rf"^(#+) +{heading}\b.*$", text, re.MULTILINE | re.IGNORECASE)
    if found is None:
        return None
    rest = text[found.end() :]
    following = re.search(rf"^#{{1,{len(found[1])}}} ", rest, re.MULTILINE)
    return rest[: following.start()] if following else rest


@pytest.fixture(scope="module")
def readme(checkout: Path) -> str:
    return (checkout / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def commands_section(readme: str) -> str:
    found = section(readme, "Commands")
    if found is None:
        listed = "; ".join(f"{name} {' '.join(options_of(command))}" for name, command in COMMANDS.items())
        pytest.skip(f'README.md has no "Commands" heading yet; it must tell of: {listed}')
    return found


def test_every_command_is_loaded_from_where_it_is() -> None:
    """So that one asked for by name is found without the others."""
    listed = [command for commands in MODULES.values() for command in commands]
    assert sorted(listed) == sorted(COMMANDS)


def test_every_command_is_told(commands_section: str) -> None:
    missing = [name for name in COMMANDS if not re.search(rf"\bmidwatch {name}\b", commands_section)]
    assert not missing, f"README.md, Commands, does not tell of: {', '.join(missing)}"


def test_every_option_is_told(commands_section: str) -> None:
    missing = {
        name: absent
        for name, command in COMMANDS.items()
        if (absent := [o for o in options_of(command) if not re.search(rf"{o}(?![\w-])", commands_section)])
    }
    assert not missing, f"README.md, Commands, does not tell of: {missing}"


def test_no_command_or_option_is_told_that_is_not_there(readme: str) -> None:
    told = set(
        re.findall(
            r"\bmidwatch ([a-z]+)\b(?= |`|$)", "\n".join(re.findall(r"`[^`]+`|^    .*$", readme, re.M))
        )
    )
    assert told <= {*COMMANDS, "help"}, (
        f"README.md tells of commands that are not there: {told - set(COMMANDS)}"
    )
    known = {option for command in COMMANDS.values() for option in options_of(command)} | {
        "--help",
        "--version",
    }
    lines = [line for line in readme.splitlines() if "midwatch" in line]
    strange = {option for line in lines for option in re.findall(r"(?<![\w-])--[a-z][\w-]*", line)} - known
    assert not strange, f"README.md tells of options that are not there: {strange}"


def test_every_job_named_in_the_readme_is_in_the_makefile(readme: str, checkout: Path) -> None:
    jobs = set(re.findall(r"^([a-z-]+):", (checkout / "Makefile").read_text(), re.MULTILINE))
    named = set(re.findall(r"(?:^|`)make ([a-z-]+)", readme, re.MULTILINE))
    assert {"demo", "test"} <= named
    assert named <= jobs, f"README.md names jobs that the Makefile has not: {named - jobs}"


def test_section_ends_at_the_next_heading_of_its_rank() -> None:
    text = "# A\n\n## Commands\n\none\n\n### more\n\ntwo\n\n## After\n\nthree\n"
    found = section(text, "Commands")
    assert found is not None
    assert "one" in found
    assert "two" in found
    assert "three" not in found
    assert section(text, "Missing") is None


def test_options_are_found_where_there_are_some() -> None:
    """So that the checks above cannot pass on an empty list."""
    assert {"--into", "--ppm", "--allow-outside", "--quiet"} <= set(options_of(COMMANDS["replay"]))
    assert {"replay", "report", "export", "check", "demo"} <= set(COMMANDS)
