"""What the layout lets a trait model claim: its unit, its degrees of freedom, its groupings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.design.experimental_units import NEARLY_ALL
from trialkit.records.check import basket_names
from trialkit.wording import listed

if TYPE_CHECKING:
    from trialkit.design.audit import Audit
    from trialkit.records import Records

ONE_BLOCK = "one block"
"""The block of every plant where no blocks are recorded."""


@dataclass(frozen=True)
class Support:
    """units: one row a unit that varieties were given to, with unit, variety, block.

    unit_of: unit of each plant, and of each plot under its basket's name.  df_all: the layout's
    degrees of freedom for all varieties, as the audit counts them.  supported: whether varieties
    may be compared; why_not: plain words.
    by: the groupings the layout took out by design, columns of `units`: blocks, replicates and the
    blocks within, or rows and columns ("bed_row", "bed_column"), in replicates or not.
    numbers: those a plot that trial.toml says to adjust for, a row a unit, a column each; lacking:
    those of them that plants.csv has no column for.
    """

    unit: str
    units: pd.DataFrame
    unit_of: pd.Series
    df_all: float
    supported: bool
    why_not: str
    by: tuple[str, ...] = ("block",)
    numbers: pd.DataFrame = field(default_factory=pd.DataFrame)
    lacking: tuple[str, ...] = ()

    def df(self, varieties: list[str] | None = None) -> float:
        """Degrees of freedom between units, among `varieties` only if given."""
        if varieties is None:
            return self.df_all
        some = self.units[self.units["variety"].isin(varieties)]
        return min(self.df_all, design_df(some, self.by))

    def located(self, data: pd.DataFrame) -> pd.DataFrame:
        """`data` (a row a record, with `plant`) with `unit`, and every column of `by` as text."""
        unit = data["plant"].map(self.unit_of)
        about = self.units.drop_duplicates("unit").set_index("unit")
        block = data["block"].astype("object") if "block" in data else unit.map(about["block"])
        places = {name: unit.map(about[name]).fillna("not known").astype(str)
                  for name in self.by if name != "block"}
        return data.assign(unit=unit, block=block.where(block.notna(), ONE_BLOCK).astype(str),
                           **places)


def support(records: Records, audit: Audit) -> Support:
    """What the audit rules, in the form the trait models need."""
    block = audit.units["block"].astype("object")
    units = pd.DataFrame({
        "unit": audit.units["unit"].astype(str), "variety": audit.units["variety"].astype(str),
        "block": block.where(block.notna(), ONE_BLOCK).astype(str),
        **{name: audit.units[name].astype(str) for name in audit.by if name != "block"},
    })
    plants = records.plants.drop_duplicates("plant")
    unit_of = audit.unit_of.reindex(plants["plant"].to_numpy()).astype("object")
    baskets = basket_names(records.plants)
    of_plots = unit_of.groupby(plants["plot"].to_numpy()).first()
    unit_of = pd.concat([unit_of, pd.Series(
        {name: of_plots.get(plot) for name, plot in baskets.items()}, dtype="object")])
    unit_of = unit_of.where(unit_of.notna(), "unit not known").astype(str)
    wanted = records.trial.covariates
    names = [name for name in wanted if name in plants]
    numbers = plants[names].astype(float).groupby(plants["plant"].map(unit_of)).mean()
    return Support(audit.unit, units, unit_of, float(audit.strata_df), audit.supports_comparison,
                   audit.why_not, audit.by or ("block",), numbers,
                   tuple(name for name in wanted if name not in plants))


def design_df(units: pd.DataFrame, by: tuple[str, ...] = ("block",)) -> float:
    """Units less the rank of (varieties, blocks): the error line of the analysis of variance.

    by: what is taken out first; ("bed_row", "bed_column") for a square.
    """
    if units.empty:
        return 0.0
    parts = [pd.get_dummies(units[name]).to_numpy(float) for name in ("variety", *by)]
    return float(len(units) - np.linalg.matrix_rank(np.hstack(parts)))


def complete(units: pd.DataFrame, names: tuple[str, ...]) -> tuple[str, ...]:
    """The groupings of two levels or more in every level of which every variety stands, but for a
    plot of many that is missing.

    They are fixed in a model: a variance between them that comes out at zero would otherwise
    count their differences as chance, or chance as theirs, and with few of them it often does.
    """
    varieties = units["variety"].nunique()
    whole = [
        name for name in names
        if units[name].nunique() > 1
        and bool((units.groupby(name)["variety"].nunique() >= NEARLY_ALL * varieties).all())]
    # One that others lie within says nothing beside them.
    return tuple(name for name in whole if not any(
        bool((units.groupby(other)[name].nunique() == 1).all())
        and units[other].nunique() > units[name].nunique() for other in whole))


def usable_groups(
    data: pd.DataFrame, names: list[str], never: tuple[str, ...] = ()
) -> tuple[list[str], list[str]]:
    """The grouping factors that say something of their own, and notes on those left out.

    Left out: one level only, a level for every record, or the same grouping as one before.
    never: columns (fixed factors) no grouping may equal.
    """
    groups: list[str] = []
    notes: list[str] = []
    codes = {name: pd.factorize(data[name])[0] for name in [*names, *never]}
    for name in names:
        levels = int(codes[name].max()) + 1 if len(data) else 0
        if levels < 2:
            notes.append(f"{name} left out: there is only one")
        elif levels == len(data):
            notes.append(f"{name} left out: one record in each")
        elif (twin := _same(codes, name, [*groups, *never])) is not None:
            notes.append(f"{name} left out: the same grouping as {twin}")
        else:
            groups.append(name)
    return groups, notes


def _same(codes: dict[str, Any], name: str, others: list[str]) -> str | None:
    for other in others:
        pairs = len(np.unique(codes[name].astype(np.int64) * (codes[other].max() + 1)
                              + codes[other]))
        if pairs == codes[name].max() + 1 == codes[other].max() + 1:
            return other
    return None


COVARIATE = "covariate_"


def with_covariates(
    ground: Support, data: pd.DataFrame, fixed: tuple[str, ...]
) -> tuple[pd.DataFrame, dict[str, str], list[str]]:
    """`data` (a row a record, with unit, variety and `fixed`) with a column for each number a plot
    that trial.toml says to adjust for; column -> its name; notes on those left out.

    Left out is what cannot be told from varieties and blocks: adjusting for it would take away what
    is compared.  The slope is one for all varieties (Cochran 1957, Biometrics 13:261).
    """
    if ground.numbers.empty and not ground.lacking:
        return data, {}, []
    notes = [f"not adjusted for {name}: it was not kept when records were gathered"
             for name in ground.lacking]
    out, used = data, {}
    units = data.drop_duplicates("unit")
    base = np.hstack([pd.get_dummies(units[name]).to_numpy(float) for name in ("variety", *fixed)])
    for place, name in enumerate(ground.numbers.columns):
        of = ground.numbers[name]
        values = units["unit"].map(of).to_numpy(float)
        wider = np.column_stack([base, (values - values.mean()) / (values.std() or 1.0)])
        alone = np.linalg.matrix_rank(base)
        if np.isnan(values).any() or np.linalg.matrix_rank(wider, tol=1e-6) <= alone:
            notes.append(f"not adjusted for {name}: it does not differ between plots of one "
                         "variety in a block, so that it cannot be told from them")
            continue
        base, column = wider, f"{COVARIATE}{place}"
        used[column] = str(name)
        out = out.assign(**{column: out["unit"].map(of).astype(float)})
    return out, used, notes


def adjusted_for(used: dict[str, str]) -> str:
    """` Adjusted for soil test, plot by plot.`; empty where nothing is adjusted for."""
    return (f" Adjusted for {listed(list(used.values()))}, plot by plot (analysis of covariance): "
            "right only where the varieties did not bring it about." if used else "")


def behind(data: pd.DataFrame, varieties: list[str]) -> pd.DataFrame:
    """plots, plants and records behind each variety, in the order given."""
    grouped = data.groupby("variety")
    most = data.groupby(["variety", "plant"])["plants"].max() if "plants" in data else None
    counts = pd.DataFrame({
        "plots": grouped["unit"].nunique(),
        "plants": grouped["plant"].nunique() if most is None else most.groupby("variety").sum(),
        "records": grouped.size(),
    })
    return counts.reindex(varieties).fillna(0).astype(int).reset_index(drop=True)
