"""Beginning a trial: a folder with a trial.toml to describe it and empty tables to fill in."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from trialkit.records.folder import DESCRIPTION, WORKBOOK
from trialkit.records.schema import TABLES
from trialkit.records.write import csv_text, write_text

READ_ME = "README.txt"

TEMPLATE = """\
# What this trial is. Lines that begin with # are notes and are not read.
title = {title}
garden = ""
crop = "climbing bean"

# The day the plants went out, year first: planted = 2026-05-24
planted = ""

# What you count at each pick ("pods", "fruits", "heads"), and how high you reach
# ("210 cm", "7 ft").
counted = "pods"
reach = "210 cm"

# How often you mean to look at the result before the season ends, and the picking rate,
# a plant a week, below which a variety is not worth picking any more. Both may be left out.
looks = 15
threshold_per_week = 1

# If your tables have dates like 3/7/2026, say which number comes first:
# dates = "day first"
# dates = "month first"

# What a number without a unit is in. Heights: cm, m, in, or ft for feet and
# inches. Weights: g, kg, oz, lb. A cell may name its own: 5'6", 66 in, 1 lb 4 oz.
[units]
height = "cm"
weight = "g"

# How the bed lies. Rows of plants, plants along a row, the spacing between them.
[layout]
# design = "randomised complete blocks"
# rows = 4
# columns = 30
row_spacing = "100 cm"
plant_spacing = "30 cm"
# sun = "south"
# shade = "a hedge along the west end"

# One [[varieties]] part for each variety, its name as plants.csv has it. Mark one as the check:
# the variety you would grow anyway, which the others are compared with.
[[varieties]]
name = "First variety"
check = true

[[varieties]]
name = "Second variety"
"""

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

Then:                  trialkit check FOLDER
and after every pick:  trialkit report FOLDER

Keep knives sharp, closed and away from children. Drink, and stop picking in great heat. Do not
lean a ladder on canes. After a spray, keep to the days before picking that its label says. Lime
and feed by a soil test. Labels, local rules and your local advisory service come first.
"""


def start_trial(folder: str | Path) -> list[Path]:
    """Make the folder and its files; returns the files made.

    Raises FileExistsError, changing nothing, where the folder holds any of a trial's files, and
    OSError where they cannot be written; what was written until then is taken away again.
    """
    folder = Path(folder)
    texts = {f"{table.name}.csv": csv_text([c.name for c in table.columns], []) for table in TABLES}
    texts[READ_ME] = EXPLANATION
    title = "".join(filter(str.isprintable, folder.resolve().name)) or "My variety trial"
    # Last, so that a folder half made is not taken for a trial.
    texts[DESCRIPTION] = TEMPLATE.format(title=json.dumps(title, ensure_ascii=False))
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
