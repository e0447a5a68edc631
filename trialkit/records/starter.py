"""Beginning a trial: a folder with a trial.toml to describe it and empty tables to fill in."""

from __future__ import annotations

import glob
import os
import shutil
import tempfile
import textwrap
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from filelock import FileLock, Timeout

from trialkit.cautions import ALL, in_a_line
from trialkit.records.description import Description, description_text
from trialkit.records.folder import DESCRIPTION, WORKBOOK
from trialkit.records.schema import TABLES
from trialkit.records.write import csv_text, sync_folder, write_text

READ_ME = "README.txt"
LOCK = "lock"

EXPLANATION = """\
How to fill in these tables. Any spreadsheet can. Keep the first line of each.

trial.toml   What the trial is. Open it with a text editor, not a word processor.
plants.csv   One line a plant. plant: a name of its own, as on its stake. block: plots that share
             the same conditions. plot: plants of one variety in one place. row, column: where the
             plant stands. lost: the day it was lost, if it was; lost_reason: why.
             Or one line a plot: add a column plants, and write how many stand in it.
picks.csv    One line a plant at each pick. count 0: looked, and there was nothing.
             count left blank: nobody looked. The two are never mixed.
             A plot picked into one basket: name the plot, in a column plot, and leave plant
             blank. So too in heights.csv and harvest.csv; a trial may mix both.
heights.csv  One line a plant each time you measure: 168, 5'6", 66 in.
weather.csv  If you have it: the low and the high of each day, in degrees Celsius (or name the
             columns low (F) and high (F)); rain: of each day, in mm, or in inches where units
             in trial.toml has heights in feet or inches (or call it rain (mm), rain (in)).
events.csv   What happened, and to which plant or plot if not to all: topped, fed, watered,
             sprayed, storm.
harvest.csv  For crops dug or cut once: weight, count, grade.
traits.csv   Traits of your own, declared in trial.toml under [[traits]]: a line a plant (or plot)
             and day; trait: its name; value: a score, a number, yes or no, 3/20 for three of
             twenty. Of a day (first bloom) yes on the day it was first seen.
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
    texts = {f"{table.name}.csv": csv_text(table.offered, []) for table in TABLES}
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
    taken = _taken(folder, texts)
    if taken:
        raise FileExistsError(f"{folder} holds {', '.join(taken)} already")
    if folder.exists():
        _fill(folder, texts)
    else:
        _appear(folder, texts)
    return [folder / name for name in (DESCRIPTION, *(n for n in texts if n != DESCRIPTION))]


def _fill(folder: Path, texts: Mapping[str, str]) -> None:
    """The files into a folder that is there, trial.toml last."""
    fresh = [folder / name for name in texts if not (folder / name).exists()]
    try:
        for name, text in texts.items():
            write_text(folder / name, text)
    except OSError:
        for path in fresh:
            path.unlink(missing_ok=True)
        raise


def _appear(folder: Path, texts: Mapping[str, str]) -> None:
    """The folder and all its files at once: made beside, and renamed.

    What an earlier run that was killed left of its own is taken away; a run at work holds a lock.
    """
    parent = folder.resolve().parent
    parent.mkdir(parents=True, exist_ok=True)
    beside = f".{folder.resolve().name[:100]}.new-"
    for left in parent.glob(f"{glob.escape(beside)}*"):
        with suppress(Timeout, OSError), FileLock(left / LOCK, timeout=0):
            shutil.rmtree(left, ignore_errors=True)
    aside = Path(tempfile.mkdtemp(dir=parent, prefix=beside))
    try:
        with FileLock(aside / LOCK):
            staged = aside / "folder"
            staged.mkdir()
            for name, text in texts.items():
                write_text(staged / name, text)
            os.rename(staged, folder)
            sync_folder(parent)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _taken(folder: Path, texts: Mapping[str, str]) -> list[str]:
    """Files of a trial that the folder holds, by whatever case and kind.

    Without a trial.toml a file that says to the byte what it is to say is what an earlier run,
    killed part way, had written already: not in the way.
    """
    if not folder.is_dir():
        return [folder.name] if folder.exists() else []
    ours = {name.casefold() for name in (*texts, WORKBOOK)}
    ours |= {f"{table.name}.xlsx" for table in TABLES}
    held = sorted(p.name for p in folder.iterdir() if p.name.casefold() in ours)
    if DESCRIPTION in held:
        return held
    return [n for n in held
            if n not in texts or (folder / n).read_bytes() != texts[n].encode("utf-8")]
