"""Which plants and plots stand side by side, and whether lots would have put them so."""

from __future__ import annotations

import numpy as np
import pandas as pd

DRAWS = 1999


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
    variety = pd.factorize(names)[0]
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
