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
    """Make a sheet to pin up (PDF) and two pictures for a chat (PNG), each with its words (TXT)."""
    from trialkit.records import RecordsError
    from trialkit.records.write import write_bytes
    from trialkit.report.handout import CARDS, alt_text, card, front, sheet
    from trialkit.report.opentrial import CellStop, open_trial
    from trialkit.trial import TrialProblems

    folder = the_trial(folder)
    day = until_day(until, folder)
    if address and not address.startswith(("https://", "http://")):
        raise typer.BadParameter(f"{address!r} is no web address. Write: https://...")
    place = to or folder / "handout"
    try:
        trial = open_trial(str(folder), day.isoformat() if day else "")
        first = front(trial)
        files = {".pdf": sheet(trial, paper, address)}
        for kind in CARDS:
            files[f"-{kind}.png"] = card(first, kind)
            files[f"-{kind}.txt"] = f"{alt_text(first)}\n".encode()
    except (CellStop, RecordsError, TrialProblems) as error:
        stop(Exit.RECORDS, str(error))
    try:
        place.mkdir(parents=True, exist_ok=True)
        for ending, content in files.items():
            path = place / f"{folder.resolve().name}{ending}"
            write_bytes(path, content)
            say(f"Wrote {path}")
    except OSError as error:
        stop(Exit.NOT_WRITTEN, f"Could not write the handout: {error}")
