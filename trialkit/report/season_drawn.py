"""The season's pictures: each garden against the whole, and a variety against the gardens."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.gardens import words
from trialkit.report import pictures
from trialkit.report.blocks import Block
from trialkit.report.season_opened import OpenSeason

GARDENS = 24
"""More trials than this and the drawing of one variety garden by garden is left out."""
VARIETIES = 16


def gardens_and_whole(season: OpenSeason) -> Block:
    """Every variety: each garden a dot, all together a bar."""
    found = season.answer
    rows = found.overall[~found.overall["check"] & found.overall["estimate"].notna()]
    if rows.empty or len(found.overall) < 2 or len(found.trials) < 2:
        return Block("", "")
    note = "Small dots: each trial by itself. Large dot: all together."
    if found.supported:
        note += " Thick bar: the range it may well lie in (95 % interval)."
    if found.new_supported:
        note += " Thin bar: the range to expect in another garden."
    note += f" Dashed line: {season.to}."
    if len(rows) > VARIETIES:
        note += f" The leading {VARIETIES} varieties are drawn; the others are in the table."
    shown = _told(season, rows.head(VARIETIES))
    drawn = plots.gardens_and_whole(shown, found.by_garden, _axis(season), note,
                                    _none(season), found.scale == "log")
    return pictures.show(drawn, "gardens-and-whole", season.names)


def garden_by_garden(season: OpenSeason) -> Block:
    """The leading variety, garden by garden, each with its own interval."""
    found = season.answer
    rows = found.overall[~found.overall["check"] & found.overall["estimate"].notna()]
    if rows.empty or not 2 <= len(found.trials) <= GARDENS:
        return Block("", "")
    best: Any = rows.iloc[0]
    alone = found.by_garden[found.by_garden["variety"] == best["variety"]]
    if alone.empty:
        return Block("", "")
    years = alone["year"].nunique() > 1
    alone = alone.assign(garden=[f"{row.garden[:17]} {row.year}" if years else row.garden
                                 for row in alone.itertuples()])
    alone = _told(season, alone)
    whole = next(_told(season, rows.head(1))[["estimate", "low", "high"]].itertuples(index=False))
    note = f"{best['variety']}, garden by garden."
    if alone["low"].notna().any():
        note += " Bar: the range it may well lie in there (95 % interval)."
    if alone["low"].isna().any():
        note += " No bar: one row of each variety, so that chance cannot be told there."
    drawn = plots.one_by_one(alone, whole, _axis(season, str(best["variety"])), note,
                             _none(season), found.scale == "log")
    return pictures.show(drawn, "garden-by-garden", season.names)


def against_gardens(season: OpenSeason) -> Block:
    """What each variety gave against what all varieties gave in that garden."""
    found = season.answer
    if len(found.trials) < 3 or found.overall["estimate"].notna().sum() < 2:
        return Block("", "")
    ratio = found.scale == "log"
    means = found.means.merge(found.levels[["trial", "level"]], on="trial")
    if ratio:
        means[["level", "y"]] = np.exp(means[["level", "y"]])
    order = {name: at for at, name in enumerate(found.overall["variety"])}
    means = means.sort_values("variety", key=lambda v: v.map(order), kind="stable")
    note = ("Each dot: one trial. Across: what all varieties gave there on average; up: what this "
            "one gave. Dashed: as the average variety. A steeper line gains most in good gardens.")
    drawn = plots.against_gardens(means, found.stability, found.unit, note, ratio)
    return pictures.show(drawn, "against-gardens", season.names)


def _told(season: OpenSeason, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows without the intervals that say nothing."""
    out = rows.copy()
    for low, high in (("low", "high"), ("new_low", "new_high")):
        if low in out:
            wide = [not words.within(season.answer, a, b)
                    for a, b in zip(out[low], out[high], strict=True)]
            out.loc[wide, [low, high]] = np.nan
    return out


def _axis(season: OpenSeason, variety: str = "") -> str:
    found = season.answer
    to = plots.short([season.to], 20)[season.to]
    if found.scale == "log":
        return f"{found.trials[0].counted}, times {to}"
    return f"{found.unit}, more than {to}"


def _none(season: OpenSeason) -> float:
    return 1.0 if season.answer.scale == "log" else 0.0
