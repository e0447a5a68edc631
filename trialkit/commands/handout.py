"""The command `handout`: a sheet to pin up and pictures for a chat.

Heavy libraries are imported inside, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from trialkit.commands.terminal import Exit, Folder, say, stop, the_trial, until_day


def handout(
    folder: Folder,
    to: Annotated[
        Path | None, typer.Option("--out", help="The folder to write to. Else FOLDER/handout.")
    ] = None,
    paper: Annotated[
        Literal["A4", "Letter"], typer.Option(help="The size of the sheet.")
    ] = "A4",
    address: Annotated[
        str, typer.Option(help="Where to find the report on the web, printed as a code to scan.")
    ] = "",
    until: Annotated[
        str | None,
        typer.Option(help="As of that day (20 Jul 2025): leave out what was recorded later."),
    ] = None,
) -> None:
    """Make a sheet to pin up (PDF) and two pictures for a chat (PNG), each with its words (TXT).

    `report --handout A4` makes them in the same run as the report.
    """
    from trialkit.engine.publish import write_handout
    from trialkit.records import RecordsError
    from trialkit.report import handout as sheets
    from trialkit.report.opentrial import CellStop, open_trial
    from trialkit.trial import TrialProblems

    folder = the_trial(folder)
    day = until_day(until, folder)
    on_the_web(address)
    try:
        trial = open_trial(str(folder), day.isoformat() if day else "")
        files = sheets.files(trial, paper, address)
    except (CellStop, RecordsError, TrialProblems) as error:
        stop(Exit.RECORDS, str(error))
    try:
        for path in write_handout(folder, files, to):
            say(f"Wrote {path}")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the handout: {error}")


def on_the_web(address: str) -> None:
    """Raises BadParameter where an address is given that is none."""
    if address and not address.startswith(("https://", "http://")):
        raise typer.BadParameter(f"{address!r} is no web address. Write: https://...")
