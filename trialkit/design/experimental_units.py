"""The experimental unit, and the degrees of freedom it leaves.

Varieties are compared against the differences between units that got their variety
independently of each other. Plants that stand together are one unit however many there are, and
plots of one variety side by side, with none of another between, are one plot under several names
(pseudo-replication: Hurlbert 1984, Ecological Monographs 54:187-211). So is a row that holds one
variety right through, cut across in pieces.

Degrees of freedom are the lines of the analysis of variance, without any data: every line is a
difference of ranks of indicator columns, so that any layout is covered; for the standard ones
this gives the textbook tables (Cochran & Cox 1957, Experimental Designs, 2nd ed.; Gomez & Gomez
1984, Statistical Procedures for Agricultural Research, 2nd ed.).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from trialkit.records.plots import in_replicates

DRAWS = 1999
CHANCE, RARE = 0.05, 0.005
"""Where lots would not have left plots so in this share of beds, it was not lots. Where lots are
declared and only some varieties keep to a row, it takes RARE: of honest beds of 5 and 6 varieties
in 4 blocks 3.9 and 2.7 % have a variety in one column right through, and claims are false no more
often over all such beds (4.1 to 5.5 % on even and on sloping ground, 3 to 6 varieties, 3 to 5
blocks; in the very beds 3.7 to 4.9 % on even ground, 7 to 14 where one end of the row gives 30 %
more than the other, so that the place is told with the answer). Own choice."""

NEARLY_ALL = 0.9
"""Share of the varieties from which a block or replicate counts as complete. Own choice: one plot
of ten or more may be missing."""


@dataclass(frozen=True)
class UnitCodes:
    """Units as numbers from 0, in the order they are first met.

    of: (n,), the unit of each plant.  first: of each unit the row of `plants` it is first met in.
    variety, block, treated_as: (u,), what each unit has, as numbers too.  names: (u,), its variety.
    """

    of: np.ndarray
    first: pd.DataFrame

    @classmethod
    def of_plants(cls, plants: pd.DataFrame, owner: pd.Series) -> UnitCodes:
        """owner: the unit of each plant, in the order of `plants`."""
        codes, names = pd.factorize(owner)
        met = np.unique(codes, return_index=True)[1]
        return cls(codes, plants.iloc[met].assign(unit=np.asarray(names)))

    @property
    def names(self) -> np.ndarray:
        """Variety of each unit, (units,)."""
        return self.first["variety"].to_numpy()

    @property
    def variety(self) -> np.ndarray:
        """Code of the variety of each unit, (units,)."""
        return pd.factorize(self.first["variety"])[0]

    @property
    def block(self) -> np.ndarray:
        """Code of the block of each unit, (units,); -1 for none."""
        return pd.factorize(self.first["block"])[0]

    @property
    def treated_as(self) -> np.ndarray:
        """Code of the treatment of each unit, (units,); -1 for none."""
        return pd.factorize(self.first["treated_as"])[0]


def along_rows(plants: pd.DataFrame) -> np.ndarray:
    """(n, n): the next plant along the same row."""
    touching = np.zeros((len(plants), len(plants)), dtype=bool)
    for _, part in plants.groupby("row"):
        order = part.sort_values("column").index.to_numpy()
        touching[order[:-1], order[1:]] = True
    return touching | touching.T


def across_rows(plants: pd.DataFrame) -> np.ndarray:
    """(n, n): the nearest plant in the next row, at the same column."""
    touching = np.zeros((len(plants), len(plants)), dtype=bool)
    rows = np.sort(plants["row"].unique())
    for here, following in zip(rows, rows[1:], strict=False):
        a = plants.index[plants["row"] == here].to_numpy()
        b = plants.index[plants["row"] == following].to_numpy()
        same = plants["column"].to_numpy()[a][:, None] == plants["column"].to_numpy()[b][None, :]
        i, j = np.nonzero(same)
        touching[a[i], b[j]] = True
    return touching | touching.T


def units_touching(plants: pd.DataFrame, units: UnitCodes, placed: bool) -> np.ndarray:
    """(u, u): units with a plant next to one of the other's; by rows alone without columns."""
    codes, size = units.of, len(units.first)
    touching = np.zeros((size, size), dtype=bool)
    if placed:
        i, j = np.nonzero(along_rows(plants) | across_rows(plants))
        touching[codes[i], codes[j]] = True
    elif plants["row"].notna().all():
        rows = np.sort(plants["row"].unique())
        in_row = [np.unique(codes[plants["row"] == row]) for row in rows]
        for here, following in zip(in_row, in_row[1:], strict=False):
            if len(here) == len(following) == 1:  # whole rows; parts of a row: order unknown
                touching[here[0], following[0]] = touching[following[0], here[0]] = True
        for here in in_row:
            if len(set(units.names[here])) == 1:
                touching[np.ix_(here, here)] = True
    np.fill_diagonal(touching, False)
    return touching


def touching_across_blocks(
    plants: pd.DataFrame, owner: pd.Series
) -> tuple[dict[str, int], float]:
    """Pairs of units of one variety that touch across the edge of two blocks, by variety, and the
    chance that lots drawn in each block would leave as many.

    plants: with places, see `find_units`. owner: the unit of each. None where rows start again in
    each block: then nobody knows which blocks lie beside which.
    """
    again = not plants["row"].equals(plants["row_told"])
    if again or plants["block"].nunique() == 1:
        return {}, 1.0
    units = UnitCodes.of_plants(plants, owner)
    variety = pd.factorize(units.first["variety"] + "|" + units.first["treated_as"])[0]
    block = units.block
    edges = units_touching(plants, units, True) & (block[:, None] != block)
    first, _ = np.nonzero(np.triu(edges & (variety[:, None] == variety)))
    if not len(first):
        return {}, 1.0
    counts = units.first["variety"].iloc[first].value_counts()
    pieces = {str(name): int(n) for name, n in counts.items()}
    return pieces, chance_of_touching(edges, variety, block)


def _in_patches(plants: pd.DataFrame, owner: pd.Series) -> bool:
    """Whether each variety has two units or more, and they touch one another in one patch."""
    units = UnitCodes.of_plants(plants, owner)
    variety = units.variety
    like = units_touching(plants, units, True) & (variety[:, None] == variety)
    patches, _ = connected_components(coo_matrix(like), directed=False)
    each = np.bincount(variety)
    return bool(len(each) > 1 and each.min() > 1 and patches == len(each))


def chance_of_touching(
    touching: np.ndarray, variety: np.ndarray, block: np.ndarray, seed: int = 1
) -> float:
    """Chance that lots would leave at least as many like neighbours as there are.

    Join counts of like pairs (Cliff & Ord 1973, Spatial Autocorrelation) under permutation of
    varieties within blocks. touching: (n, n) of neighbours; variety, block: codes, shape (n,).
    """
    first, second = np.nonzero(np.triu(touching, 1))
    return _chance_by_lots(
        lambda lots: int(np.sum(lots[first] == lots[second])), variety, block, seed)


def _chance_by_lots(
    count: Callable[[np.ndarray], int], variety: np.ndarray, block: np.ndarray, seed: int
) -> float:
    """Chance that lots drawn within each block give at least the count there is.

    The Monte Carlo permutation test of DRAWS draws, the bed as it is counted among them. count:
    of an arrangement; variety, block: codes, shape (n,).
    """
    seen = count(variety)
    rng = np.random.default_rng(seed)
    parts = [np.flatnonzero(block == code) for code in np.unique(block)]
    at_least = 0
    for _ in range(DRAWS):
        lots = variety.copy()
        for part in parts:
            lots[part] = variety[rng.permutation(part)]
        at_least += count(lots) >= seen
    return (at_least + 1) / (DRAWS + 1)


@dataclass(frozen=True)
class Strips:
    """Varieties that keep to rows (or columns) that hold no other variety, cut across in pieces.

    along: "row" or "column". single: varieties that stand in one such row only, so that row and
    variety cannot be separated. every: whether that is every variety. wide: varieties in two such
    rows or more, each row of them one plot. shared: varieties that share one row with each other
    and with none else. by_lot: whether lots are declared and could well have left it so.
    owner: the unit of each plant, the pieces of a row made one unless it is by lot.
    """

    along: Literal["row", "column"]
    single: tuple[str, ...]
    every: bool
    wide: tuple[str, ...]
    shared: tuple[tuple[str, ...], ...]
    by_lot: bool
    owner: pd.Series


def strips(plants: pd.DataFrame, owner: pd.Series, by_lot_declared: bool) -> Strips | None:
    """The rows or columns that varieties keep to right through, whatever is called a block.

    plants: as `find_units` has them. owner: unit of each plant. by_lot_declared: as it has it. A
    row is as wide as its plots: plots two rows deep make a band of two rows. None where there is
    one band only, where each band is one plot, or where varieties share their bands.
    """
    units = UnitCodes.of_plants(plants, owner)
    codes, variety, block = units.of, units.variety, units.block
    names = list(dict.fromkeys(units.names))
    again = not plants["row"].equals(plants["row_told"])
    sides: tuple[tuple[Literal["row", "column"], str], ...] = (
        ("row", "row_told"), ("column", "column"),
    )  # fmt: skip
    for along, column in sides:
        if plants[column].isna().any() or plants[column].nunique() < 2:
            continue
        band = _bands(plants[column].to_numpy(float), codes)
        bands = _own_bands(variety, band)
        every = bool(bands.single.all())
        if not bands.count or (again and not every):
            continue
        chance = _chance_of_strips(variety, band, block)
        likely = chance > CHANCE
        by_lot = by_lot_declared and (chance > RARE and not every or likely and again)
        wide = np.zeros_like(bands.wide) if likely else bands.wide
        if not (bands.single.any() or wide.any() or (bands.shared and not likely)):
            continue
        inside = ((bands.single & (not by_lot)) | wide)[variety][codes]
        label = plants["variety"] + f" {along} " + pd.Series(band[codes] + 1).astype(str)
        return Strips(
            along,
            tuple(str(name) for name, is_one in zip(names, bands.single, strict=True) if is_one),
            every,
            tuple(str(name) for name, is_one in zip(names, wide, strict=True) if is_one),
            tuple(tuple(str(names[v]) for v in sorted(group)) for group in bands.shared
                  if not likely),
            by_lot,
            owner.where(~inside, label.to_numpy()),
        )  # fmt: skip
    return None


def _bands(line: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """(u,): the band of each unit, rows (or columns) that share a unit being one."""
    lines = pd.factorize(line, sort=True)[0]
    shape = (int(codes.max()) + 1, int(lines.max()) + 1)
    held = coo_matrix((np.ones(len(codes)), (codes, lines)), shape=shape)
    part = connected_components(held.T @ held, directed=False)[1]
    return np.asarray(part[lines[np.unique(codes, return_index=True)[1]]])


@dataclass(frozen=True)
class _OwnBands:
    """single, wide: (v,), as in `Strips`. shared: groups of variety codes. count: of them all."""

    single: np.ndarray
    wide: np.ndarray
    shared: list[frozenset[int]]

    @property
    def count(self) -> int:
        return int(self.single.sum() + self.wide.sum()) + sum(len(group) for group in self.shared)


def _own_bands(variety: np.ndarray, band: np.ndarray) -> _OwnBands:
    """Which varieties have bands of their own, in more pieces than bands.

    variety, band: codes of each unit, shape (u,).
    """
    held = np.zeros((int(variety.max()) + 1, int(band.max()) + 1), dtype=int)
    np.add.at(held, (variety, band), 1)
    there = held > 0
    if held.shape[1] < 2:
        nothing = np.zeros(len(held), dtype=bool)
        return _OwnBands(nothing, nothing, [])
    crowd = there.sum(axis=0)
    bands = there.sum(axis=1)
    own = (there & (crowd > 1)).sum(axis=1) == 0
    own &= held.sum(axis=1) > bands
    shared = []
    for busy in np.flatnonzero(crowd > 1):
        group = there[:, busy]
        if (bands[group] == 1).all() and (held[group, busy] > 1).all():
            shared.append(frozenset(np.flatnonzero(group).tolist()))
    return _OwnBands(own & (bands == 1), own & (bands > 1), shared)


def _chance_of_strips(
    variety: np.ndarray, band: np.ndarray, block: np.ndarray, seed: int = 1
) -> float:
    """Chance that lots drawn in each block leave as many varieties to bands of their own."""
    return _chance_by_lots(lambda lots: _own_bands(lots, band).count, variety, block, seed)


Unit = Literal["plot", "row", "plant"]
Basis = Literal["plots", "plants", "runs", "blocks", "rows", "unknown"]

ONE_BLOCK = "whole bed"


@dataclass(frozen=True)
class Units:
    """The units found, and how.

    unit: "plot", "row" or "plant". of: unit of each plant, indexed by plant. frame: one row a
    unit: unit, variety, replicate, block, treatment (NA where it differs within), row, column
    (means), plants. basis: what the units were taken from. blocks_used: whether blocks hold
    several varieties, so that varieties can be compared within them. replicates_used: the same of
    replicates, in which such blocks lie.
    merged: claimed plots that were joined because they stand side by side, by variety.
    mixed: claimed plots holding more than one variety.
    single_plants, placed: claimed plots are a line of plants.csv each (single plants, or plots
    recorded as one); positions are known.
    across: pairs of units of one variety side by side across the edge of a block, by variety.
    across_by_lot: whether lots drawn in each block would leave as many.
    patches: whether each variety's units, two or more, lie together as one patch of ground.
    strips: varieties that stand in one row or one column right through, None where none does.
    one_plot_name: every plant carries the same plot number, so that it says nothing.
    rows_known: rows are recorded and each holds one variety, which places whole rows.
    treated: levels of the treatment, or of several together; plots differing in it are not alike.
    """

    unit: Unit
    of: pd.Series
    frame: pd.DataFrame
    basis: Basis
    blocks_used: bool
    merged: dict[str, int]
    mixed: tuple[str, ...]
    single_plants: bool
    placed: bool
    block_is_plot: bool = False
    plot_is_block: bool = False
    across: dict[str, int] = field(default_factory=dict)
    across_by_lot: bool = True
    patches: bool = False
    strips: Strips | None = None
    one_plot_name: bool = False
    rows_known: bool = False
    factorial_lines: bool = False
    replicates_used: bool = False


def find_units(plants: pd.DataFrame, by_lot_declared: bool = False, split: bool = False) -> Units:
    """The experimental units of a bed.

    plants: plant, variety, replicate, block, plot, row, column, treatment (and treatment_2, ... of
    further factors); one row a plant, positions in plants and rows counted from 1, NA where not
    recorded.
    by_lot_declared: the trial says that places were drawn by lot (completely randomised, Latin
    square, ...).
    split: it says that treatments were given to parts of a variety's plot.
    """
    plants = _tidied(plants)
    placed = bool(plants["row"].notna().all() and plants["column"].notna().all())
    claim = _claim(plants, placed, split)
    like, owner, merged, whole_rows = _repetitions(claim, placed, by_lot_declared)
    frame = unit_table(like, owner)
    across, chance = touching_across_blocks(like, owner) if placed else ({}, 1.0)
    several = _levels_of_several(like, "block")
    return Units(
        unit=_name(like, owner, frame, whole_rows),
        of=pd.Series(owner.to_numpy(), index=like["plant"].to_numpy()),
        frame=frame,
        basis=claim.basis,
        blocks_used=bool(len(several) > 1 and several.any()),
        replicates_used=_replicates_used(like, several),
        merged=merged,
        mixed=claim.mixed,
        single_plants=claim.single_plants,
        placed=placed,
        block_is_plot=claim.block_is_plot,
        plot_is_block=claim.plot_is_block,
        across=across,
        across_by_lot=chance > CHANCE,
        patches=bool(across) and _in_patches(like, owner),
        strips=whole_rows,
        one_plot_name=claim.one_plot_name,
        rows_known=bool(like["row"].notna().all())
        and not _levels_of_several(like, "row_told").any(),
        factorial_lines=claim.basis == "blocks" and like["treated_as"].nunique() > 1,
    )


@dataclass(frozen=True)
class _Claim:
    """What the records say the plots are, before anybody asks which are repetitions.

    plants: tidied, with the blocks and treatments that are believed. claimed: plot of each plant.
    The rest as in `Units`.
    """

    plants: pd.DataFrame
    claimed: pd.Series
    basis: Basis
    mixed: tuple[str, ...]
    single_plants: bool
    block_is_plot: bool
    plot_is_block: bool
    one_plot_name: bool


def _claim(plants: pd.DataFrame, placed: bool, split: bool) -> _Claim:
    """Plots as recorded; blocks where plots name blocks, plots where blocks hold one variety."""
    mixed: tuple[str, ...] = ()
    plot_is_block = one_name = False
    if plants["plot"].notna().any():
        plants, mixed, plot_is_block, one_name = _plots_holding_several(plants)
    if split:
        plants = plants.assign(treated_as="")
    claimed, basis = _claimed(plants, placed)
    if basis == "plots" and _split_without_saying(plants, claimed, placed):
        plants = plants.assign(treated_as="")
    single = basis == "plots" and claimed.nunique() == len(plants) > plants["variety"].nunique()
    block_is_plot = _blocks_of_one_variety(plants)
    if block_is_plot:
        claimed, basis = plants["block"], "plots"
        plants = plants.assign(block=ONE_BLOCK)
    return _Claim(plants, claimed, basis, mixed, single, block_is_plot, plot_is_block, one_name)


def _repetitions(
    claim: _Claim, placed: bool, by_lot_declared: bool
) -> tuple[pd.DataFrame, pd.Series, dict[str, int], Strips | None]:
    """Claimed plots that are no repetitions of each other made one: neighbours of one variety,
    then whole rows. Returns plants with the blocks left, the unit of each, and the joined by
    variety."""
    plants = claim.plants
    owner, merged = _joined(plants, claim.claimed, placed, by_lot_declared, claim.basis)
    if claim.single_plants and not placed and claim.basis == "plots":
        owner, merged = _one_each_block(plants, owner)
    whole_rows = strips(plants, owner, by_lot_declared)
    if whole_rows is not None:
        owner = whole_rows.owner
        if bool((plants.groupby(owner.to_numpy())["block"].nunique() > 1).any()):
            plants = plants.assign(block=ONE_BLOCK)
    return plants, owner, merged, whole_rows


def _levels_of_several(plants: pd.DataFrame, column: str) -> pd.Series:
    """Of each block (or row, or replicate) whether it holds several varieties."""
    return plants.groupby(column)["variety"].nunique() > 1


def _replicates_used(plants: pd.DataFrame, several: pd.Series) -> bool:
    """Whether every plant lies in a replicate of several varieties, and blocks (`several`: those
    that hold more than one) lie within."""
    replicates = _levels_of_several(plants, "replicate")
    return bool(len(several) > 1 and several.any() and plants["replicate"].notna().all()
                and len(replicates) > 1 and replicates.all())


def unit_table(plants: pd.DataFrame, owner: pd.Series) -> pd.DataFrame:
    """One row a unit: unit, variety, replicate, block, treatment, row, column, plants."""

    def only(values: pd.Series) -> object:
        return values.iloc[0] if values.nunique(dropna=False) == 1 else pd.NA

    treated = treatments(plants).replace("", None)
    grouped = plants.assign(unit=owner.to_numpy(), treated=treated).groupby("unit", sort=False)
    return pd.DataFrame(
        {
            "variety": grouped["variety"].first(),
            "replicate": grouped["replicate"].first(),
            "block": grouped["block"].first(),
            "treatment": grouped["treated"].agg(only),
            "row": grouped["row_told"].mean(),
            "column": grouped["column"].mean(),
            "plants": grouped.size(),
        }
    ).reset_index()


def _tidied(plants: pd.DataFrame) -> pd.DataFrame:
    """One row a plant, all columns there, blocks as text, one block where none is named."""
    frame = plants.drop_duplicates("plant").reset_index(drop=True).copy()
    for name in ("replicate", "block", "plot", "treatment"):
        if name not in frame:
            frame[name] = pd.NA
        known = frame[name].notna()
        frame[name] = frame[name].astype("object").where(known, None)
    for name in ("row", "column"):
        frame[name] = frame[name].astype(float) if name in frame else np.nan
    if frame["replicate"].notna().any():
        frame["replicate"], frame["block"], _ = in_replicates(*(
            frame[name] if name == "variety" else frame[name].map(str, na_action="ignore")
            for name in ("replicate", "block", "variety", "plot")))
    frame["treated_as"] = treatments(frame)
    frame["variety"] = frame["variety"].astype(str)
    frame["block"] = [ONE_BLOCK if block is None else str(block) for block in frame["block"]]
    frame["row_told"] = frame["row"]
    if frame.dropna(subset=["row", "column"]).duplicated(["row", "column"]).any():
        frame["row"] = rows_below(frame)
    return frame


def rows_below(plants: pd.DataFrame) -> pd.Series:
    """Rows of plants whose rows and columns start again in each replicate or block: these are set
    below one another.  plants: row, column, block, and replicate where blocks lie within one."""
    within = "block"
    if "replicate" in plants and plants["replicate"].notna().all() and not plants.dropna(
            subset=["row", "column"]).duplicated(["replicate", "row", "column"]).any():
        within = "replicate"
    step = float(plants["row"].max()) + 1.0
    row: pd.Series = plants["row"].astype(float) + step * pd.factorize(plants[within])[0]
    return row


def treatments(plants: pd.DataFrame) -> pd.Series:
    """What each plant was given beside its variety, all factors together; "" for nothing.

    Factors are the columns treatment, treatment_2, treatment_3, ...
    """
    labels = pd.Series("", index=plants.index)
    for name in sorted(str(c) for c in plants.columns if str(c).startswith("treatment")):
        level = plants[name].astype("object").where(plants[name].notna(), "").astype(str)
        comma = (labels != "").map({True: ", ", False: ""})
        labels = labels.where(level == "", labels + comma + level)
    return labels


def _plots_holding_several(
    plants: pd.DataFrame,
) -> tuple[pd.DataFrame, tuple[str, ...], bool, bool]:
    """Plots with several varieties: blocks under another name where every plot is one.

    Returns the plants, the names of such plots, whether the plots are blocks, and whether one
    number stands for all plots, which then says nothing.
    """
    held = plants.dropna(subset=["plot"]).groupby(["block", "plot"])["variety"].nunique()
    several = held[held > 1].reset_index()
    mixed = tuple(several["plot"].astype(str))
    if mixed and len(mixed) == len(held):
        blocks = plants["block"].nunique()
        if plants["plot"].nunique() == 1:
            return plants.assign(plot=None), mixed, False, True
        if blocks == 1:
            return plants.assign(block=plants["plot"].astype(str), plot=None), mixed, True, False
        if blocks == len(held):
            return plants.assign(plot=None), mixed, True, False
    return plants, mixed, False, False


def _claimed(plants: pd.DataFrame, placed: bool) -> tuple[pd.Series, Basis]:
    """The unit each plant belongs to as the records have it, before neighbours are looked at."""
    own = plants["variety"]
    if plants["plot"].notna().any():
        plot = plants["plot"].map(lambda label: "no plot" if label is None else str(label))
        row = plants["row"].map(lambda label: "" if pd.isna(label) else f", row {label:g}")
        where = plot.where(plants["plot"].notna(), plot + row)
        shared = plants.groupby(where)["block"].nunique()
        twice = where.map(shared) > 1
        where = where.where(~twice, plants["block"] + " " + where)
        several = where.map(plants.groupby(where)["variety"].nunique()) > 1
        return where.where(~several, where + ": " + own), "plots"
    if placed:
        if _mixed_plants(plants):
            return plants["plant"].astype(str), "plants"
        return _runs(plants), "runs"
    if plants["row"].notna().all() and not _lines_are_plots(plants):
        label = own + plants["row"].map(lambda label: f" row {label:g}")
        if plants["block"].nunique() > 1:
            label = plants["block"] + " " + label
        return label, "rows"
    if plants["block"].nunique() > 1:
        if _lines_are_plots(plants):
            own = own + " " + plants["treated_as"]
        return plants["block"] + " " + own, "blocks"
    return own.copy(), "unknown"


def _lines_are_plots(plants: pd.DataFrame) -> bool:
    """Whether each line is a plot of its own: every variety with every treatment once a block."""
    cells = plants.groupby(["block", "variety", "treated_as"]).size()
    return bool(plants["treated_as"].nunique() > 1 and (cells == 1).all())


def _split_without_saying(
    plants: pd.DataFrame, claimed: pd.Series, placed: bool
) -> bool:
    """Whether plots that differ in treatment lie in patches of one variety: parts of a split plot.

    Lots over all combinations would hardly ever leave so many like neighbours.
    """
    if plants["treated_as"].nunique() < 2 or not placed:
        return False
    if (plants["treated_as"].groupby(claimed.to_numpy()).nunique() > 1).any():
        return False
    units = UnitCodes.of_plants(plants, claimed)
    codes, variety, block = units.of, units.variety, units.block
    for side in (along_rows(plants), across_rows(plants)):
        touching = np.zeros((len(variety), len(variety)), dtype=bool)
        i, j = np.nonzero(side)
        touching[codes[i], codes[j]] = codes[i] != codes[j]
        if chance_of_touching(touching, variety, block) <= CHANCE:
            return True
    return False


def _mixed_plants(plants: pd.DataFrame) -> bool:
    """Whether varieties alternate plant by plant, so that each plant is a unit of its own.

    Both must hold: lots could well leave as many like neighbours as there are, and no variety
    stands all together in a block. Plots that nobody named are else taken for patches.
    """
    variety = pd.factorize(plants["variety"])[0]
    block = pd.factorize(plants["block"])[0]
    along, across = along_rows(plants), across_rows(plants)
    same = (variety[:, None] == variety) & (block[:, None] == block)
    patch = connected_components(coo_matrix((along | across) & same), directed=False)[1]
    per = plants.assign(patch=patch).groupby(["block", "variety"])["patch"].agg(["size", "nunique"])
    if ((per["size"] > 1) & (per["nunique"] == 1)).any():
        return False
    # Each direction by itself: whole rows of one variety alternate across the bed.
    return all(chance_of_touching(pairs, variety, block) > CHANCE for pairs in (along, across))


def _runs(plants: pd.DataFrame) -> pd.Series:
    """Unbroken stretches of one variety along a row, within a block."""
    ordered = plants.sort_values(["row", "column"])
    key = ordered[["row", "block", "variety"]]
    number = (key != key.shift()).any(axis=1).cumsum()
    name = ordered["variety"] + number.map(lambda pairs: f" stretch {pairs}")
    return name.reindex(plants.index)


def _joined(
    plants: pd.DataFrame, claimed: pd.Series, placed: bool, by_lot_declared: bool, basis: Basis
) -> tuple[pd.Series, dict[str, int]]:
    """Claimed units with those of one variety that stand side by side in a block made one."""
    units = UnitCodes.of_plants(plants, claimed)
    codes, variety, block = units.of, units.variety, units.block
    touching = units_touching(plants, units, placed)
    like = touching & (variety[:, None] == variety) & (block[:, None] == block)
    if basis == "plots":  # plots given different treatments are not each other's repetition
        like &= units.treated_as[:, None] == units.treated_as
    if basis == "plants" or not like.any():
        return claimed, {}
    if basis == "plots" and _by_lot(
            plants, codes, touching, variety, block, placed, by_lot_declared):
        return claimed, {}
    number = connected_components(coo_matrix(like), directed=False)[1]
    parts = pd.DataFrame({"variety": variety, "block": block, "part": number})
    names = units.first["unit"].to_numpy()
    first = {part: str(names[i]) for i, part in reversed(list(enumerate(number)))}
    owner = pd.Series([first[number[c]] for c in codes], index=plants.index)
    lost = parts.groupby("variety").agg({"part": ["size", "nunique"]})["part"]
    return owner, {
        str(units.names[np.flatnonzero(variety == v)[0]]): int(row["size"])
        for v, row in lost.iterrows()
        if row["size"] > row["nunique"]
    }


def _by_lot(
    plants: pd.DataFrame,
    codes: np.ndarray,
    touching: np.ndarray,
    variety: np.ndarray,
    block: np.ndarray,
    placed: bool,
    by_lot_declared: bool,
) -> bool:
    """Whether like neighbours among named plots may stand there by lot.

    Believed if it is said that lots were drawn and chance could do it, or if single plants are
    mixed throughout the bed. Else plots of one variety side by side are one plot, the safe side.
    """
    if by_lot_declared:
        return chance_of_touching(touching, variety, block) > CHANCE
    return placed and len(np.unique(codes)) == len(plants) and _mixed_plants(plants)


def _one_each_block(plants: pd.DataFrame, owner: pd.Series) -> tuple[pd.Series, dict[str, int]]:
    """Single-plant "plots" without positions: one unit a variety and block, as far as is known."""
    if plants["block"].nunique() == 1:
        return owner, {}
    per = plants.groupby(["block", "variety", "treated_as"]).size()
    if (per == 1).all():
        return owner, {}
    counted = plants.groupby("variety").size()
    label = plants["block"] + " " + plants["variety"]
    label = label.where(plants["treated_as"] == "", label + " " + plants["treated_as"])
    return label, {str(v): int(n) for v, n in counted.items()}


def _blocks_of_one_variety(plants: pd.DataFrame) -> bool:
    """Whether every block holds one variety only: then the blocks are the plots."""
    held = plants.groupby("block")["variety"].nunique()
    return bool(len(held) > 1 and (held == 1).all())


def _name(
    plants: pd.DataFrame, owner: pd.Series, frame: pd.DataFrame, whole_rows: Strips | None
) -> Unit:
    """ "plant" for single plants nobody grouped, "row" for whole rows, else "plot"."""
    if whole_rows and whole_rows.every and whole_rows.along == "row" and not whole_rows.by_lot:
        return "row"
    if (frame["plants"] == 1).all() and plants["plot"].isna().all() and len(frame) > 2:
        return "plant"
    if plants["row"].notna().all() and len(frame) > 1:
        pairs = plants.assign(unit=owner.to_numpy())[["unit", "row"]].drop_duplicates()
        whole = pairs["row"].nunique() == len(pairs) == len(frame)
        if whole and not plants["plot"].notna().any():
            return "row"
        if whole and pairs["row"].nunique() == plants["variety"].nunique():
            return "row"
    return "plot"


COLUMNS = ["stratum", "source", "df"]
RESIDUAL = "residual"


def indicators(values: pd.Series) -> NDArray[np.float64]:
    """One 0/1 column a level, shape (n, levels)."""
    codes, levels = pd.factorize(values)
    return np.eye(len(levels))[codes]


def rank(*parts: NDArray[np.float64]) -> int:
    """Rank of the columns of all parts side by side."""
    return int(np.linalg.matrix_rank(np.hstack(parts))) if parts else 0


def strata(
    units: pd.DataFrame,
    by: tuple[str, ...] = ("block",),
    treatment: bool = False,
    parts: int = 1,
) -> pd.DataFrame:
    """The skeleton analysis of variance: DataFrame[stratum, source, df].

    units: one row a unit that varieties were given to: variety and the columns named.
    by: columns whose levels are taken out first (blocks; rows and columns of a Latin square).
    treatment: units also differ in `treatment` (fitted with its interaction where all
    combinations are there more than once, alone otherwise).
    parts: sub-plots each unit is split into for a second factor with as many levels (split
    plot), each level once a unit.
    """
    n = len(units)
    mean = np.ones((n, 1))
    lines: list[tuple[str, str, int]] = []
    seen = [mean]
    before = 1
    for name in by:
        seen.append(indicators(units[name]))
        now = rank(*seen)
        lines.append((f"{name}s", f"{name}s", now - before))
        before = now
    sources = ["variety"]
    if treatment:
        sources = ["treatment", "variety"]
        cells = pd.crosstab(units["variety"], units["treatment"])
        if cells.size and int(cells.to_numpy().min()) > 1:
            sources.append("variety x treatment")
    for source in sources:
        column = (
            units["variety"].astype(str) + "|" + units["treatment"].astype(str)
            if source == "variety x treatment"
            else units[source]
        )
        seen.append(indicators(column))
        now = rank(*seen)
        lines.append(("plots", source, now - before))
        before = now
    lines.append(("plots", RESIDUAL, n - before))
    if parts > 1:
        varieties = units["variety"].nunique()
        second = parts - 1
        both = (varieties - 1) * second
        lines += [
            ("sub-plots", "treatment", second),
            ("sub-plots", "variety x treatment", both),
            ("sub-plots", RESIDUAL, n * second - second - both),
        ]
    return pd.DataFrame(lines, columns=COLUMNS)


def variety_df(table: pd.DataFrame) -> int:
    """Residual degrees of freedom of the stratum in which varieties are compared."""
    rows = table[(table["stratum"] == "plots") & (table["source"] == RESIDUAL)]
    return int(rows["df"].iloc[0])


def comparable(units: pd.DataFrame, by: tuple[str, ...]) -> list[list[str]]:
    """Groups of varieties that can be compared once the columns in `by` are taken out.

    A difference of two varieties is estimable if it lies in the row space of the design
    (Searle 1971, Linear Models, ch. 5). One group holds all where the layout is connected.
    """
    names = list(dict.fromkeys(units["variety"]))
    blocks = [indicators(units[name]) for name in by]
    of_variety = np.array([units["variety"] == name for name in names], dtype=float).T
    design = np.hstack([np.ones((len(units), 1)), *blocks, of_variety])
    keep = np.linalg.pinv(design) @ design
    first = design.shape[1] - len(names)
    groups: list[list[str]] = []
    for i, name in enumerate(names):
        for group in groups:
            step = np.zeros(design.shape[1])
            step[first + i], step[first + names.index(group[0])] = 1.0, -1.0
            if np.allclose(step @ keep, step, atol=1e-8):
                group.append(name)
                break
        else:
            groups.append([name])
    return groups
