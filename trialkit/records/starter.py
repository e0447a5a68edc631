"""Beginning a trial: a folder with a trial.toml to describe it and empty tables to fill in."""

from __future__ import annotations

from pathlib import Path

from trialkit.records.schema import TABLES
from trialkit.records.write import csv_text, write_text

DESCRIPTION = '''# What this trial is.  Lines that begin with # are notes and are not read.
title = "My variety trial"
garden = "My garden"
crop = "climbing bean"

# The day the plants went out, year first.
planted = {planted}

# What you count at each pick, and how high you can reach.
counted = "pods"
reach = "7 ft"

# How often you mean to look at the result before you decide, and the picking rate
# (a plant a week) below which a variety is not worth picking any more.
looks = 15
threshold_per_week = 1

# If you write dates like 3/7/2026, say which comes first:
# dates = "day first"

[units]
height = "in"
weight = "oz"

[layout]
row_spacing = "4 ft"
plant_spacing = "1 ft"
# sun = "south"
# shade = "hedge along the west end"

# One [[varieties]] part a variety.  Mark one as the check: the one the others are compared with.
[[varieties]]
name = "First variety"
check = true

[[varieties]]
name = "Second variety"
'''

READ_ME = '''How to fill in these tables (any spreadsheet can; keep the first line).

plants.csv   one line a plant. block: plots that share the same conditions. plot: plants of one
             variety side by side, in one place. row, column: where the plant stands.
             lost: the day it was lost, if it was; lost_reason: why.
picks.csv    one line a plant a pick. count 0 = looked and found nothing.
             count left blank = not looked at. The two are never mixed.
heights.csv  one line a plant each time you measure: 5'6", 66 in, 168 cm.
weather.csv  one line a day, if you have it: the low and the high.
events.csv   topped, fed, watered, sprayed, storm: what happened, to which plant or plot.
harvest.csv  for crops dug or cut once: weight, count, grade.

Then: trialkit check FOLDER, and after every pick: trialkit report FOLDER
Keep knives sharp, closed and away from children; drink water and stop picking in great heat;
do not lean ladders on canes; after a spray, keep to the label's days before picking.
'''


def start_trial(folder: str | Path) -> list[Path]:
    """Make the folder and its files; returns the files made.

    Raises FileExistsError, changing nothing, where the folder holds a trial or any of its tables.
    """
    from datetime import date

    folder = Path(folder)
    texts = {"trial.toml": DESCRIPTION.format(planted=date.today().isoformat()),
             "README.txt": READ_ME}
    for table in TABLES:
        texts[f"{table.name}.csv"] = csv_text([c.name for c in table.columns], [])
    taken = [name for name in texts if (folder / name).exists()]
    if taken:
        raise FileExistsError(f"{folder} holds {', '.join(taken)} already")
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for name, text in texts.items():
        write_text(folder / name, text)
        made.append(folder / name)
    return made
