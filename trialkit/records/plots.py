"""Plots and blocks: told apart, listed in one line, picked into one basket.

A basket is a record of a whole plot: the plot stands in place of the plant.  In the log, on the
phone and in `Records` it goes under the name "plot 1A" where a plant would stand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.reading.spelling import did_you_mean, folded
from trialkit.records.findings import LISTED, Findings, Located
from trialkit.records.schema import Table

BASKET = "plot "
"""Before a plot's label: the name a record of the whole plot goes under."""
MOST_PLANTS = 100_000
NEITHER = "plant or plot"
ONE_OF = "a plant or a plot, one of them"


def in_replicates(
    replicate: pd.Series, block: pd.Series, variety: pd.Series, plot: pd.Series
) -> tuple[pd.Series, pd.Series, str]:
    """Replicate and block of each plant, a block being ground within one replicate; and why
    replicates are left out, "" where they are not.

    Alone, or the same grouping as the blocks, replicates are the blocks themselves.  Blocks whose
    labels start again in each replicate are told apart, "2/1" for block 1 of replicate 2.  Where
    complete replicates lie within blocks the two change places.  Left out are replicates that
    number the plants of a plot, lie within complete blocks, or cross the blocks plot by plot.
    """
    none = pd.Series(pd.NA, index=block.index, dtype=block.dtype)
    filled = block.where(block.notna(), replicate)
    known = pd.DataFrame({"replicate": replicate, "block": block, "variety": variety, "plot": plot})
    both = known.dropna(subset=["replicate", "block"])
    if both.empty:
        return none, filled, ""
    blocks = both.groupby("replicate")["block"].nunique()
    replicates = both.groupby("block")["replicate"].nunique()
    every = known["variety"].nunique()
    if (blocks == 1).all() and (replicates == 1).all():
        return none, filled, ""
    if (blocks == 1).all():
        whole = (both.groupby("replicate")["variety"].nunique() == every).all()
        return (block, replicate, "") if whole else (none, block, "they are parts of a block")
    if (replicates == 1).all():
        return replicate, filled, ""
    plots = both.dropna(subset=["plot"]).groupby(["block", "plot"])
    several = plots["replicate"].nunique() > 1
    if len(several) and several.mean() > 0.5 and (plots["variety"].nunique() == 1).all():
        return none, block, "they number the plants of a plot"
    cells = both.groupby(["replicate", "block"])["variety"].nunique()
    if (cells == every).all():
        return none, block, "every block has all varieties in each of them"
    if (cells == 1).all():
        return none, filled, "they cross the blocks plot by plot"
    return replicate, filled.where(replicate.isna() | block.isna(), replicate + "/" + block), ""


def blocks_apart(plants: Located, findings: Findings) -> Located:
    """Plants with every block within one replicate (see `in_replicates`); a doubt where
    replicates are left out."""
    frame = plants.frame
    known = np.flatnonzero(frame["replicate"].notna().to_numpy())
    if not len(known):
        return plants
    replicate, block, why = in_replicates(
        frame["replicate"], frame["block"], frame["variety"], frame["plot"])
    if why:
        findings.doubts_at(plants, known[:1], "replicate", [frame["replicate"].iloc[known[0]]],
                           f"replicates are not used: {why}")
    return plants.having(replicate=replicate, block=block)


@dataclass(frozen=True)
class PlotNames:
    """How labels of plots are read.  several : plots that one label could mean.  alone : labels
    that mean one plot, and its full name."""

    several: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    alone: Mapping[str, str] = field(default_factory=dict)

    def full(self, rows: Located, findings: Findings) -> Located:
        """The rows with their plots' full names; an error for a label of several plots."""
        named = rows.frame["plot"]
        unclear = np.flatnonzero(named.isin(list(self.several)).to_numpy())
        values = [str(v) for v in named.iloc[unclear[: LISTED + 1]]]
        findings.errors_at(
            rows, unclear, "plot", values,
            [f"It could be {' or '.join(self.several[v])}." for v in values],
            "block and plot, such as " + next((f[0] for f in self.several.values()), ""),
        )
        return rows.having(plot=named.replace(dict(self.alone)).mask(named.isin(self.several)))


def tell_plots_apart(plants: Located, findings: Findings) -> tuple[Located, PlotNames]:
    """Plants with every plot under a label of its own, and how other tables' labels are read.

    Plot 1 of block A and plot 1 of block B are two plots.  Where any label stands in several
    blocks, all plots with a block are read as "A/1", "B/1"; another table may name either form, but
    an error is noted for a label that could be several plots.
    """
    plot, block = plants.frame["plot"], plants.frame["block"]
    both = plot.notna() & block.notna()
    blocks = block[both].groupby(plot[both]).unique()
    several = blocks[blocks.map(len) > 1]
    if not len(several):
        return plants, PlotNames()
    first = int(np.flatnonzero((plot == several.index[0]).to_numpy())[0])
    label = str(several.index[0])
    findings.doubts_at(
        plants, np.array([first]), "plot", [label], "a plot of several blocks: taken as a plot in "
        f"each, {' and '.join(f'{b}/{label}' for b in several.iloc[0][:2])}",
    )
    renamed = plants.having(plot=plot.where(~both, block + "/" + plot))
    return renamed, PlotNames(
        {str(p): tuple(f"{b}/{p}" for b in several[p]) for p in several.index},
        {str(p): f"{b[0]}/{p}" for p, b in blocks.items() if len(b) == 1},
    )


def one_line_a_plot(rows: Located, findings: Findings) -> Located:
    """The list of plants with a line that stands for several plants made as many.

    A line with plants = 6 is a plot of six, named as the line's plant or plot is; its plants are
    "1A.1" to "1A.6".  A line that names a plot and no plant is a plot too.
    """
    frame = rows.frame
    many = frame["plants"].to_numpy(dtype=float)
    named = frame["plant"].notna().to_numpy()
    plot = frame["plot"].notna().to_numpy()
    _blank(rows, ~named & ~plot, "plant", ONE_OF, findings)
    for wrong, problem in (
        (many < 1, "A line stands for one plant at least."),
        (many > MOST_PLANTS, "So many plants cannot stand in one plot."),
    ):
        at = np.flatnonzero(wrong)
        findings.errors_at(rows, at, "plants", [float(v) for v in many[at[:LISTED]]], problem,
                           f"a whole number from 1 to {MOST_PLANTS:,}")
    whole = (many > 1) & (many <= MOST_PLANTS)
    if not (whole | (~named & plot)).any():
        return rows
    name = frame["plant"].where(named, frame["plot"])
    times = np.where(whole, np.nan_to_num(many, nan=1.0), 1.0).astype(int)
    at = np.repeat(np.arange(len(frame)), times)
    number = pd.Series(np.arange(len(at)) - np.repeat(np.cumsum(times) - times, times) + 1)
    out = Located(frame.iloc[at].reset_index(drop=True), rows.lines[at], rows.file)
    of = name.iloc[at].reset_index(drop=True)
    several = pd.Series(whole[at])
    return out.having(
        plant=of.where(~several, of + "." + number.astype(str)),
        plot=out.frame["plot"].where(out.frame["plot"].notna() | ~several, of),
    )


def _blank(
    rows: Located, wrong: np.ndarray, column: str, accepted: str, findings: Findings
) -> None:
    at = np.flatnonzero(wrong)
    if any(error.file == rows.file and error.column == NEITHER for error in findings.errors):
        return  # there is no such column, which has been told
    findings.errors_at(rows, at, column, [""] * min(len(at), LISTED), "It is blank.", accepted)


def basket_names(plants: pd.DataFrame) -> dict[str, str]:
    """The name a record of each plot goes under, and the plot; a plant of that name comes first."""
    taken = set(plants["plant"])
    labels = [str(label) for label in plants["plot"].unique() if not pd.isna(label)]
    return {f"{BASKET}{label}": label for label in labels if f"{BASKET}{label}" not in taken}


def with_baskets(
    plants: Located, names: PlotNames, rows: Located, findings: Findings
) -> Located:
    """Rows of a table with "plot 1A" under plant where a plot stands in place of a plant.

    Errors for rows with neither, with a plot that is not there, with a plant of another plot.  A
    plot's bare label under plant is read as the plot, where no plant has that name.
    """
    frame = rows.frame
    if "plot" not in frame or not len(frame):
        return rows
    _blank(rows, frame[["plant", "plot"]].isna().all(axis=1).to_numpy(), "plant", ONE_OF, findings)
    rows, wrong = as_plots(plants, names, rows, findings)
    frame = rows.frame
    named, plotted = frame["plant"].notna().to_numpy(), frame["plot"].notna().to_numpy()
    keys = {folded(str(p)): q for p, q in zip(plants.frame["plant"], plants.frame["plot"],
                                              strict=True) if not pd.isna(p)}
    if (named & plotted).any():
        own = frame["plant"].map(lambda p: keys.get(folded(str(p))), na_action="ignore")
        other = named & plotted & own.notna().to_numpy() & (own != frame["plot"]).to_numpy()
        at = np.flatnonzero(other & ~wrong)
        findings.errors_at(
            rows, at, "plot", [str(v) for v in frame["plot"].iloc[at[:LISTED]]],
            [f"The plant {p} stands in {o}." for p, o in zip(
                frame["plant"].iloc[at[:LISTED]], own.iloc[at[:LISTED]], strict=True)],
            "the plant's own plot, or the plot alone",
        )
    alone = plotted & ~named & ~wrong
    label = frame["plot"].where(pd.Series(alone))
    return rows.having(plant=frame["plant"].where(~pd.Series(alone), BASKET + label), plot=label)


def as_plots(
    plants: Located, names: PlotNames, rows: Located, findings: Findings
) -> tuple[Located, npt.NDArray[np.bool_]]:
    """The rows with plots as plants.csv has them, and which name none: those are errors.

    A label is known whatever its case and spaces, with or without the word plot before it.
    """
    known = [str(label) for label in plants.frame["plot"].dropna().unique()]
    exact = {*known, *names.several, *names.alone}
    spelled: dict[str, str | None] = {}
    for label in exact:
        for key in (folded(label), folded(BASKET + label)):
            spelled[key] = None if spelled.get(key, label) != label else label
    plots = rows.frame["plot"]
    for label in plots.dropna().unique():
        meant = None if label in exact else spelled.get(folded(str(label)))
        if meant is not None:
            at = np.flatnonzero((plots == label).to_numpy(dtype=bool, na_value=False))[:1]
            findings.doubts_at(rows, at, "plot", [str(label)], f"read as '{meant}'")
            rows = rows.having(plot=rows.frame["plot"].replace({label: meant}))
    rows = names.full(rows, findings)
    plots = rows.frame["plot"]
    wrong = (plots.notna() & ~plots.isin(known)).to_numpy()
    at = np.flatnonzero(wrong)
    values = [str(v) for v in plots.iloc[at[:LISTED + 1]]]
    findings.errors_at(rows, at, "plot", values, [
        f"No plant in {plants.file} stands in it.{did_you_mean(v, known) if i < HINTED else ''}"
        for i, v in enumerate(values)], f"a plot of {plants.file}")
    return rows, wrong


def called_plots(plants: pd.DataFrame, names: pd.Series) -> dict[str, str]:
    """Of names that are no plants, those that are plots' labels: the basket each means."""
    exact = set(plants["plant"])
    # Most tables name plants alone, as they are listed, and are done here.
    others = [name for name in names.unique() if name not in exact and not pd.isna(name)]
    if not others:
        return {}
    listed = {folded(str(p)) for p in exact if not pd.isna(p)}
    named = basket_names(plants)
    baskets = {folded(label): name for name, label in named.items()}
    spelled = {folded(name): name for name in named}
    out = {}
    for name in others:
        key = folded(str(name))
        if key not in listed and (key in baskets or key in spelled):
            out[str(name)] = spelled.get(key) or baskets[key]
    return out


def judge_baskets(
    plants: Located, table: Table, rows: Located, findings: Findings
) -> Located:
    """Rows with the plot of each basket under plot; errors for baskets that cannot be.

    A basket of a plot with several varieties tells of none of them; one of a day on which a plant
    of the plot has a record of its own would count that plant twice.
    """
    if "plot" not in rows.frame or not len(rows.frame):
        return rows
    baskets = basket_names(plants.frame)
    plot = rows.frame["plant"].map(baskets)
    rows = rows.having(plot=plot.astype("str").where(plot.notna(), None))
    is_basket = plot.notna().to_numpy()
    if not is_basket.any():
        return rows
    mixed = plants.frame.groupby("plot")["variety"].nunique()
    at = np.flatnonzero(is_basket & (plot.map(mixed) > 1).to_numpy())
    findings.errors_at(rows, at, "plot", [str(v) for v in plot.iloc[at[:LISTED]]],
                       "Plants of several varieties stand in it.",
                       "a plot of one variety, or the plants one by one")
    if "grade" in rows.frame:
        return rows
    stands = plants.frame.drop_duplicates("plant").set_index("plant")["plot"]
    for column in table.measured:
        there = rows.frame[column.field].notna().to_numpy()
        alone = ~is_basket & there
        single = pd.MultiIndex.from_arrays([
            rows.frame["date"][alone], rows.frame["plant"][alone].map(stands)])
        whole = pd.MultiIndex.from_arrays([
            rows.frame["date"], plot.where(pd.Series(is_basket), "")])
        at = np.flatnonzero(is_basket & there & whole.isin(single))
        findings.errors_at(
            rows, at, "plot", [str(v) for v in plot.iloc[at[:LISTED]]],
            f"A plant of it has a {column.name} of its own that day.",
            "of a day either the plot or its plants")
    return rows


def recorded(records_plants: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of picks, heights or harvest with what stood there: variety, block, plot, row, column,
    treatment (of a basket those of its plot, row and column the middle), lost, and plants, how many
    were alive that day: 1 for a plant, NaN where a basket's day is not known and some were lost.

    Rows of plants that are not listed, or of no variety, are left out.
    """
    plants = records_plants.drop_duplicates("plant").dropna(subset=["variety"])
    about = plants[["plant", "variety", "block", "plot", "row", "column", "treatment", "lost"]]
    named = set(rows["plant"])
    baskets = {name: label for name, label in basket_names(plants).items() if name in named}
    if baskets:
        about = pd.concat([about, basket_plots(plants, baskets)], ignore_index=True)
    out = rows.drop(columns=[c for c in ("plot", "block") if c in rows]).merge(
        about, on="plant", how="inner")
    out["plants"] = 1.0
    whole = out["plant"].isin(baskets)
    if whole.any():
        out.loc[whole, "plants"] = alive(plants, out.loc[whole, "plot"], out.loc[whole, "date"])
    return out


def basket_plots(plants: pd.DataFrame, baskets: Mapping[str, str]) -> pd.DataFrame:
    """One row a basket: plant (its name), variety, block, plot, row, column, treatment, lost (the
    day the last of its plants was, NaT while one stands)."""
    inside = plants[plants["plot"].isin(baskets.values())]
    by = inside.groupby("plot", sort=False)
    treatments = by["treatment"].nunique(dropna=False)
    out = by.agg(variety=("variety", "first"), block=("block", "first"), row=("row", "mean"),
                 column=("column", "mean"), treatment=("treatment", "first"), lost=("lost", "max"))
    out["lost"] = out["lost"].where(by["lost"].count() == by.size())
    out["treatment"] = out["treatment"].where(treatments == 1)
    out = out.reset_index()
    names = {label: name for name, label in baskets.items()}
    return out.assign(plant=out["plot"].map(names))


def alive(plants: pd.DataFrame, plots: pd.Series, days: pd.Series) -> np.ndarray:
    """How many plants of each plot were alive on each day, (n,), those lost that day among them.

    At least 1, since a basket that holds something came from a plant.
    """
    out = np.ones(len(plots))
    lost = {label: rows["lost"].to_numpy() for label, rows in plants.groupby("plot")}
    for i, (label, day) in enumerate(zip(plots, days, strict=True)):
        gone = lost[label]
        stood = len(gone) if pd.isna(day) else int((~(gone < np.datetime64(day))).sum())
        out[i] = max(stood, 1)
    return out
# Of so many names not known the nearest known one is looked for.
HINTED = 20
NO_PLOTS = PlotNames()
