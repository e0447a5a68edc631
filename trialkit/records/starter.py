"""Beginning a trial: a folder with a trial.toml to describe it and empty tables to fill in."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from pathlib import Path

from trialkit.cautions import ALL, in_a_line
from trialkit.records.description import Description, description_text
from trialkit.records.folder import DESCRIPTION, WORKBOOK
from trialkit.records.schema import TABLES
from trialkit.records.write import csv_text, write_text

READ_ME = "README.txt"

EXPLANATION = """\
How to fill in these tables. Any spreadsheet can. Keep the first line of each.

trial.toml   What the trial is. Open it with a text editor, not a word processor.
plants.csv   One line a plant. plant: a name of its own, as on its stake. block: plots that share
             the same conditions. plot: plants of one variety in one place. row, column: where the
             plant stands. lost: the day it was lost, if it was; lost_reason: why.
picks.csv    One line a plant at each pick. count 0: looked, and there was nothing.
             count left blank: nobody looked. The two are never mixed.
heights.csv  One line a plant each time you measure: 168, 5'6", 66 in.
weather.csv  If you have it: the low and the high of each day, in degrees Celsius (or name the
             columns low (F) and high (F)).
events.csv   What happened, and to which plant or plot if not to all: topped, fed, watered,
             sprayed, storm.
harvest.csv  For crops dug or cut once: weight, count, grade.
log.csv      What trialkit add brings in from phones and other sheets. Not to be edited.

Dates: year first, 2026-07-03, or the month by name, 3 Jul 2026.
An .xlsx workbook of the same name does as well as a CSV file.

To have the bed laid out by lot from trial.toml, plants.csv written, and paper to print:
                       trialkit plan FOLDER
Then:                  trialkit check FOLDER
and after every pick:  trialkit report FOLDER
"""


def starter_texts(folder: Path) -> dict[str, str]:
    """Every file of a new trial in that folder; trial.toml last, so that a folder half made is not
    taken for a trial."""
    texts = {f"{table.name}.csv": csv_text([c.name for c in table.columns], []) for table in TABLES}
    care = textwrap.fill(in_a_line(ALL, "this file"), 99)
    texts[READ_ME] = f"{EXPLANATION}\n{care}\n"
    title = "".join(filter(str.isprintable, folder.resolve().name)) or "My variety trial"
    texts[DESCRIPTION] = description_text(
        Description(title, reach="210 cm", threshold_per_week=1, row_cm=100, plant_cm=30)
    )
    return texts


def start_trial(folder: str | Path, texts: Mapping[str, str] | None = None) -> list[Path]:
    """Make the folder and its files; returns the files made.

    texts : what they say, by name, the last one written last; else those of `starter_texts`.
    Raises FileExistsError, changing nothing, where the folder holds any of a trial's files, and
    OSError where they cannot be written; what was written until then is taken away again.
    """
    folder = Path(folder)
    texts = texts or starter_texts(folder)
    taken = _taken(folder, texts.keys())
    if taken:
        raise FileExistsError(f"{folder} holds {', '.join(taken)} already")
    new = not folder.exists()
    made: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            write_text(folder / name, text)
            made.append(folder / name)
    except OSError:
        for path in made:
            path.unlink(missing_ok=True)
        if new and folder.is_dir():
            folder.rmdir()
        raise
    return [folder / DESCRIPTION, *(path for path in made if path.name != DESCRIPTION)]


def _taken(folder: Path, names: Iterable[str]) -> list[str]:
    """Files of a trial that the folder holds, by whatever case and kind."""
    if not folder.is_dir():
        return [folder.name] if folder.exists() else []
    ours = {name.casefold() for name in (*names, WORKBOOK)}
    ours |= {f"{table.name}.xlsx" for table in TABLES}
    return sorted(p.name for p in folder.iterdir() if p.name.casefold() in ours)
