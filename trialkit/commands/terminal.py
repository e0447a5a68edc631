"""What all commands share: exit codes, where they print, how they stop.

Heavy libraries are imported inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import shlex
from datetime import date
from enum import IntEnum
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from rich.console import Console
from rich.text import Text


class Exit(IntEnum):
    """What a command's exit code means."""

    DONE = 0
    FAULT = 1
    USAGE = 2
    RECORDS = 3
    NO_TRIAL = 4
    STOPPED = 5
    NOT_WRITTEN = 6


CODES = (
    "Exit codes: 0 done. 1 a fault in trialkit itself. 2 the command line is wrong. "
    "3 the records have errors, listed in a table. 4 there is no trial in that folder. "
    "5 the report stopped part way; the last good one is untouched. "
    "6 a file could not be written."
)

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

Folder = Annotated[
    Path,
    typer.Argument(help="The trial's folder: the one with trial.toml in it.", metavar="FOLDER"),
]


def example(*lines: str) -> str:
    """What stands below a command's help."""
    return "\n\n".join(("[bold]Examples[/bold]", *(f"  {line}" for line in lines), CODES))


def say(message: str) -> None:
    """A line for the user, no mark-up in it."""
    out.print(Text(message))


def command(name: str, *arguments: str | Path) -> str:
    """A command as it is to be typed: a folder with a blank in its name is quoted."""
    return shlex.join(["trialkit", name, *(str(one) for one in arguments)])


def stop(code: Exit, message: str) -> NoReturn:
    """Say why the command stops, and end it with that code."""
    err.print(Text(message.rstrip()))
    raise typer.Exit(code)


def the_trial(folder: Path) -> Path:
    """The folder, if there is a trial in it; else the command stops."""
    if not folder.is_dir():
        stop(Exit.NO_TRIAL, f"There is no folder {folder}.")
    if not (folder / "trial.toml").is_file():
        stop(
            Exit.NO_TRIAL,
            f"{folder} has no trial.toml, so it is not a trial yet.\n"
            f"Begin one with: trialkit new {folder}",
        )
    return folder


def day(text: str | None, example: str = "2026-05-24") -> date | None:
    """The day an option names; None where it is not given."""
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is not a date; write it as year-month-day, such as {example}"
        ) from None
