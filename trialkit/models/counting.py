"""From looks at plants to counts with the days each took to grow.

The pods on a plant at a pick came since that plant was last looked at.  A blank is not a look:
the next pick of that plant holds more days.  A zero is a look, and sets the clock back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from trialkit.records import Records

ONE_LOOK = 7.0
"""Days taken for the only look of a trial, where no interval is known."""


def counted_looks(records: Records) -> pd.DataFrame:
    """One row a look at a plant: date, plant, variety, block, plot, row, column, treatment,
    pods (float), days since the plant's own last look, first (bool: no look before).

    Two records of one plant on one date are one look and are added together.  A record after a
    plant was lost is left out unless pods were picked from it (it is listed among the doubts).
    A plant's first look has no known interval and gets the trial's median one: every plant's
    first look is on much the same date, so that the date's own effect takes up what is wrong
    with it.
    """
    picks = records.picks[["date", "plant", "count"]].dropna(subset=["count"])
    if picks.empty:
        return _described(records, picks.assign(pods=0.0, days=ONE_LOOK, first=False))
    looks = picks.groupby(["plant", "date"], sort=True)["count"].sum().rename("pods").reset_index()
    lost = looks["plant"].map(records.plants.set_index("plant")["lost"])
    ghost = lost.notna() & (looks["date"] > lost) & (looks["pods"] == 0)
    looks = looks[~ghost].reset_index(drop=True)
    gap = looks.groupby("plant")["date"].diff().dt.days.astype(float)
    known = gap.dropna()
    usual = float(known.median()) if len(known) else ONE_LOOK
    return _described(records, looks.assign(days=gap.fillna(usual), first=gap.isna()))


def _described(records: Records, looks: pd.DataFrame) -> pd.DataFrame:
    about = records.plants[
        ["plant", "variety", "block", "plot", "row", "column", "treatment"]
    ].drop_duplicates("plant")
    out = looks.merge(about, on="plant", how="inner")
    out["pods"] = out["pods"].astype(float)
    return out.sort_values(["date", "plant"], kind="stable").reset_index(drop=True)


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
