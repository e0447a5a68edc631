"""From looks at plants to counts with the days each took to grow.

The pods on a plant at a pick came since that plant was last looked at.  A blank is not a look:
the next pick of that plant holds more days.  A zero is a look, and sets the clock back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.records.check import basket_names, recorded

if TYPE_CHECKING:
    from trialkit.records import Records

ONE_LOOK = 7.0
"""Days taken for the only look of a trial, where no interval is known."""


def counted_looks(records: Records) -> pd.DataFrame:
    """One row a look at a plant, or at a whole plot picked into one basket: date, plant (of a
    basket its name), variety, block, plot, row, column, treatment, pods (float), plants (looked at
    in it), gap (days since the last look), days (plant-days: gaps of its plants added up), first
    (bool: no look before).

    Two records of one plant on one date are one look and are added together.  A record after a
    plant was lost is left out unless pods were picked from it (it is listed among the doubts).
    A plant's first look has no known interval and gets the trial's median one: every plant's
    first look is on much the same date, so that the date's own effect takes up what is wrong
    with it.  A basket is a look at every plant of its plot alive that day, and is never split
    among them.
    """
    return with_intervals(records, records.picks.dropna(subset=["count"]), pods=("count", "sum"))


def with_intervals(
    records: Records, picks: pd.DataFrame, **sums: tuple[str, Any]
) -> pd.DataFrame:
    """Looks as `counted_looks` has them.  sums: what is added up over the records of a look, as
    for `DataFrame.agg`; the first says whether anything was picked."""
    looks = picks.groupby(["plant", "date"], sort=True).agg(**sums).reset_index()
    first_sum = next(iter(sums))
    looks = recorded(records.plants, looks)
    ghost = looks["lost"].notna() & (looks["date"] > looks["lost"]) & (looks[first_sum] == 0)
    looks = looks[~ghost].sort_values(["plant", "date"], kind="stable").reset_index(drop=True)
    each = _seen_plants(records.plants, looks)
    gap = each.groupby("plant")["date"].diff().dt.days.astype(float)
    known = gap.dropna()
    usual = float(known.median()) if len(known) else ONE_LOOK
    by_look = gap.groupby(each["look"])
    looks["gap"] = by_look.mean().reindex(looks.index).fillna(usual)
    looks["days"] = gap.fillna(usual).groupby(each["look"]).sum().reindex(looks.index)
    looks["first"] = by_look.count().reindex(looks.index).fillna(0).eq(0)
    looks[first_sum] = looks[first_sum].astype(float)
    return looks.drop(columns="lost").sort_values(
        ["date", "plant"], kind="stable").reset_index(drop=True)


def _seen_plants(plants: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """One row a plant seen at a look: look (its row), plant, date; in the order of dates.

    A basket's plants are those alive that day; one of a plot with none left keeps one.
    """
    baskets = basket_names(plants)
    whole = looks["plant"].isin(baskets)
    alone = pd.DataFrame({"look": looks.index[~whole], "plant": looks.loc[~whole, "plant"],
                          "date": looks.loc[~whole, "date"]})
    if not whole.any():
        return alone.reset_index(drop=True)
    there = plants.drop_duplicates("plant").dropna(subset=["variety"])[["plant", "plot", "lost"]]
    of_plots = looks.loc[whole, ["plot", "date"]].rename_axis("look").reset_index()
    each = of_plots.merge(there, on="plot")
    gone = each["lost"] < each["date"]
    last = each.groupby("look").cumcount(ascending=False) == 0
    none_left = gone.groupby(each["look"]).transform("all")
    each = each[~gone | (none_left & last)]
    both = pd.concat([alone, each[["look", "plant", "date"]]], ignore_index=True)
    return both.sort_values(["plant", "date"], kind="stable").reset_index(drop=True)


def date_pace(looks: pd.DataFrame) -> pd.Series:
    """Pods a plant-day of the whole bed at each look, by row: what an average plant gave.

    The pace of a date is total pods over total days of the plants looked at that day.
    """
    by_date = looks.groupby("date")[["pods", "days"]].sum()
    pace = by_date["pods"] / by_date["days"]
    return looks["date"].map(pace).astype(float)


def unit_index(looks: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Each unit's pods against what an average plant looked at on the same dates gave.

    Indirect standardisation (Fleiss, Levin & Paik 2003, Statistical Methods for Rates and
    Proportions, ch. 19): index = observed / sum(days x pace of the date), so that a missed pick
    drops out of both.  Half a pod is added to the observed and the expected of every unit, which
    keeps an empty unit finite.  Returns unit, variety, block, row, column, pods, expected, plants,
    log_index, and the rows and columns of a square (bed_row, bed_column) where `looks` has them.
    """
    expected = looks["days"] * date_pace(looks)
    frame = looks.assign(expected=expected)
    out = frame.assign(unit=frame[unit]).groupby("unit", sort=True).agg(
        variety=("variety", "first"), block=("block", "first"), row=("row", "mean"),
        column=("column", "mean"), pods=("pods", "sum"), expected=("expected", "sum"),
        plants=("plant", "nunique"),
        **{name: (name, "first") for name in ("bed_row", "bed_column") if name in frame},
    )
    out["log_index"] = np.log((out["pods"] + 0.5) / (out["expected"] + 0.5))
    return out.reset_index()
