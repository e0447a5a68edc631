"""Which plants and plots stand side by side, or in one row right through, and whether lots would
have put them so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

DRAWS = 1999
CHANCE = 0.05


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


def units_touching(plants: pd.DataFrame, codes: np.ndarray, placed: bool) -> np.ndarray:
    """(u, u): units with a plant next to one of the other's; by rows alone without columns."""
    size = int(codes.max()) + 1
    touching = np.zeros((size, size), dtype=bool)
    if placed:
        i, j = np.nonzero(along_rows(plants) | across_rows(plants))
        touching[codes[i], codes[j]] = True
    elif plants["row"].notna().all():
        rows = np.sort(plants["row"].unique())
        in_row = [np.unique(codes[plants["row"] == one]) for one in rows]
        for here, following in zip(in_row, in_row[1:], strict=False):
            if len(here) == len(following) == 1:  # whole rows; parts of a row: order unknown
                touching[here[0], following[0]] = touching[following[0], here[0]] = True
        for here in in_row:
            same = plants["variety"].groupby(codes).first().to_numpy()[here]
            if len(set(same)) == 1:
                touching[np.ix_(here, here)] = True
    np.fill_diagonal(touching, False)
    return touching


def touching_across_blocks(
    plants: pd.DataFrame, owner: pd.Series
) -> tuple[dict[str, int], float]:
    """Pairs of units of one variety that touch across the edge of two blocks, by variety, and the
    chance that lots drawn in each block would leave as many.

    plants: with places, see `audit_units`. owner: the unit of each. None where rows start again in
    each block: then nobody knows which blocks lie beside which.
    """
    again = not plants["row"].equals(plants["row_told"])
    if again or plants["block"].nunique() == 1:
        return {}, 1.0
    codes, _ = pd.factorize(owner)
    names = plants["variety"].groupby(codes).first()
    variety = pd.factorize(names + "|" + plants["given"].groupby(codes).first())[0]
    block = pd.factorize(plants["block"].groupby(codes).first())[0]
    edges = units_touching(plants, codes, True) & (block[:, None] != block)
    first, _ = np.nonzero(np.triu(edges & (variety[:, None] == variety)))
    if not len(first):
        return {}, 1.0
    found = {str(name): int(n) for name, n in names.iloc[first].value_counts().items()}
    return found, chance_of_touching(edges, variety, block)


def chance_of_touching(
    touching: np.ndarray, variety: np.ndarray, block: np.ndarray, seed: int = 1
) -> float:
    """Chance that lots would leave at least as many like neighbours as there are.

    Join counts of like pairs (Cliff & Ord 1973, Spatial Autocorrelation) under permutation of
    varieties within blocks. touching: (n, n) of neighbours; variety, block: codes, shape (n,).
    """
    first, second = np.nonzero(np.triu(touching, 1))
    seen = int(np.sum(variety[first] == variety[second]))
    rng = np.random.default_rng(seed)
    parts = [np.flatnonzero(block == one) for one in np.unique(block)]
    at_least = 0
    for _ in range(DRAWS):
        shuffled = variety.copy()
        for part in parts:
            shuffled[part] = variety[rng.permutation(part)]
        at_least += int(np.sum(shuffled[first] == shuffled[second])) >= seen
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


def strips(plants: pd.DataFrame, owner: pd.Series, drawn: bool) -> Strips | None:
    """The rows or columns that varieties keep to right through, whatever is called a block.

    plants: as `audit_units` has them. owner: unit of each plant. drawn: lots are declared. A row
    is as wide as its plots: plots two rows deep make a band of two rows. None where there is one
    band only, where each band is one plot, or where varieties share their bands.
    """
    codes, _ = pd.factorize(owner)
    variety = pd.factorize(plants["variety"].groupby(codes).first())[0]
    block = pd.factorize(plants["block"].groupby(codes).first())[0]
    names = plants["variety"].groupby(codes).first().drop_duplicates().tolist()
    again = not plants["row"].equals(plants["row_told"])
    sides: tuple[tuple[Literal["row", "column"], str], ...] = (
        ("row", "row_told"), ("column", "column"),
    )  # fmt: skip
    for along, column in sides:
        if plants[column].isna().any() or plants[column].nunique() < 2:
            continue
        band = _bands(plants[column].to_numpy(float), codes)
        kept = _kept(variety, band)
        every = bool(kept.single.all())
        if not kept.count or (again and not every):
            continue
        likely = _chance_of_strips(variety, band, block) > CHANCE
        by_lot = likely and drawn and (again or not every)
        wide = np.zeros_like(kept.wide) if likely else kept.wide
        if not (kept.single.any() or wide.any() or (kept.shared and not likely)):
            continue
        inside = ((kept.single & (not by_lot)) | wide)[variety][codes]
        label = plants["variety"] + f" {along} " + pd.Series(band[codes] + 1).astype(str)
        return Strips(
            along,
            tuple(str(one) for one, is_one in zip(names, kept.single, strict=True) if is_one),
            every,
            tuple(str(one) for one, is_one in zip(names, wide, strict=True) if is_one),
            tuple(tuple(str(names[v]) for v in sorted(group)) for group in kept.shared
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
    first = pd.Series(lines).groupby(codes).first().to_numpy()
    return np.asarray(part[first])


@dataclass(frozen=True)
class _Kept:
    """single, wide: (v,), as in `Strips`. shared: groups of variety codes. count: of them all."""

    single: np.ndarray
    wide: np.ndarray
    shared: list[frozenset[int]]

    @property
    def count(self) -> int:
        return int(self.single.sum() + self.wide.sum()) + sum(len(one) for one in self.shared)


def _kept(variety: np.ndarray, band: np.ndarray) -> _Kept:
    """Which varieties have bands of their own, in more pieces than bands.

    variety, band: codes of each unit, shape (u,).
    """
    held = np.zeros((int(variety.max()) + 1, int(band.max()) + 1), dtype=int)
    np.add.at(held, (variety, band), 1)
    there = held > 0
    if held.shape[1] < 2:
        nothing = np.zeros(len(held), dtype=bool)
        return _Kept(nothing, nothing, [])
    crowd = there.sum(axis=0)
    bands = there.sum(axis=1)
    own = (there & (crowd > 1)).sum(axis=1) == 0
    own &= held.sum(axis=1) > bands
    shared = []
    for one in np.flatnonzero(crowd > 1):
        group = there[:, one]
        if (bands[group] == 1).all() and (held[group, one] > 1).all():
            shared.append(frozenset(np.flatnonzero(group).tolist()))
    return _Kept(own & (bands == 1), own & (bands > 1), shared)


def _chance_of_strips(
    variety: np.ndarray, band: np.ndarray, block: np.ndarray, seed: int = 1
) -> float:
    """Chance that lots drawn in each block leave as many varieties to bands of their own."""
    seen = _kept(variety, band).count
    rng = np.random.default_rng(seed)
    parts = [np.flatnonzero(block == one) for one in np.unique(block)]
    at_least = 0
    for _ in range(DRAWS):
        shuffled = variety.copy()
        for part in parts:
            shuffled[part] = variety[rng.permutation(part)]
        at_least += _kept(shuffled, band).count >= seen
    return (at_least + 1) / (DRAWS + 1)
