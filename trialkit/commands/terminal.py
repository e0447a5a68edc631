"""What all commands share: exit codes, where they print, how they stop.

Heavy libraries are imported inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import os
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
    "6 a file could not be written, or was not to be."
)

DESCRIPTION = "trial.toml"
SHOWN = 5
UP = 2
"""How many folders up a trial is looked for, from a file or a folder in it."""

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

Folder = Annotated[
    Path,
    typer.Argument(help="The trial's folder: the one with trial.toml in it.", metavar="FOLDER"),
]


Folders = Annotated[
    list[Path], typer.Argument(help="Trial folders, or folders of trials.", metavar="FOLDER")
]
Until = Annotated[
    str | None,
    typer.Option(help="As of that day (20 Jul 2025): leave out what was recorded later."),
]
Open = Annotated[bool, typer.Option("--open", help="Open the report in the browser.")]
Cluster = Annotated[
    str | None, typer.Option(help="A running Dask scheduler, such as tcp://10.0.0.5:8786.")
]


def example(*lines: str) -> str:
    """What stands below a command's help."""
    return "\n\n".join(("[bold]Examples[/bold]", *(f"  {line}" for line in lines), CODES))


def say(message: str) -> None:
    """A line for the user, no mark-up in it."""
    out.print(Text(message))


def command(name: str, *arguments: str | Path) -> str:
    """A command as it is to be typed: a folder with a blank in its name is quoted."""
    return shlex.join(["trialkit", name, *(str(argument) for argument in arguments)])


def stop(code: Exit, message: str) -> NoReturn:
    """Say why the command stops, and end it with that code."""
    err.print(Text(message.rstrip()))
    raise typer.Exit(code)


def the_trial(folder: Path) -> Path:
    """The folder, if there is a trial in it; else the command stops."""
    if not folder.exists():
        stop(Exit.NO_TRIAL, f"There is no folder {folder}.")
    if (folder / DESCRIPTION).is_file():
        return folder
    above = _trial_above(folder)
    if above is not None:
        say(f"{folder} is part of the trial in {above}, which is used.")
        return above
    if not folder.is_dir():
        stop(Exit.NO_TRIAL, f"{folder} is a file, with no {DESCRIPTION} beside it. "
                            "Name the trial's folder.")
    inside = sorted(str(file.parent) for file in folder.glob(f"*/{DESCRIPTION}"))
    if inside:
        more = f", and {len(inside) - SHOWN} more" if len(inside) > SHOWN else ""
        stop(Exit.NO_TRIAL, f"{folder} is not a trial but holds some. Name one: "
                            f"{', '.join(inside[:SHOWN])}{more}.")
    stop(
        Exit.NO_TRIAL,
        f"{folder} has no {DESCRIPTION}, so it is not a trial yet.\n"
        f"Start one with: {command('new', folder)}",
    )


def _trial_above(path: Path) -> Path | None:
    """The trial that a file of it, or a folder in it (paper, report, notebooks), belongs to.

    A folder that has tables of its own is a trial without its description, not a part of another.
    """
    if path.is_dir() and any((path / f"{name}.csv").exists() for name in ("plants", "picks")):
        return None
    place = Path(os.path.abspath(path))
    for above in list(place.parents)[:UP]:
        if (above / DESCRIPTION).is_file():
            here = Path.cwd()
            return above.relative_to(here) if above.is_relative_to(here) else above
    return None


def day(text: str | None, *folders: Path) -> date | None:
    """The day an option names, read as the tables of these trials are; None where it is not given.

    Where the trials differ in which number comes first in 3/7/2026, such a date is refused.
    """
    if not text or not text.strip():
        return None
    from trialkit.reading.amounts import Habits
    from trialkit.reading.problems import Unreadable
    from trialkit.trial import habits_of

    orders = {habits_of(folder).order for folder in folders}
    try:
        return Habits(orders.pop() if len(orders) == 1 else None).day(text)
    except Unreadable as error:
        raise typer.BadParameter(f"{text!r}: {error.problem} Write: {error.accepted}.") from None


def until_day(text: str | None, folder: Path) -> date | None:
    """The day up to which a trial is to be reported on, which is not before its planting."""
    until = day(text, folder)
    if until is not None:
        from trialkit.trial import draft_trial

        described = (folder / DESCRIPTION).read_text(encoding="utf-8", errors="replace")
        trial, problems = draft_trial(described)
        if until < trial.planted and not any(problem.column == "planted" for problem in problems):
            raise typer.BadParameter(
                f"{until} is before planting, {trial.planted}, and nothing was recorded then. "
                f"Write: a day from {trial.planted} on."
            )
    return until
