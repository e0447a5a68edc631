"""Beginning a trial: a folder with a trial.toml to describe it and empty tables to fill in."""

from __future__ import annotations

import glob
import json
import os
import shutil
import tempfile
import textwrap
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from filelock import FileLock, Timeout

from trialkit.cautions import ALL, in_a_line
from trialkit.reading.amounts import in_feet, spacing_text, unit_name
from trialkit.records.files import (
    DESCRIPTION,
    WORKBOOK,
    csv_text,
    sync_folder,
    write_text,
)
from trialkit.records.schema import TABLES

# ------------------------------------------------------------------------------------------------
# The text of a trial.toml, with notes for whoever edits it: of a new trial and of a plan.
# ------------------------------------------------------------------------------------------------

# Where nothing was planned: a pick every few days over a season (common practice, no source).
LOOKS = 20

_TEMPLATE = """\
# What this trial is. Lines that begin with # are notes and are not read.
title = {title}
garden = {garden}
crop = {crop}

# The day the plants went out, year first: planted = 2026-05-24
planted = {planted}

# What you count at each pick ("pods", "fruits", "heads"), and how high you reach
# ("210 cm", "7 ft").
counted = {counted}
{reach}

# How often you mean to look at the result before the season ends, usually once a pick. Whoever
# looks twenty times finds a winner by luck far more often than whoever looks once; the report
# allows for the number written here, so set it before the first pick and leave it alone.
looks = {looks}

# The last day of picking, once the season is over:
# ended = 2026-10-12

# What the trial is to answer: how much each variety gave ("yield"), how much of it hung within
# your reach ("within reach"), which bore first ("early"), or a trait of your own by its name
# ("mildew", where a [[traits]] part below has it and says which end is better). The rest is shown
# beside it.
# question = "yield"

# Whether the crop sets at the growing tip ("top") or all along the stem ("along"): what was
# picked within reach can be told only with this.
# bears = "top"

# The ratio between two varieties that is too small to matter to you.
# worthwhile = 1.25

# What a blank in the picks means, where no zero is written: nobody looked ("written", as zeros
# are), or there was nothing to pick ("left out").
# zeros = "written"

# The picking rate, a plant a week, below which a variety is not worth picking any more.
{threshold}

# Of crops dug or cut once, in harvest.csv: the grades, best first; those fit to sell or eat; what
# a piece of them must weigh; the share of the plants that must have given one for a variety to be
# ready.
# grades = ["large", "medium", "small"]
# marketable = ["large", "medium"]
# marketable_from = "60 g"
# ready_share = 0.5

# Columns of plants.csv with a number a plot, known before planting, that picks, harvests and traits
# of your own are adjusted for. Heights are not.
# covariates = ["soil test", "hours of shade"]

# What the crop is sold at, by weight or by the piece, with the currency if you like: "3.50 a kg",
# "€2 per lb", "0.20 each", "3 USD a dozen". The report then says what a metre of row is worth.
# price = "3.50 a kg"

# Notes for the report; where published records are from; whether they are made up.
# notes = "a dry spring"
# source = "who published them, and when"
# invented = true

# If your tables have dates like 3/7/2026, say which number comes first:
# dates = "day first"
# dates = "month first"

# What a number without a unit is in. Heights: cm, m, in, or ft for feet and
# inches. Weights: g, kg, oz, lb. A cell may name its own: 5'6", 66 in, 1 lb 4 oz.
[units]
height = {height_unit}
weight = {weight_unit}
# A yield in any other unit ("t/ha", "bushels an acre", "lb/plot") is kept and shown as written:
# harvest = "t/ha"

# How the bed lies. Rows of plants, plants along a row, the spacing between them.
[layout]
{layout}

# Traits of your own, recorded in traits.csv, one [[traits]] part for each. kind: "score",
# "measure", "count", "yes or no", "day" (first seen) or "share" (3/20). better: "more" or "less".
# on: "plant" or "plot". when: "often" or "once". A score has its words, lowest first, as
# scale = ["none", "some", "much"], or from = 1 and to = 5 (scale is then the words for the ends).
# unit: of a measure. of: of a share, the spreadsheet column that says how many were looked at.
# [[traits]]
# name = "mildew"
# kind = "score"
# scale = ["none", "some", "much"]
# better = "less"

# One [[varieties]] part for each variety, its name as plants.csv has it. Mark one as the check:
# the variety you would grow anyway, which the others are compared with. note: what you like.
# With a price, seed_cost: money a plant set out, such as seed_cost = 0.12 (a packet's price over
# the plants it gave).
{varieties}
"""


@dataclass(frozen=True)
class Description:
    """What trial.toml is to say.  None or "": not said, and then a note shows how to say it.

    planted : the day the plants go out.  reach : as written, "210 cm".  looks : planned looks at
    the result.  rows, columns, row_cm, plant_cm : the bed.  check : the variety that is the check.
    """

    title: str
    crop: str = "climbing bean"
    garden: str = ""
    planted: date | None = None
    counted: str = "pods"
    reach: str | None = None
    looks: int = LOOKS
    threshold_per_week: float | None = None
    height_unit: str = "cm"
    weight_unit: str = "g"
    varieties: tuple[str, ...] = ("First variety", "Second variety")
    check: str | None = "First variety"
    design: str | None = None
    rows: int | None = None
    columns: int | None = None
    row_cm: float | None = None
    plant_cm: float | None = None
    sun: str | None = None
    shade: str | None = None
    seed: int | None = None


def description_text(facts: Description) -> str:
    """The file's text."""
    return _TEMPLATE.format(
        title=toml_value(facts.title),
        garden=toml_value(facts.garden),
        crop=toml_value(facts.crop),
        planted=facts.planted.isoformat() if facts.planted else '""',
        counted=toml_value(facts.counted),
        reach=_line("reach", facts.reach, "210 cm"),
        looks=facts.looks,
        threshold=_line("threshold_per_week", facts.threshold_per_week, 1),
        height_unit=toml_value(facts.height_unit),
        weight_unit=toml_value(facts.weight_unit),
        layout="\n".join(_layout(facts)),
        varieties="\n\n".join(
            f"[[varieties]]\nname = {toml_value(name)}"
            + ("\ncheck = true" if name == facts.check else "")
            for name in facts.varieties
        ),
    )


def _layout(facts: Description) -> list[str]:
    feet = in_feet(unit_name(facts.height_unit) or "")
    row = None if facts.row_cm is None else spacing_text(facts.row_cm, feet)
    plant = None if facts.plant_cm is None else spacing_text(facts.plant_cm, feet)
    lines = [
        _line("design", facts.design, "randomised complete blocks"),
        _line("rows", facts.rows, 4),
        _line("columns", facts.columns, 30),
        _line("row_spacing", row, "100 cm"),
        _line("plant_spacing", plant, "30 cm"),
        _line("sun", facts.sun, "south"),
        _line("shade", facts.shade, "a hedge along the west end"),
    ]
    if facts.seed is not None:
        lines += ["# The layout was drawn with this seed; plan.toml holds the rest that was asked.",
                  f"seed = {facts.seed}"]
    else:
        lines += ["# seed: the number the layout was drawn with; trialkit plan writes it."]
    return lines


def _line(key: str, value: object, example: object) -> str:
    """The key with its value, or, as a note, with an example."""
    if value is None:
        return f"# {key} = {toml_value(example)}"
    return f"{key} = {toml_value(value)}"


def toml_value(value: object) -> str:
    """A TOML 1.0 value: text, whole number, number, true or false, or an array of these."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007F")


# ------------------------------------------------------------------------------------------------
# The folder, made whole or not at all: its tables, empty, and how to fill them in.
# ------------------------------------------------------------------------------------------------

READ_ME = "README.txt"
LOCK = "lock"

EXPLANATION = """\
How to fill in these tables. Any spreadsheet can. Keep the first line of each.

trial.toml   What the trial is. Open it with a text editor, not a word processor.
plants.csv   One line a plant. plant: a name of its own, as on its stake. block: plots that share
             the same conditions. plot: plants of one variety in one place. row, column: where the
             plant stands. lost: the day it was lost, if it was; lost_reason: why.
             Or one line a plot: add a column plants, and write how many stand in it.
             Blocks that hold some of the varieties only: add a column replicate, the blocks that
             together hold every variety once; blocks may be numbered from 1 in each.
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
             trialkit add brings them in from a spreadsheet too: a column named as the trait, or of
             a share a second one with how many were looked at (of = "looked at" in trial.toml).
log.csv      What trialkit add brings in from phones and other sheets. Not to be edited.

Dates: year first, 2026-07-03, or the month by name, 3 Jul 2026.
An .xlsx workbook of the same name does as well as a CSV file.

To have the bed laid out at random from trial.toml, plants.csv written, and paper to print:
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
