"""Plants topped: a treatment where the lot decided which, otherwise the end of their heights."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from trialkit.records import Records

TOPPED = "topped"
MOSTLY = 0.5
"""A treatment under which more than this share of plants was topped is one of topping: one plant
forgotten does not undo it (own choice)."""


@dataclass(frozen=True)
class Topping:
    """cut: day each plant was first topped, as part of its treatment.  ended: day from which a
    plant's heights are left out, because it was topped but not by lot.  levels: treatments that
    differ between plants and can be told from the varieties (empty: no treatment in the model).
    notes: what was done, in words."""

    cut: pd.Series
    ended: pd.Series
    levels: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())


def topping(records: Records) -> Topping:
    """What becomes of topped plants.

    Treatments are taken as given by lot where plants.csv has a `treatment` for every plant, it
    has two or more levels, and they are not one with the varieties.
    """
    plants = records.plants.drop_duplicates("plant").dropna(subset=["variety"])
    first = _first_topped(records, plants)
    levels, notes = _levels(plants)
    none = pd.Series(pd.NaT, index=first.index, dtype="datetime64[ns]")
    if first.isna().all():
        return Topping(none, none, levels, notes)
    cut = none
    if levels:
        by = plants.set_index("plant")["treatment"].astype(str)
        share = first.notna().groupby(by).mean()
        chosen = share[share > MOSTLY].index
        if 0 < len(chosen) < len(share):
            cut = first.where(by.isin(chosen))
    ended = first.where(cut.isna())
    return Topping(cut, ended, levels, (*notes, *_left_out(ended, plants)))


def _first_topped(records: Records, plants: pd.DataFrame) -> pd.Series:
    """Day of the first topping of each plant, by plant; an event without place is of them all."""
    events = records.events
    events = events[events["event"].astype(str).str.strip().str.lower() == TOPPED]
    first = pd.Series(pd.NaT, index=plants["plant"].to_numpy(), dtype="datetime64[ns]")
    row: Any
    for row in events.sort_values("date").itertuples(index=False):
        own = np.ones(len(plants), dtype=bool)
        if pd.notna(row.plant) and str(row.plant):
            own = (plants["plant"] == row.plant).to_numpy()
        elif pd.notna(row.plot) and str(row.plot):
            own = (plants["plot"] == row.plot).fillna(False).to_numpy(bool)
        first[own & first.isna().to_numpy()] = row.date
    return first


def _levels(plants: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    given = plants["treatment"]
    levels = tuple(sorted(given.dropna().astype(str).unique()))
    if len(levels) < 2:
        return (), ()
    if given.isna().any():
        return (), ("some plants have no treatment, so that treatments are not compared",)
    cells = pd.crosstab(plants["variety"], given.astype(str)).to_numpy() > 0
    # Connected: from any treatment one gets to any other through varieties that had both.
    step = (cells.T.astype(int) @ cells) > 0
    reached = np.linalg.matrix_power(step.astype(int), len(levels)) > 0
    if not reached.all():
        return (), ("treatments and varieties cannot be told apart: treatments are not compared",)
    return levels, ()


def _left_out(ended: pd.Series, plants: pd.DataFrame) -> tuple[str, ...]:
    """One note for every plot and day."""
    some = plants.assign(day=plants["plant"].map(ended)).dropna(subset=["day"])
    notes = []
    for day, on_day in some.groupby("day", sort=True):
        whole = plants.groupby("plot").size()
        hit = on_day.groupby("plot").size()
        plots = [str(p) for p in hit.index if hit[p] == whole[p]]
        single = on_day.loc[~on_day["plot"].isin(plots), "plant"].astype(str).tolist()
        named = ([f"plot{'s' if len(plots) > 1 else ''} {', '.join(plots)}"] if plots else [])
        named += [f"plant{'s' if len(single) > 1 else ''} {', '.join(single)}"] if single else []
        if len(on_day) == len(plants):
            named = ["every plant"]
        notes.append(f"{' and '.join(named)} topped on {pd.Timestamp(str(day)):%-d %B}, not by "
                     "lot: heights from then on are left out")
    return tuple(notes)
