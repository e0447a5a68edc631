"""What the layout lets a trait model claim: its unit, its degrees of freedom, its groupings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from trialkit.records import Records

NO_COMPARISON = "the layout does not support a comparison of varieties"


@dataclass(frozen=True)
class Support:
    """units: one row a unit that varieties were given to, with unit, variety, block.

    unit_of: unit of each plant.  df: design-based degrees of freedom between units, after
    varieties and blocks.  supported: whether varieties may be compared; why_not: plain words.
    """

    unit: str
    units: pd.DataFrame
    unit_of: pd.Series
    supported: bool
    why_not: str

    def df(self, varieties: list[str] | None = None) -> float:
        """Units less the rank of varieties and blocks, among `varieties` only if given."""
        some = self.units
        if varieties is not None:
            some = some[some["variety"].isin(varieties)]
        return design_df(some)


def support(records: Records, audit: Any) -> Support:
    """Read the audit's ruling and lay out the units it names."""
    plants = records.plants.drop_duplicates("plant")
    unit = str(getattr(audit, "unit", "plot"))
    unit_of = pd.Series(unit_names(plants, unit).to_numpy(), index=plants["plant"].to_numpy())
    block = plants["block"].astype("object").where(plants["block"].notna(), "one block")
    frame = pd.DataFrame({
        "unit": unit_of.to_numpy(), "variety": plants["variety"].astype(str).to_numpy(),
        "block": block.astype(str).to_numpy(),
    })
    units = frame.drop_duplicates("unit").reset_index(drop=True)
    supported = bool(audit.supports_comparison)
    why_not = "" if supported else _why_not(audit)
    if supported and design_df(units) < 1:
        supported, why_not = False, (
            "there are no more plots than varieties and blocks use up, so that nothing is left "
            "to judge chance differences by"
        )
    return Support(unit, units, unit_of, supported, why_not)


def unit_names(plants: pd.DataFrame, unit: str) -> pd.Series:
    """The unit each plant stands in, as text; where the plot is blank, the variety's row."""
    variety = plants["variety"].astype(str)
    if unit == "plant":
        return plants["plant"].astype(str)
    row = plants["row"].map(lambda r: "" if pd.isna(r) else f" row {r:g}")
    if unit == "row":
        return variety + row
    plot = plants["plot"].astype("object")
    return plot.where(plot.notna(), variety + row).astype(str)


def design_df(units: pd.DataFrame) -> float:
    """Units less the rank of (varieties, blocks): the error line of the analysis of variance."""
    if units.empty:
        return 0.0
    parts = [pd.get_dummies(units[name]).to_numpy(float) for name in ("variety", "block")]
    return float(len(units) - np.linalg.matrix_rank(np.hstack(parts)))


def usable_groups(
    data: pd.DataFrame, names: list[str], never: tuple[str, ...] = ()
) -> tuple[list[str], list[str]]:
    """The grouping factors that say something of their own, and notes on those left out.

    Left out: one level only, a level for every record, or the same grouping as one before.
    never: columns (fixed factors) no grouping may equal.
    """
    kept: list[str] = []
    notes: list[str] = []
    codes = {name: pd.factorize(data[name])[0] for name in [*names, *never]}
    for name in names:
        levels = int(codes[name].max()) + 1 if len(data) else 0
        if levels < 2:
            notes.append(f"{name} left out: there is only one")
        elif levels == len(data):
            notes.append(f"{name} left out: one record in each")
        elif (twin := _same(codes, name, [*kept, *never])) is not None:
            notes.append(f"{name} left out: the same grouping as {twin}")
        else:
            kept.append(name)
    return kept, notes


def _same(codes: dict[str, Any], name: str, others: list[str]) -> str | None:
    for other in others:
        pairs = len(np.unique(codes[name].astype(np.int64) * (codes[other].max() + 1)
                              + codes[other]))
        if pairs == codes[name].max() + 1 == codes[other].max() + 1:
            return other
    return None


def _why_not(audit: Any) -> str:
    given = str(getattr(audit, "why_not", "") or "")
    if given:
        return given
    serious = [f for f in audit.findings if str(f.severity) in {"stop", "blocking", "serious"}]
    some = serious or list(audit.findings)
    return str(some[0].one_line) if some else NO_COMPARISON


def behind(data: pd.DataFrame, varieties: list[str]) -> pd.DataFrame:
    """plots, plants and records behind each variety, in the order given."""
    grouped = data.groupby("variety")
    counts = pd.DataFrame({
        "plots": grouped["unit"].nunique(), "plants": grouped["plant"].nunique(),
        "records": grouped.size(),
    })
    return counts.reindex(varieties).fillna(0).astype(int).reset_index(drop=True)
