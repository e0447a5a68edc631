"""Degrees of freedom of the layout: the lines of its analysis of variance, without any data.

Every line is a difference of ranks of indicator columns, so that any layout is covered; for the
standard ones this gives the textbook tables (Cochran & Cox 1957, Experimental Designs, 2nd ed.;
Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, 2nd ed.).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
    of_variety = np.array([units["variety"] == one for one in names], dtype=float).T
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
