"""The text of a trial.toml, with notes for whoever edits it: of a new trial and of a plan."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date

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
# your reach ("within reach"), or which bore first ("early"). The rest is shown beside it.
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

# If your tables have dates like 3/7/2026, say which number comes first:
# dates = "day first"
# dates = "month first"

# What a number without a unit is in. Heights: cm, m, in, or ft for feet and
# inches. Weights: g, kg, oz, lb. A cell may name its own: 5'6", 66 in, 1 lb 4 oz.
[units]
height = {height_unit}
weight = {weight_unit}

# How the bed lies. Rows of plants, plants along a row, the spacing between them.
[layout]
{layout}

# Traits of your own, recorded in traits.csv, one [[traits]] part for each. kind: "score",
# "measure", "count", "yes or no", "day" (first seen) or "share" (3/20). better: "more" or "less".
# on: "plant" or "plot". when: "often" or "once". A score has its words, lowest first, as
# scale = ["none", "some", "much"], or from = 1 and to = 5 (scale is then the words for the ends).
# [[traits]]
# name = "mildew"
# kind = "score"
# scale = ["none", "some", "much"]
# better = "less"

# One [[varieties]] part for each variety, its name as plants.csv has it. Mark one as the check:
# the variety you would grow anyway, which the others are compared with.
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


def description_text(said: Description) -> str:
    """The file's text."""
    return _TEMPLATE.format(
        title=toml_value(said.title),
        garden=toml_value(said.garden),
        crop=toml_value(said.crop),
        planted=said.planted.isoformat() if said.planted else '""',
        counted=toml_value(said.counted),
        reach=_line("reach", said.reach, "210 cm"),
        looks=said.looks,
        threshold=_line("threshold_per_week", said.threshold_per_week, 1),
        height_unit=toml_value(said.height_unit),
        weight_unit=toml_value(said.weight_unit),
        layout="\n".join(_layout(said)),
        varieties="\n\n".join(
            f"[[varieties]]\nname = {toml_value(name)}"
            + ("\ncheck = true" if name == said.check else "")
            for name in said.varieties
        ),
    )


def _layout(said: Description) -> list[str]:
    row = None if said.row_cm is None else f"{said.row_cm:g} cm"
    plant = None if said.plant_cm is None else f"{said.plant_cm:g} cm"
    lines = [
        _line("design", said.design, "randomised complete blocks"),
        _line("rows", said.rows, 4),
        _line("columns", said.columns, 30),
        _line("row_spacing", row, "100 cm"),
        _line("plant_spacing", plant, "30 cm"),
        _line("sun", said.sun, "south"),
        _line("shade", said.shade, "a hedge along the west end"),
    ]
    if said.seed is not None:
        lines += ["# The layout was drawn with this seed; plan.toml holds the rest that was asked.",
                  f"seed = {said.seed}"]
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
        return "[" + ", ".join(toml_value(one) for one in value) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007F")
